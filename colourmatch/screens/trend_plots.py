"""The charts of closed lots: individuals with mean and limits, and the drift of one lot after its closing.

Limits come from workflow/trend.py, drift from workflow/recheck.py; here they are only drawn and put into words.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import plotly.graph_objects as go

from colourmatch.screens.html import show_date, show_number
from colourmatch.screens.plots import literal

_GREY, _ACCENT, _STOP = "rgba(128,128,128,0.9)", "#2f8796", "#c05a32"
#: Half the width of a 95 % interval in standard deviations.
_Z95 = 1.96
_MOST_NAMES = 8


def tell_outside(told: Mapping[str, Any]) -> list[str]:
    """What lies outside, one text a lot."""
    texts: dict[int, list[str]] = {}
    for point in told["outside"]:
        texts.setdefault(point["lot"], []).append(point["text"])
    return [" ".join(parts) for parts in texts.values()]


def count_outside(told: Mapping[str, Any]) -> str:
    """How many of the lots lie outside a limit, in a sentence."""
    count, strays = len(told["lots"]), list(dict.fromkeys(point["label"] for point in told["outside"]))
    if len(strays) == 1:
        return f"Of {count} closed lots one is outside its limits: lot {strays[0]}."
    return f"Of {count} closed lots {len(strays)} are outside their limits: {', '.join(strays)}."


def tell_limits(limits: Mapping[str, Any] | None) -> str:
    """Mean and limits of a chart in words."""
    if limits is None:
        return "No limits yet: they need at least three lots."
    low, high = show_number(limits["low"], 2), show_number(limits["high"], 2)
    early = ", provisional" if limits["provisional"] else ""
    return (
        f"Mean {show_number(limits['mean'], 2)}, limits {low} and {high}; from one lot to the next at most "
        f"{show_number(limits['high_range'], 2)} ({limits['count']} lots{early})."
    )


def draw_chart(told: Mapping[str, Any], chart: str) -> go.Figure:
    """One quantity lot by lot with its 95 % interval; mean and limits named, points outside named."""
    lots = told["lots"]
    points = [_point(lot, chart) for lot in lots]
    marks = _mark_lots(told, chart)
    x = list(range(1, len(lots) + 1))
    figure = go.Figure()
    figure.add_scatter(
        x=x, y=[value for value, _, _ in points], mode="lines+markers", showlegend=False, cliponaxis=False,
        line={"color": _ACCENT, "width": 2},
        error_y={
            "type": "data", "symmetric": False, "array": [up for _, up, _ in points],
            "arrayminus": [down for _, _, down in points], "color": _GREY, "thickness": 1.5, "width": 3,
        },
        marker={
            "size": [15 if lot["lot"] in marks else 9 for lot in lots],
            "symbol": [marks.get(lot["lot"], "circle") for lot in lots],
            "color": [_STOP if lot["lot"] in marks else _ACCENT for lot in lots],
            "line": {"width": 2, "color": [_STOP if lot["lot"] in marks else _ACCENT for lot in lots]},
        },
        hovertext=[f"lot {literal(lot['label'])}, {show_date(lot['closed_at'])}" for lot in lots],
        hovertemplate="%{hovertext}: %{y:.2f}<extra></extra>",
    )  # fmt: skip
    for number, lot in enumerate(lots, 1):
        if lot["lot"] in marks:
            figure.add_annotation(
                x=number, y=points[number - 1][0], text=literal(lot["label"]), showarrow=False,
                xanchor="right" if number > len(lots) / 2 else "left",
                xshift=-13 if number > len(lots) / 2 else 13, bgcolor="rgba(128,128,128,0.18)",
            )  # fmt: skip
    _draw_limits(figure, told["limits"][chart])
    _finish(figure, "lot", chart)
    _name_lots(figure, [literal(lot["label"]) for lot in lots])
    return figure


def _mark_lots(told: Mapping[str, Any], chart: str) -> dict[int, str]:
    """The mark of each lot outside: filled beyond a limit, open for a jump from the lot before."""
    points = [point for point in told["outside"] if point["chart"] == chart]
    jumps = {point["lot"]: "diamond-open" for point in points if point["side"] == "jump"}
    return jumps | {point["lot"]: "diamond" for point in points if point["side"] != "jump"}


def _point(lot: Mapping[str, Any], chart: str) -> tuple[float, float, float]:
    """Value, and how far its interval reaches up and down."""
    if chart == "CIEDE2000":
        part = lot["delta_e_2000"]
        return part["value"], part["high"] - part["value"], part["value"] - part["low"]
    if chart == "mg/l":
        return lot["mg_per_l"], _Z95 * lot["mg_per_l_sd"], _Z95 * lot["mg_per_l_sd"]
    k = ("L*", "a*", "b*").index(chart)
    return lot["lab"][k], _Z95 * lot["lab_sd"][k], _Z95 * lot["lab_sd"][k]


def _draw_limits(figure: go.Figure, limits: Mapping[str, Any] | None) -> None:
    if limits is None:
        return
    figure.add_hline(y=limits["mean"], line={"dash": "dot", "width": 1.5, "color": _GREY})
    for key, words in (("high", "upper limit"), ("low", "lower limit")):
        figure.add_hline(
            y=limits[key], line={"dash": "dash", "width": 1.5, "color": _GREY},
            annotation_text=f"{words} {show_number(limits[key], 2)}",
            annotation_position="bottom left" if key == "low" else "top left",
        )  # fmt: skip


def _name_lots(figure: go.Figure, labels: Sequence[str]) -> None:
    """Numbers of lots under the axis, no more than fit a phone."""
    step = -(-len(labels) // _MOST_NAMES)
    at = list(range(len(labels) - 1, -1, -step))
    figure.update_xaxes(
        tickvals=[k + 1 for k in at], ticktext=[labels[k][:10] for k in at], range=[0.4, len(labels) + 0.6]
    )


def draw_drift(drift: Mapping[str, Any]) -> go.Figure:
    """How far the colour has gone from its first one, photo by photo, over weeks; with the tolerance."""
    figure = go.Figure()
    values = [photo["delta_e_2000"] for photo in drift["photos"]]
    figure.add_scatter(
        x=[photo["weeks"] for photo in drift["photos"]], y=[part["value"] for part in values],
        mode="lines+markers", showlegend=False, line={"color": _ACCENT, "width": 2}, marker={"size": 11},
        error_y={
            "type": "data", "symmetric": False, "color": _GREY, "thickness": 1.5, "width": 4,
            "array": [part["high"] - part["value"] for part in values],
            "arrayminus": [part["value"] - part["low"] for part in values],
        },
        hovertemplate="%{x:.1f} weeks: %{y:.2f}<extra></extra>",
    )  # fmt: skip
    figure.add_hline(
        y=drift["tolerance"], line={"dash": "longdash", "width": 1, "color": _GREY},
        annotation_text=f"tolerance {drift['tolerance']:g}", annotation_position="top left",
    )  # fmt: skip
    _finish(figure, "weeks since the closing photo", "CIEDE2000 from its first colour")
    figure.update_yaxes(rangemode="tozero")
    figure.update_xaxes(rangemode="tozero")
    return figure


def _finish(figure: go.Figure, across: str, up: str) -> None:
    figure.update_layout(
        height=300, margin={"l": 10, "r": 10, "t": 26, "b": 10}, dragmode=False,
        xaxis_title=across, yaxis_title=up,
    )  # fmt: skip
    figure.update_xaxes(fixedrange=True, zeroline=False)
    figure.update_yaxes(fixedrange=True, zeroline=False)
