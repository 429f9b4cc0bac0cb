"""Pixels: from a file to readings of the spots; the only room that sees an image."""
