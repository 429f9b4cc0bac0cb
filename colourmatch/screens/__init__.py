"""One file a page; the only room that imports streamlit."""
