"""colourmatch: tint a small batch until it looks like its reference, and know when to stop."""

__version__ = "0.1.0"
