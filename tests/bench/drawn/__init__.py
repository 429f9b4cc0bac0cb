"""Draws phone photos of the printed card with known truth, from spectra; it does not know the photo reader.

The model runs forward only: light, liquid, print, glass, lens, sensor, the phone's own processing, file.
Whatever it knows of the card comes from calibration/card-v1.json, and of phones from
calibration/sensors.json. It makes tests, benchmarks and the tables of the invented lot; no figure of a measured photo may
rest on it.
"""

# ruff: noqa: F401
from __future__ import annotations

from drawn.camera import camera_matrix, sensor_curves
from drawn.files import display_p3_profile, save_photo
from drawn.geometry import Pose, View, place_camera
from drawn.liquids import drink_transmittance, dye_absorbance, lab_relative_to_water
from drawn.render import render_photo, truth_of
from drawn.settings import (
    SPOTS,
    Bubble,
    Glass,
    Glint,
    Light,
    Obstacle,
    Phone,
    Printer,
    Rendered,
    Scene,
    Shadow,
    Stain,
)  # fmt: skip
