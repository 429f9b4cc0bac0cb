"""The parts of a simulated photo as plain data: scene, phone, light, pose, printer, and the result.

It knows names, units and ranges; what they do to a pixel is decided in the modules beside it.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from colourmatch.colour.spectra import WAVELENGTHS_NM, read_illuminant
from colourmatch.facts import read_json
from colourmatch.records import Array
from drawn.geometry import View
from drawn.inks import Inks

#: The places of the three glasses on the card.
SPOTS = ("reference", "batch", "blank")

#: Reflectances in the blue (450 nm), green (550 nm) and red (630 nm) that a smooth spectrum is drawn through.
Reflectance = tuple[float, float, float]


@dataclass(frozen=True)
class Glass:
    """One kind of flat-based glass; all three are of it. Lengths in mm, else shares of white."""

    inner_radius_mm: float = 22.0
    wall_mm: float = 1.3
    transmission: float = 0.93
    wall_tone: float = 0.80
    wall_contrast: float = 0.12
    meniscus_mm: float = 1.5
    meniscus_depth: float = 0.25
    surface_veil: float = 0.004
    rim_height_mm: float = 0.0


@dataclass(frozen=True)
class Glint:
    """A lamp mirrored on the liquid: place from the glass centre, level in units of paper white."""

    spot: str
    x_mm: float
    y_mm: float
    radius_mm: float = 1.5
    stretch: float = 1.6
    angle_degrees: float = 30.0
    level: float = 2.5


@dataclass(frozen=True)
class Bubble:
    """A bubble at the surface: a dark ring with a bright point; position from the glass centre."""

    spot: str
    x_mm: float
    y_mm: float
    radius_mm: float = 0.6


@dataclass(frozen=True)
class Stain:
    """A dried drop on the bare paper, in card mm; density is the absorbance in the blue, less in the red."""

    x_mm: float
    y_mm: float
    radius_mm: float = 6.0
    density: float = 0.15


@dataclass(frozen=True)
class Obstacle:
    """A hand or another matt thing lying over the card: a polygon in card mm and its reflectance."""

    outline_mm: tuple[tuple[float, float], ...]
    reflectance: Reflectance = (0.10, 0.13, 0.22)


@dataclass(frozen=True, eq=False)
class Scene:
    """What lies on the table. Liquids are single-pass transmittances, shape (81,); None means no glass
    there.

    oblique_paths: a tilted phone looks through a longer way in the liquid, which the truth leaves out. view_shift_mm,
    view_size: a bottom and a liquid seen aslant show what lies under them shifted, and larger or smaller.
    """

    reference: Array | None = None
    batch: Array | None = None
    blank: Array | None = field(default_factory=lambda: np.ones(WAVELENGTHS_NM.size))
    haze: dict[str, float] = field(default_factory=dict)
    offsets_mm: dict[str, tuple[float, float]] = field(default_factory=dict)
    glass: Glass = Glass()
    glass_shadow: float = 0.0
    oblique_paths: bool = False
    view_shift_mm: dict[str, tuple[float, float]] = field(default_factory=dict)
    view_size: float = 1.0
    glints: tuple[Glint, ...] = ()
    bubbles: tuple[Bubble, ...] = ()
    stains: tuple[Stain, ...] = ()
    obstacles: tuple[Obstacle, ...] = ()
    covered_markers: tuple[int, ...] = ()
    table: Reflectance = (0.16, 0.27, 0.38)
    table_texture: float = 0.06
    sheet_mm: tuple[float, float] = (297.0, 210.0)

    def liquids(self) -> dict[str, Array]:
        """The glasses that are there, in the order of SPOTS; ValueError for a spectrum that cannot be one."""
        found = {}
        for spot in SPOTS:
            value = getattr(self, spot)
            if value is None:
                continue
            value = np.asarray(value, float)
            if value.shape != WAVELENGTHS_NM.shape or not np.all((value >= 0) & (value <= 1)):
                raise ValueError(f"{spot} must be 81 transmittances in 0 to 1, got shape {value.shape}")
            if not 0 <= self.haze.get(spot, 0.0) <= 1:
                raise ValueError(f"haze of {spot} must be 0 to 1, got {self.haze[spot]}")
            found[spot] = value
        return found


@dataclass(frozen=True)
class Phone:
    """A phone: sensor, colour matrix and processing. Curve and veil values are shares of white (0 to 1).

    exposure is where the paper's linear value lands before the tone curve; s_curve and sharpening run from 0
    (none) to 1 (strong); full_well is the electrons of a saturated pixel; blur is that of lens and noise
    filter together.
    """

    sensor: str = "Phone A"
    name: str | None = None
    peak_shift_nm: tuple[float, float, float] = (0.0, 0.0, 0.0)
    gamut: str = "srgb"
    matrix_error: float = 0.0
    matrix_seed: int = 0
    saturation: float = 1.0
    white_balance_error: tuple[float, float, float] = (0.0, 0.0, 0.0)
    exposure: float = 0.72
    s_curve: float = 0.0
    shoulder: float = 0.88
    black_lift: tuple[float, float, float] = (0.0, 0.0, 0.0)
    veil: float = 0.0
    full_well: float = 8000.0
    read_noise: float = 0.002
    chroma_noise: float = 0.002
    blur_px: float = 0.6
    sharpening: float = 0.3

    @property
    def model(self) -> str:
        """The name written into the file."""
        return self.name or self.sensor


@dataclass(frozen=True)
class Shadow:
    """The edge of a shadow through a point of the card; depth is the share of the main light lost."""

    x_mm: float
    y_mm: float
    angle_degrees: float = 45.0
    depth: float = 0.4
    penumbra_mm: float = 25.0


@dataclass(frozen=True, eq=False)
class Light:
    """Main light and an optional second one from the opposite side; gradients are shares per 100 mm."""

    spectrum: Array = field(default_factory=read_illuminant)
    name: str = "D65"
    level: float = 1.0
    gradient: float = 0.0
    azimuth_degrees: float = 0.0
    bend: float = 0.0
    second_spectrum: Array | None = None
    second_share: float = 0.0
    second_gradient: float = 0.3
    shadow: Shadow | None = None
    vignetting: float = 0.0


@dataclass(frozen=True)
class Printer:
    """How the card came out: grey steps are nominal**gamma, times a jitter per patch, with a slight cast.

    cast is the rise of a printed grey's reflectance from blue to red; black the reflectance of solid black
    relative to paper. One printed card is one seed. inks: those of a colour printer, which prints card 2; field_spread:
    what the same field of two spots differs by on one sheet (part, sd).
    """

    gamma: float = 1.0
    jitter: float = 0.0
    cast: float = 0.0
    black: float = 0.04
    seed: int = 0
    inks: Inks | None = None
    field_spread: float = 0.0

    @property
    def card(self) -> Any:
        """The file of the card that was printed."""
        return read_json("card-v2.json" if self.inks else "card-v1.json")


@dataclass(frozen=True, eq=False)
class Rendered:
    """A simulated photo, upright: rgb uint8 (H, W, 3), what is truly in the glasses, exact geometry."""

    rgb: NDArray[np.uint8]
    truth: dict[str, Any]
    view: View
    gamut: str
    model: str
