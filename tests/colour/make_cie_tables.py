"""Writes calibration/cie_observers.csv and cie_illuminants.csv, what every reading needs at its start, from colour-science.

Run: python tests/colour/make_cie_tables.py      (test_spectra.py fails while the files are not what this writes)
"""

from pathlib import Path

from colourmatch.colour.spectra import WAVELENGTHS_NM, _import_colour, _on_grid

FOLDER = Path(__file__).resolve().parents[2] / "calibration"
SOURCE = "source: CIE 015:2018 ; status: seen, read through colour-science (tests/colour/make_cie_tables.py)."


def show_tables() -> dict[str, str]:
    """File name -> text of each table."""
    colour = _import_colour()
    observer = _on_grid(colour.MSDS_CMFS["CIE 1931 2 Degree Standard Observer"])
    light = _on_grid(colour.SDS_ILLUMINANTS["D65"])
    return {
        "cie_observers.csv": _show("CIE 1931 2 degree standard observer", "x,y,z", observer),
        "cie_illuminants.csv": _show("Relative spectral power of CIE D65", "D65", light[:, None]),
    }


def _show(title: str, heads: str, values: object) -> str:
    rows = zip(WAVELENGTHS_NM, values, strict=True)
    lines = [f"{nm:g}," + ",".join(f"{value:.10g}" for value in row) for nm, row in rows]
    return "\n".join([f"# {title}, every 5 nm.", f"# {SOURCE}", f"nm,{heads}", *lines, ""])


if __name__ == "__main__":
    for name, text in show_tables().items():
        (FOLDER / name).write_text(text, encoding="utf-8")
