"""Random but reproducible photos for benchmarks: phones, lights, printers, poses, drinks.

It knows plausible ranges (common practice, no source) and refuses to know what a reader finds hard.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from drawn.geometry import Pose, place_camera
from drawn.inks import vary_inks
from drawn.liquids import drink_transmittance, dye_absorbance, lab_relative_to_water
from drawn.render import render_photo
from drawn.settings import (
    SPOTS,
    Bubble,
    Glass,
    Glint,
    Light,
    Phone,
    Printer,
    Rendered,
    Scene,
    Shadow,
    Stain,
)
from numpy.typing import NDArray

from colourmatch.colour.difference import ciede2000
from colourmatch.colour.spaces import RGB_TO_XYZ
from colourmatch.colour.spectra import planck_spectrum, read_illuminant, transmittance_to_xyz
from colourmatch.facts import read_json

Array = NDArray[np.float64]

_DYES = ("E129", "E124", "E110", "E102", "E122", "E163", "E162", "E133", "E120")
_DYE_WEIGHTS = np.array([5, 3, 3, 3, 2, 1, 1, 1, 1]) / 20
#: Names of the lights that are neither daylight nor a good LED.
WARM_LIGHTS = ("LED-B1", "LED-B2")
_DILUTIONS = (1, 2, 3, 4, 5, 8, 10, 15, 20)


@dataclass(frozen=True, eq=False)
class Take:
    """One varied photo before it is drawn; recipe says what was drawn, in words and numbers."""

    scene: Scene
    phone: Phone
    light: Light
    pose: Pose
    printer: Printer
    seed: int
    recipe: dict[str, Any]

    def render(self) -> Rendered:
        """Draws it."""
        return render_photo(self.scene, self.phone, self.light, self.pose, seed=self.seed, printer=self.printer)


def vary(seed: int, *, large: bool = False, hardness: float = 1.0, fields: bool = False) -> Take:
    """A random photo of a reference, a batch and mostly a blank, CIEDE2000 spread from 0 to 12 with many
    under 6.

    large: 4032 x 3024 pixels instead of 2016 x 1512. hardness: every way in which phone, light, printer and glass
    depart from ideal is that many times as large; liquids, poses and noise stay. fields: card 2, its own inks each. The same seed gives the same photo, and
    each part has its own random stream, so that a change to one range leaves the others as they were.
    """
    phone, printer = _vary_phone(_stream(seed, 1)), _vary_printer(_stream(seed, 2))
    light, pose = _vary_light(_stream(seed, 3)), _vary_pose(_stream(seed, 4), large)
    reference, batch, recipe = _vary_liquids(_stream(seed, 5))
    scene = _vary_scene(_stream(seed, 6), reference, batch)
    if fields:
        rng = _stream(seed, 7)
        printer = replace(printer, inks=vary_inks(rng), field_spread=float(rng.uniform(0, 0.006)))
        scene = _look_through_bottoms(rng, scene)
    take = Take(scene, phone, light, pose, printer, seed, recipe)
    return take if hardness == 1 else _scale_departures(take, hardness)


def _scale_departures(take: Take, by: float) -> Take:
    """The same photo with every departure from an ideal phone, light, print and glass so many times as large."""

    def off(value: float, ideal: float = 0.0) -> float:
        return ideal + by * (value - ideal)

    phone, light, printer, scene = take.phone, take.light, take.printer, take.scene
    phone = replace(
        phone,
        peak_shift_nm=_three(by * np.array(phone.peak_shift_nm)),
        matrix_error=off(phone.matrix_error),
        saturation=off(phone.saturation, 1.0),
        white_balance_error=_three(by * np.array(phone.white_balance_error)),
        s_curve=off(phone.s_curve),
        shoulder=min(off(phone.shoulder, 1.0), 1.0),
        black_lift=_three(by * np.array(phone.black_lift)),
        veil=off(phone.veil),
        sharpening=off(phone.sharpening),
    )
    light = replace(
        light,
        gradient=off(light.gradient),
        bend=off(light.bend),
        second_share=off(light.second_share),
        vignetting=off(light.vignetting),
        shadow=light.shadow and replace(light.shadow, depth=off(light.shadow.depth)),
    )
    printer = replace(printer, gamma=off(printer.gamma, 1.0), jitter=off(printer.jitter), cast=off(printer.cast))
    scene = replace(
        scene,
        glass=replace(scene.glass, surface_veil=off(scene.glass.surface_veil)),
        glass_shadow=off(scene.glass_shadow),
        haze={spot: off(value) for spot, value in scene.haze.items()},
        glints=tuple(replace(glint, level=off(glint.level)) for glint in scene.glints),
        stains=tuple(replace(stain, density=off(stain.density)) for stain in scene.stains),
    )
    return replace(take, phone=phone, light=light, printer=printer, scene=scene)


def _stream(seed: int, part: int) -> np.random.Generator:
    return np.random.default_rng([abs(int(seed)), part])


def _three(values: Array) -> tuple[float, float, float]:
    return float(values[0]), float(values[1]), float(values[2])


def _vary_phone(rng: np.random.Generator) -> Phone:
    sensor = str(rng.choice(list(read_json("sensors.json")["phones"])))
    return Phone(
        sensor=sensor,
        peak_shift_nm=_three(rng.normal(0, 3, 3)),
        gamut=str(rng.choice(["srgb", "p3"])),
        matrix_error=float(rng.uniform(0, 0.03)),
        matrix_seed=int(rng.integers(2**31)),
        saturation=float(rng.uniform(1.0, 1.2)),
        white_balance_error=_three(rng.normal(0, [0.028, 0.01, 0.028])),
        exposure=float(rng.uniform(0.55, 0.85)),
        s_curve=float(rng.choice([0.0, rng.uniform(0, 0.35), rng.uniform(0.35, 0.8)], p=[0.25, 0.5, 0.25])),
        shoulder=float(rng.uniform(0.8, 0.95)),
        black_lift=_three(rng.uniform(0, 0.004) + rng.uniform(0, 0.002, 3)),
        veil=float(rng.uniform(0, 0.012)),
        full_well=float(10 ** rng.uniform(3.3, 4.3)),
        read_noise=float(rng.uniform(0.0008, 0.003)),
        chroma_noise=float(rng.uniform(0, 0.004)),
        blur_px=float(rng.uniform(0.5, 0.9)),
        sharpening=float(rng.choice([0.0, rng.uniform(0.1, 0.5), rng.uniform(0.5, 1.0)], p=[0.2, 0.6, 0.2])),
    )


def _vary_printer(rng: np.random.Generator) -> Printer:
    return Printer(
        gamma=float(rng.uniform(0.9, 1.12)),
        jitter=0.02,
        cast=float(rng.uniform(-0.01, 0.01)),
        black=float(rng.uniform(0.03, 0.06)),
        seed=int(rng.integers(2**31)),
    )


def _pick_light(rng: np.random.Generator) -> tuple[str, Array]:
    kind = rng.choice(["planck", "daylight", "led", "warm"], p=[0.4, 0.25, 0.3, 0.05])
    if kind == "planck":
        kelvin = float(np.round(rng.uniform(5000, 7500), -1))
        return f"T{kelvin:.0f}", planck_spectrum(kelvin)
    names = {
        "daylight": ["D50", "D55", "D65", "D75"],
        "led": ["LED-B3", "LED-B4", "LED-B5", "LED-V1", "LED-V2"],
        "warm": list(WARM_LIGHTS),
    }
    name = str(rng.choice(names[str(kind)]))
    return name, read_illuminant(name)


def _vary_light(rng: np.random.Generator) -> Light:
    name, spectrum = _pick_light(rng)
    second = rng.random() < 0.5
    shadow = None
    if rng.random() < 0.2:
        shadow = Shadow(
            x_mm=float(rng.uniform(20, 230)),
            y_mm=float(rng.uniform(20, 160)),
            angle_degrees=float(rng.uniform(0, 360)),
            depth=float(rng.uniform(0.05, 0.35)),
            penumbra_mm=float(10 ** rng.uniform(1.0, 2.0)),
        )
    return Light(
        spectrum=spectrum,
        name=name,
        gradient=float(rng.uniform(0, 0.16)),
        azimuth_degrees=float(rng.uniform(0, 360)),
        bend=float(rng.uniform(0, 0.06)),
        second_spectrum=_pick_light(rng)[1] if second else None,
        second_share=float(rng.uniform(0.05, 0.35)) if second else 0.0,
        second_gradient=float(rng.uniform(0.0, 0.35)),
        shadow=shadow,
        vignetting=float(rng.uniform(0, 0.2)),
    )


def _vary_pose(rng: np.random.Generator, large: bool) -> Pose:
    width, height = (4032, 3024) if large else (2016, 1512)
    if rng.random() < 0.25:
        width, height = height, width
    fill = float(rng.uniform(0.45, 0.9))
    pose = Pose(
        tilt_degrees=float(25 * np.sqrt(rng.random())),
        azimuth_degrees=float(rng.uniform(0, 360)),
        rotation_degrees=float(rng.choice([rng.normal(0, 8), rng.uniform(0, 360)], p=[0.6, 0.4])),
        fill=fill,
        width_px=width,
        height_px=height,
        distortion=float(rng.normal(0, 0.008)),
        defocus_px=float(rng.choice([0.0, rng.uniform(0, 1.2)], p=[0.5, 0.5])),
        motion_px=float(rng.choice([0.0, rng.uniform(0, 3)], p=[0.7, 0.3])),
        motion_degrees=float(rng.uniform(0, 180)),
    )
    # A turned or tilted sheet may fill the frame's height and yet be small: nobody photographs it so.
    small = 0.45 * max(width, height) / 297 / min(place_camera(pose).px_per_mm((125.0, 90.0)))
    fill = min(fill * max(small, 1.0), 0.97)
    room = 0.4 * (1 - fill)
    return replace(pose, fill=fill, shift=(float(rng.uniform(-room, room)), float(rng.uniform(-room, room))))


def _vary_liquids(rng: np.random.Generator) -> tuple[Array, Array, dict[str, Any]]:
    """Reference = base + dyes; batch = every part moved, as far as the wanted difference needs."""
    reference = {
        "caramel_a610": float(10 ** rng.uniform(-2.5, -0.8)),
        "anthocyanin_a525": float(rng.choice([0.0, 10 ** rng.uniform(-1.3, 0.2)])),
        "yellow_a430": float(10 ** rng.uniform(-1.3, 0.2)),
    }
    k_per_nm, depth_mm = float(rng.uniform(0.007, 0.017)), float(rng.uniform(8, 15))
    chosen = rng.choice(len(_DYES), size=int(rng.integers(1, 4)), replace=False, p=_DYE_WEIGHTS)
    peaks = {_DYES[i]: float(10 ** rng.uniform(-0.6, 0.6)) for i in chosen}
    if "E133" in peaks:
        peaks["E133"] *= 0.15  # in these drinks a blue only browns a red
    dyes = {name: peak / float(dye_absorbance(name).max()) for name, peak in peaks.items()}
    other = {name: value * float(np.exp(rng.normal(0, 0.25))) for name, value in reference.items()}
    other_dyes = {name: value * float(np.exp(rng.normal(-0.15, 0.5))) for name, value in dyes.items()}

    def blend(step: float, dilution: float) -> Array:
        mixed = {name: value * (other[name] / value) ** step if value else 0.0 for name, value in reference.items()}
        mixed_dyes = {name: value * (other_dyes[name] / value) ** step for name, value in dyes.items()}
        return drink_transmittance(mixed_dyes, depth_mm=depth_mm, dilution=dilution, caramel_k_per_nm=k_per_nm, **mixed)

    lowest = float(rng.uniform(0.06, 0.35))
    dilution = next((d for d in _DILUTIONS if _emptiest_channel(blend(0, d)) >= lowest), _DILUTIONS[-1])
    wanted = float(12 * rng.beta(1.0, 1.8))
    step = _find_step(lambda s: float(_delta(blend(0, dilution), blend(s, dilution))), wanted)
    recipe = {
        "dilution": dilution,
        "depth_mm": depth_mm,
        "dyes_mg_per_l": dyes,
        "base": reference,
        "step": step,
    }
    return blend(0, dilution), blend(step, dilution), recipe


def _look_through_bottoms(rng: np.random.Generator, scene: Scene) -> Scene:
    """The same glasses with bottoms that shift what lies under them, each a little in its own way."""
    common, own = rng.normal(0, 0.7, 2), rng.normal(0, 0.4, (3, 2))
    shifts = {spot: (float(x), float(y)) for spot, (x, y) in zip(SPOTS, np.clip(common + own, -2, 2), strict=True)}
    return replace(scene, view_shift_mm=shifts, view_size=float(rng.uniform(0.96, 1.04)))


def _emptiest_channel(once: Array) -> float:
    return float((transmittance_to_xyz(once**2) @ np.linalg.inv(RGB_TO_XYZ["sRGB"]).T).min())


def _delta(one: Array, two: Array) -> Array:
    return ciede2000(lab_relative_to_water(one), lab_relative_to_water(two))


def _find_step(difference: Any, wanted: float) -> float:
    """How far to move for a wanted difference, at most three times the drawn change."""
    low, high = 0.0, 3.0
    if difference(high) < wanted:
        return high
    for _ in range(30):
        middle = 0.5 * (low + high)
        low, high = (middle, high) if difference(middle) < wanted else (low, middle)
    return 0.5 * (low + high)


def _vary_scene(rng: np.random.Generator, reference: Array, batch: Array) -> Scene:
    glass = Glass(
        inner_radius_mm=float(rng.uniform(20, 25)),
        wall_mm=float(rng.uniform(1.0, 1.5)),
        transmission=float(rng.uniform(0.88, 0.97)),
        wall_tone=float(rng.uniform(0.65, 1.0)),
        wall_contrast=float(rng.uniform(0, 0.25)),
        meniscus_mm=float(rng.uniform(0.6, 2.0)),
        meniscus_depth=float(rng.uniform(-0.3, 0.5)),
        surface_veil=float(rng.uniform(0, 0.015)),
        rim_height_mm=float(rng.choice([0.0, rng.uniform(10, 30)])),
    )
    reach = 6 * np.sqrt(rng.random(3))
    turn = rng.uniform(0, 2 * np.pi, 3)
    offsets = {s: (float(r * np.cos(t)), float(r * np.sin(t))) for s, r, t in zip(SPOTS, reach, turn, strict=True)}
    water = np.ones_like(reference)
    table = rng.uniform(0.04, 0.6) * np.array([rng.uniform(0.4, 1.0), rng.uniform(0.7, 1.0), 1.0])
    return Scene(
        reference=reference,
        batch=batch,
        blank=water if rng.random() < 0.85 else None,
        haze={spot: float(rng.uniform(0, 0.04)) for spot in ("reference", "batch")},
        offsets_mm=offsets,
        glass=glass,
        glass_shadow=float(rng.choice([0.0, rng.uniform(0.02, 0.2)])),
        glints=_vary_glints(rng, glass.inner_radius_mm),
        bubbles=_vary_bubbles(rng, glass.inner_radius_mm),
        stains=_vary_stains(rng),
        table=_three(table),
        table_texture=float(rng.uniform(0, 0.12)),
        sheet_mm=(297.0, 210.0) if rng.random() < 0.7 else (279.4, 215.9),
    )


def _vary_glints(rng: np.random.Generator, radius_mm: float) -> tuple[Glint, ...]:
    """A lamp mirrors at about the same place in each glass; at times inside the colour window."""
    if rng.random() < 0.4:
        return ()
    reach, turn = rng.uniform(0.2, 0.85) * radius_mm, rng.uniform(0, 2 * np.pi)
    size, stretch, angle = rng.uniform(0.6, 2.2), rng.uniform(1, 2.5), rng.uniform(0, 180)
    level = rng.uniform(0.4, 4)
    return tuple(
        Glint(
            spot,
            float(reach * np.cos(turn) + rng.normal(0, 1)),
            float(reach * np.sin(turn) + rng.normal(0, 1)),
            float(size),
            float(stretch),
            float(angle),
            float(level),
        )
        for spot in SPOTS
    )


def _vary_bubbles(rng: np.random.Generator, radius_mm: float) -> tuple[Bubble, ...]:
    found = []
    for _ in range(int(rng.choice([0, 0, 4, 12]))):
        reach, turn = radius_mm * (1 - abs(rng.normal(0.06, 0.2))), rng.uniform(0, 2 * np.pi)
        place = (float(reach * np.cos(turn)), float(reach * np.sin(turn)))
        found.append(Bubble(str(rng.choice(SPOTS)), *place, radius_mm=float(rng.uniform(0.3, 1.0))))
    return tuple(found)


def _vary_stains(rng: np.random.Generator) -> tuple[Stain, ...]:
    return tuple(
        Stain(
            float(rng.uniform(0, 250)),
            float(rng.uniform(0, 180)),
            float(rng.uniform(2, 8)),
            float(rng.uniform(0.03, 0.2)),
        )
        for _ in range(int(rng.choice([0, 0, 0, 1, 3])))
    )
