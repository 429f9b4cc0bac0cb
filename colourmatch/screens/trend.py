"""Closed lots against each other: final colour, difference and dose, with limits of natural variation."""

from __future__ import annotations

from typing import Any

import streamlit as st

from colourmatch.screens import html as parts
from colourmatch.screens import pages, session, trend_plots
from colourmatch.screens.plots import CONFIG
from colourmatch.workflow.trend import LEAST_VALUES

ALL = "all"
MOST_LOTS = 50
_EMPTY = (
    "No lot is closed yet. Closed lots stand here beside each other: colour, difference, dose; from the third lot on "
    "with limits."
)
_CHARTS = (
    "In the order of closing. Bars are 95 % intervals; those of mg/l hold the doubt about the stock and its drop, which "
    "lots of one bottle share. Dotted: the mean. Dashed: the limits. Filled diamond: beyond a limit. Open diamond: a "
    "jump from the lot before. L*, a* and b* are those of the reference, the mean over these lots, plus the lot's own "
    "difference from it. Limits of an individuals chart: the mean, and 2.66 mean moving ranges to either side. They say how much "
    "your lots vary of themselves, not what is allowed: that is the tolerance."
)


def show() -> None:
    """The page."""
    st.title("Trend")
    if not session.current_book().lots.closed(limit=1):
        st.html(parts.empty(_EMPTY))
        if st.button("To the lots", key="to-lots"):
            st.switch_page(pages.find_page("lots"))
        return
    told = read_trend(*ask_filters())
    show_findings(told)
    if len(told["lots"]) > 1:  # one point is no trend
        show_charts(told)
    if told["lots"]:
        show_table(told["lots"])
    if told["left_out"]:
        st.header("Left out")
        lines = [parts.flag_line(f"Lot {left['label']}", left["reason"]) for left in told["left_out"]]
        st.html("".join(lines))


def ask_filters() -> tuple[str | None, int | None, str]:
    """Which lots: of a stock, of a reference, with a part of a name or number."""
    book = session.current_book()
    left, middle, right = st.columns(3)
    stocks = list(dict.fromkeys(stock.name for stock in book.stocks.all(active_only=False)))
    stock = left.selectbox("Stock", [None, *stocks], format_func=lambda name: name or ALL, key="trend-stock")
    names = {reference.id: reference.name for reference in book.references.all()}
    reference = middle.selectbox(
        "Reference", [None, *names], format_func=lambda number: names.get(number, ALL), key="trend-reference"
    )
    name = right.text_input("Name or number", type="search", key="trend-name")
    return stock, reference, name.strip()


def read_trend(stock: str | None, reference: int | None, name: str) -> dict[str, Any]:
    """The trend as plain numbers and texts."""
    from colourmatch.workflow import trend

    with st.spinner("Comparing the lots …"):
        found = trend.read_trend(session.current_book(), stock, reference, name or None, MOST_LOTS)
    return trend.trend_json(found)


def show_findings(told: dict[str, Any]) -> None:
    """What the lots say together, in words: lots outside their limits first."""
    if not told["lots"]:
        st.html(parts.empty(told["text"] + " If you filter by stock, reference or name, choose all."))
        return
    first, rest = parts.split_sentence(told["text"])
    outside = trend_plots.tell_outside(told)
    if outside:
        first = trend_plots.count_outside(told)
        rest = ""
    elif told["limits"]["L*"] and told["limits"]["L*"]["provisional"]:
        rest = rest or "The limits are provisional."
    st.html(parts.panel("Together", first, [rest], "stop" if outside else ""))
    lines = [parts.flag_line("Outside", text, "warn") for text in outside]
    lines += [parts.flag_line("Note", text) for text in told["notes"]]
    if lines:
        st.html("".join(lines))


def show_charts(told: dict[str, Any]) -> None:
    """One individuals chart a quantity, two beside each other on a wide screen."""
    st.header("Lot by lot")
    charts = list(told["charts"].items())
    for start in range(0, len(charts), 2):
        for place, (chart, words) in zip(st.columns(2, gap="large"), charts[start : start + 2], strict=False):
            with place:
                st.markdown(f"**{parts.plain(chart)}**, {words}")
                st.plotly_chart(
                    trend_plots.draw_chart(told, chart), config=CONFIG, key=f"trend-chart-{chart}",
                    alt=f"{chart}, {words}, of each closed lot with mean and limits",
                )  # fmt: skip
                if len(told["lots"]) >= LEAST_VALUES:  # the panel above says it once for all
                    st.html(parts.line(trend_plots.tell_limits(told["limits"][chart])))


def show_table(lots: list[dict[str, Any]]) -> None:
    """The numbers behind the charts, the lot closed last on top."""
    rows = [row_of(lot) for lot in reversed(lots)]
    st.dataframe(rows, hide_index=True, row_height=44, height="content", key="trend-table")
    with st.expander("Reading it"):
        st.write(_CHARTS)
        st.write(
            f"The last {MOST_LOTS} closed lots at most. ± is one standard deviation; CIEDE2000 with its 95 % "
            "interval. Drops are counted, so they have none; how large a drop is lies in the mg/l."
        )


def row_of(lot: dict[str, Any]) -> dict[str, Any]:
    """A row of the table."""
    names = ("L*", "a*", "b*")
    row = {
        "Lot": lot["label"],
        "Name": lot["name"],
        "Closed": parts.show_date(lot["closed_at"]),
    }
    row |= {
        name: parts.show_spread(value, sd)
        for name, value, sd in zip(names, lot["lab"], lot["lab_sd"], strict=True)
    }
    row |= {"CIEDE2000": parts.show_interval(lot["delta_e_2000"])}
    row |= {"mg/l": parts.show_spread(lot["mg_per_l"], lot["mg_per_l_sd"])}
    row |= {"Drops in a litre": parts.show_number(lot["drops_per_l"], 0), "By stock": tell_doses(lot)}
    return row | {"Ended": lot["outcome"]}


def tell_doses(lot: dict[str, Any]) -> str:
    """What each stock brought to a litre."""
    return "; ".join(
        f"{dose['stock']} {parts.show_spread(dose['mg_per_l'], dose['mg_per_l_sd'])} mg/l"
        for dose in lot["doses"]
    )


if __name__ == "__main__":
    show()
