"""CIELAB, CIEDE2000 and spectra of observers and lights; the only room that may import colour-science."""
