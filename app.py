"""The Streamlit entry: it sets the page and the navigation, and nothing else."""

import streamlit as st

from colourmatch.screens import pages, session

st.set_page_config(page_title="colourmatch", layout="wide", initial_sidebar_state="collapsed")
pages.dress_page()
session.keep_habits()
page = st.navigation([pages.find_page(name) for name in pages.TITLES], position="hidden")
pages.show_menu()
session.run_page(page)
