"""The charts: the way of a batch in CIELAB, further drops, closed lots, drift after the closing; limits and drift are
only drawn here. Words in charts take their ink from page.css, which follows the page from light to dark."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd  # noqa: F401  whole before plotly, which takes it as it finds it, half read by another thread too
import plotly.graph_objects as go
import streamlit as st

from colourmatch.advice import Advice, Curve
from colourmatch.colour.ellipse import chroma_covariance, trace_ellipse
from colourmatch.colour.spaces import lab_to_hex
from colourmatch.measurement import Measurement
from colourmatch.screens.html import place_beside, show_date, show_number
from colourmatch.workflow.recheck import Drift
from colourmatch.workflow.trend import Trend

Lab = Sequence[float]
#: No zooming by touch: a finger on a chart must still scroll the page.
CONFIG = {"displayModeBar": False, "scrollZoom": False, "staticPlot": False}
_GREY, _ACCENT, _STOP = "rgba(128,128,128,0.9)", "#2f8796", "#c05a32"
_MOST_NAMES = 8


@dataclass(frozen=True)
class Path:
    """The batch photo by photo as Lab, each placed by its difference from the reference in its own photo.

    covariances: of batch minus reference, (3, 3) a photo, None where the reading does not tell it; those of what is
    expected after this step stand in `predicted_covariance`.
    """

    numbers: tuple[int, ...]
    reference: Lab
    batches: tuple[Lab, ...]
    covariances: tuple[Sequence[Lab] | None, ...]
    predicted: Lab | None = None
    predicted_covariance: Sequence[Lab] | None = None


def trace_path(photos: Mapping[int, Measurement], step: Advice | None = None) -> Path | None:
    """The way so far from measurements by number, and what the advice `step` leads to; None while no photo showed both."""
    told = {
        number: (reference.lab, batch.lab, measured.uncertainty)
        for number, measured in photos.items()
        if (reference := measured.spots.get("reference")) and (batch := measured.spots.get("batch"))
    }
    if not told:
        return None
    references, batches, pairs = zip(*told.values(), strict=True)
    last, gaps = references[-1], [batch - ref for ref, batch in zip(references, batches, strict=True)]
    spreads = tuple(None if one is None else one.whole.tolist() for one in pairs)
    moved = tuple((last + gap).tolist() for gap in gaps)
    if step is None or not step.predicted_lab:
        return Path(tuple(told), last.tolist(), moved, spreads)
    predicted = place_beside(last.tolist(), step.predicted_lab)
    return Path(tuple(told), last.tolist(), moved, spreads, predicted, step.predicted_covariance)


# A chart of Match is drawn again only for other data.
@st.cache_resource(show_spinner=False, max_entries=16)
def draw_ab(path: Path) -> go.Figure:
    """a* across and b* up: where the hue and the chroma are going."""

    def outline(lab: Lab, spread: Sequence[Lab]) -> Any:
        return trace_ellipse(lab[1:], [row[1:] for row in spread[1:]])

    names = "a* (green to red)", "b* (blue to yellow)"
    return _draw_path(path, lambda lab: (lab[1], lab[2]), outline, *names).update_yaxes(scaleanchor="x")


@st.cache_resource(show_spinner=False, max_entries=16)
def draw_lightness(path: Path) -> go.Figure:
    """Chroma across and L* up: how deep the colour is."""

    def place(lab: Lab) -> tuple[float, float]:
        return ((lab[1] ** 2 + lab[2] ** 2) ** 0.5, lab[0])

    def outline(lab: Lab, spread: Sequence[Lab]) -> Any:
        return trace_ellipse(place(lab), chroma_covariance(lab, spread))

    return _draw_path(path, place, outline, "C* (chroma)", "L* (lightness)")


def _draw_path(path: Path, place: Any, outline_of: Any, across: str, up: str) -> go.Figure:
    figure = go.Figure()
    spreads = zip(path.batches, path.covariances, strict=True)
    ellipses = [outline_of(lab, spread) for lab, spread in spreads if spread]
    for number, outline in enumerate(ellipses):
        figure.add_scatter(
            x=outline[:, 0], y=outline[:, 1], mode="lines", fill="toself", fillcolor="rgba(47,135,150,0.14)",
            line={"color": _GREY, "width": 1}, hoverinfo="skip", name="95 % of the difference",
            legendgroup="spread", showlegend=number == 0,
        )  # fmt: skip
    x, y = zip(*(place(lab) for lab in path.batches), strict=True)
    colours, names = [lab_to_hex(lab) for lab in path.batches], [f"photo {number}" for number in path.numbers]
    figure.add_scatter(
        x=x, y=y, mode="lines+markers+text", name="batch", legendrank=2, text=[str(number) for number in path.numbers],
        textposition="top center", line={"color": _GREY, "width": 2}, hovertext=[*names[:-1], f"{names[-1]} (the last)"],
        hoverinfo="text+x+y", cliponaxis=False,
        marker={"size": 13, "color": colours, "line": {"color": _GREY, "width": 1.5}},
    )  # fmt: skip
    rx, ry = place(path.reference)
    figure.add_scatter(
        x=[rx], y=[ry], mode="markers", name="reference", legendrank=1, hoverinfo="name+x+y",
        marker={
            "size": 17, "symbol": "diamond", "color": lab_to_hex(path.reference),
            "line": {"color": _GREY, "width": 2},
        },
    )  # fmt: skip
    if path.predicted is not None:
        if path.predicted_covariance:
            ring = outline_of(path.predicted, path.predicted_covariance)
            ellipses = [*ellipses, ring]
            figure.add_scatter(
                x=ring[:, 0], y=ring[:, 1], mode="lines", hoverinfo="skip", name="95 % after this step",
                line={"color": _ACCENT, "width": 2, "dash": "dot"},
            )  # fmt: skip
        px, py = place(path.predicted)
        figure.add_scatter(
            x=[x[-1], px], y=[y[-1], py], mode="lines+markers", name="after this step", hoverinfo="name+x+y",
            line={"color": _GREY, "width": 2, "dash": "dot"},
            marker={"size": [0, 24], "symbol": "circle-open", "color": _ACCENT, "line": {"width": 3}},
        )  # fmt: skip
    _finish(figure, across, up)
    ends = [place(lab) for lab in (*path.batches, path.reference, path.predicted) if lab]
    newest = ellipses[-1 if not path.predicted_covariance else -2 :]
    _look_at(figure, [*ends, *(tuple(point) for ring in newest for point in ring)])
    return figure


def _look_at(figure: go.Figure, points: Sequence[Any]) -> None:
    """Axes that hold the path and the newest ring: one of an early photo, far off, may be cut at the edge."""
    low, high = np.min(points, axis=0), np.max(points, axis=0)
    margin = np.maximum(0.12 * (high - low), 1.0)
    (left, bottom), (right, top) = low - margin, high + margin
    figure.update_xaxes(range=[left, right])
    figure.update_yaxes(range=[bottom, top])


@st.cache_resource(show_spinner=False, max_entries=16)
def draw_curve(curve: Curve, step_drops: float | None, tolerance: float) -> go.Figure:
    """The expected difference against further drops with its interval; this step, the best, the most that all ceilings allow."""
    drops = list(curve.drops)
    figure = go.Figure()
    figure.add_scatter(x=drops, y=curve.high, mode="lines", line={"width": 0}, hoverinfo="skip", showlegend=False)
    figure.add_scatter(
        x=drops, y=curve.low, mode="lines", line={"width": 0}, fill="tonexty", name="95 % interval",
        fillcolor="rgba(47,135,150,0.22)", hoverinfo="skip",
    )  # fmt: skip
    figure.add_scatter(
        x=drops, y=curve.delta_e_2000, mode="lines", name="expected", line={"color": _ACCENT, "width": 3},
        hovertemplate="drops %{x:.0f}: %{y:.1f}<extra></extra>",
    )  # fmt: skip
    held = curve.ceiling_drops is not None and curve.best_drops > curve.ceiling_drops - 1
    marks = (("this step", step_drops, "solid"), ("best", None if held else curve.best_drops, "dash"),
             ("most allowed", curve.ceiling_drops, "dot"))  # fmt: skip
    for level, (name, at, dash) in enumerate(marks):
        if at is None or at > max(drops):
            continue
        figure.add_vline(
            x=at, line={"dash": dash, "width": 2, "color": _GREY}, annotation_text=f"{name}: {at:.0f}",
            annotation_position="top", annotation_yshift=18 * level,
        )  # fmt: skip
    figure.add_hline(y=tolerance, line={"dash": "longdash", "width": 1, "color": _GREY},
                     annotation_text="tolerance", annotation_position="bottom left")  # fmt: skip
    _finish(figure, f"further drops of {literal(curve.stock)}", "CIEDE2000")
    figure.update_layout(margin_t=80)
    figure.update_yaxes(rangemode="tozero")
    return figure


def literal(text: str) -> str:
    """A name inside a chart, where < would begin a tag."""
    return text.replace("&", "&amp;").replace("<", "&lt;")


def _finish(figure: go.Figure, across: str, up: str, height: int = 340) -> None:
    figure.update_layout(
        height=height, margin={"l": 10, "r": 10, "t": 26, "b": 10}, dragmode=False,
        legend={"orientation": "h", "y": -0.28, "x": 0}, xaxis_title=across, yaxis_title=up,
    )  # fmt: skip
    figure.update_xaxes(fixedrange=True, zeroline=False)
    figure.update_yaxes(fixedrange=True, zeroline=False)


# ---- closed lots -------------------------------------------------------------------------------------------------


def draw_chart(told: Trend, chart: str) -> go.Figure:
    """One quantity lot by lot with its 95 % interval; mean and limits named, points outside named."""
    lots = told.lots
    points = [lot.point(chart) for lot in lots]
    outside = [point for point in told.outside if point.chart == chart]
    # filled beyond a limit, open for a jump from the lot before
    marks = {point.lot: "diamond-open" for point in outside if point.side == "jump"}
    marks |= {point.lot: "diamond" for point in outside if point.side != "jump"}
    inks = [_STOP if lot.lot in marks else _ACCENT for lot in lots]
    figure = _draw_intervals(
        range(1, len(lots) + 1), points, "%{hovertext}: %{y:.2f}<extra></extra>", cliponaxis=False,
        marker={
            "size": [15 if lot.lot in marks else 9 for lot in lots], "color": inks,
            "symbol": [marks.get(lot.lot, "circle") for lot in lots], "line": {"width": 2, "color": inks},
        },
        hovertext=[f"lot {literal(lot.label)}, {show_date(lot.closed_at)}" for lot in lots],
    )  # fmt: skip
    for number, lot in enumerate(lots, 1):
        if lot.lot in marks:
            is_late = number > len(lots) / 2
            figure.add_annotation(
                x=number, y=points[number - 1][0], text=literal(lot.label), showarrow=False,
                xanchor="right" if is_late else "left", xshift=-13 if is_late else 13, bgcolor="rgba(128,128,128,0.18)",
            )  # fmt: skip
    if limits := told.limits[chart]:
        figure.add_hline(y=limits.mean, line={"dash": "dot", "width": 1.5, "color": _GREY})
        for bound, words, place in ((limits.high, "upper", "top left"), (limits.low, "lower", "bottom left")):
            figure.add_hline(
                y=bound, line={"dash": "dash", "width": 1.5, "color": _GREY},
                annotation_text=f"{words} limit {show_number(bound, 2)}", annotation_position=place,
            )  # fmt: skip
    _finish(figure, "lot", chart, 300)
    labels = [literal(lot.label)[:10] for lot in lots]
    at = range(len(labels) - 1, -1, -len(labels) // _MOST_NAMES)  # no more than fit a phone
    names = {"tickvals": [k + 1 for k in at], "ticktext": [labels[k] for k in at]}
    figure.update_xaxes(range=[0.4, len(labels) + 0.6], **names)
    return figure


def _draw_intervals(
    x: Sequence[float], points: Sequence[tuple[float, float, float]], hover: str, **look: Any
) -> go.Figure:
    """Values joined by a line, each with its 95 % interval."""
    values, up, down = zip(*points, strict=True) if points else ((), (), ())
    return go.Figure().add_scatter(
        x=list(x), y=list(values), mode="lines+markers", showlegend=False, line={"color": _ACCENT, "width": 2},
        error_y={
            "type": "data", "symmetric": False, "array": list(up), "arrayminus": list(down), "color": _GREY,
            "thickness": 1.5, "width": 3,
        },
        hovertemplate=hover, **look,
    )  # fmt: skip


def draw_drift(drift: Drift) -> go.Figure:
    """How far the colour has gone from its first one, photo by photo, over weeks; with the tolerance."""
    figures = [photo.delta_e_2000 for photo in drift.photos]
    figure = _draw_intervals(
        [photo.weeks for photo in drift.photos], [(f.value, f.high - f.value, f.value - f.low) for f in figures],
        "%{x:.1f} weeks: %{y:.2f}<extra></extra>", marker={"size": 11},
    )  # fmt: skip
    figure.update_traces(error_y_width=4)
    figure.add_hline(
        y=drift.tolerance, line={"dash": "longdash", "width": 1, "color": _GREY},
        annotation_text=f"tolerance {drift.tolerance:g}", annotation_position="top left",
    )  # fmt: skip
    _finish(figure, "weeks since the closing photo", "CIEDE2000 from its first colour", 300)
    figure.update_yaxes(rangemode="tozero")
    figure.update_xaxes(rangemode="tozero")
    return figure
