"""Sharing: who may reach the app over the local network, and how; it knows no lot and no page."""
