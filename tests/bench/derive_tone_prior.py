"""Derives what tone curves of cameras have in common and how they differ, calibration/tone_curves.csv.

usage: python tests/bench/derive_tone_prior.py BASECURVE_C [--out FILE]

BASECURVE_C: src/iop/basecurve.c of darktable 4.2.1 (GPL): curves that its users measured between raw files of their cameras
and the JPEG files that the cameras wrote of them, linear to linear. Half of all photos are taken to have such a curve, each
distinct one as likely, half the file's plain encoding; what lies between them is so held as well (judgement). Written: how
much more light a code stands for than it says, natural log, as mean and principal components one standard deviation
long, 0 at the code of a usual white, since only ratios to white are read.
"""

from __future__ import annotations

import argparse
import re
from pathlib import Path

import numpy as np
from scipy.interpolate import PchipInterpolator

from colourmatch.colour.spaces import decode_srgb
from colourmatch.facts import find_fact

CODES = np.r_[4, 8, 12, 16, 20, 24:256:8, 255]
USUAL_WHITE = 208
COMPONENTS = 4
_NODE = re.compile(r"\{\s*([\d.]+)\s*,\s*([\d.]+)\s*\}")


def read_curves(source: str) -> list[np.ndarray]:
    """Nodes (N, 2) of each distinct curve."""
    curves: dict[tuple, np.ndarray] = {}
    table = source.split("basecurve_camera_presets[] = {")[1].split("basecurve_camera_presets_cnt")[0]
    for line in table.splitlines():
        nodes = np.array([[float(v) for v in pair] for pair in _NODE.findall(line)])
        if line.strip().startswith("{"):
            rising = np.r_[True, (np.diff(nodes, axis=0) > 0).all(axis=1)]
            curves.setdefault(tuple(nodes[rising].ravel()), nodes[rising])
    return list(curves.values())


def more_light(nodes: np.ndarray) -> np.ndarray:
    """Log of the light that CODES stand for over what the plain encoding says, 0 at the usual white."""
    light = np.linspace(0, 1, 20001)[1:]
    file = PchipInterpolator(*nodes.T)(light) - nodes[0, 1]
    wanted = decode_srgb(CODES / 255)
    back = np.interp(wanted, np.maximum.accumulate(file), light)
    logs = np.log(back / wanted)
    return logs - logs[CODES == USUAL_WHITE]


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("source", type=Path)
    parser.add_argument("--out", type=Path, default=find_fact("estimator.npz").with_name("tone_curves.csv"))
    args = parser.parse_args()
    logs = np.array([more_light(nodes) for nodes in read_curves(args.source.read_text(encoding="utf-8"))])
    every = np.concatenate([logs, np.zeros_like(logs)])
    mean = every.mean(axis=0)
    _, size, axes = np.linalg.svd((every - mean) / np.sqrt(len(every)), full_matrices=False)
    parts = size[:COMPONENTS, None] * axes[:COMPONENTS]
    left = np.sqrt(((every - mean) ** 2).mean(axis=0) - (parts**2).sum(axis=0))
    print(
        f"{len(logs)} curves; components {np.round(size[:6] / np.sqrt(len(CODES)), 4)}; left out at most {left.max():.4f}"
    )
    lines = [
        "# How much more light a code of a photo stands for than its encoding says, natural log, 0 at a usual white: mean "
        "and components one standard deviation long.",
        f"# source: computed by tests/bench/derive_tone_prior.py from {len(logs)} curves of cameras that darktable 4.2.1 "
        "carries (measured by its users), half of all photos with the plain encoding.",
        "code,mean," + ",".join(f"c{k + 1}" for k in range(COMPONENTS)),
    ]
    for code, row in zip(CODES, np.column_stack([mean, parts.T]), strict=True):
        lines.append(f"{code}," + ",".join(f"{v:.4f}" for v in row))
    args.out.write_text("\n".join(lines) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
