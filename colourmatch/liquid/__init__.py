"""Absorbance: colourants, stocks, the spectral liquid model and what photos teach it. No pixels, no prices."""
