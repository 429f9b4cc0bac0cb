"""Closed lots against each other: final colour, difference and dose, with limits of natural variation."""

from __future__ import annotations

import streamlit as st

from colourmatch.screens import html, pages, plots, session
from colourmatch.screens.fields import pick_one, two_beside
from colourmatch.words.figures import PAGES
from colourmatch.workflow.trend import CHARTS, Limits, Trend, TrendLot, read_trend

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
    st.title("Trend")
    book = session.current_book()
    if not book.lots.closed(limit=1):
        st.html(html.empty(_EMPTY))
        if st.button("To the lots", key="to-lots"):
            st.switch_page(pages.find_page("lots"))
        return
    left, middle, right = st.columns(3)
    stocks = {None: ALL} | {stock.name: stock.name for stock in book.stocks.all(active_only=False)}
    names = {None: ALL} | {reference.id: reference.name for reference in book.references.all()}
    stock = pick_one("Stock", stocks, "trend-stock", place=left)
    reference = pick_one("Reference", names, "trend-reference", place=middle)
    name = right.text_input("Name or number", type="search", key="trend-name").strip()
    with st.spinner("Comparing the lots …"):
        told = read_trend(book, stock, reference, name or None, MOST_LOTS)
    show_findings(told)
    if len(told.lots) > 1:  # one point is no trend
        show_charts(told)
    if told.lots:
        show_table(told.lots)
    if told.left_out:
        st.header("Left out")
        st.html("".join(html.flag_line(f"Lot {left.label}", left.reason) for left in told.left_out))


def tell_outside(told: Trend) -> list[str]:
    """What lies outside, one text a lot."""
    texts: dict[int, list[str]] = {}
    for point in told.outside:
        texts.setdefault(point.lot, []).append(point.text)
    return [" ".join(said) for said in texts.values()]


def tell_limits(limits: Limits) -> str:
    low, high = html.show_number(limits.low, 2), html.show_number(limits.high, 2)
    early = ", provisional" if limits.provisional else ""
    return (
        f"Mean {html.show_number(limits.mean, 2)}, limits {low} and {high}; from one lot to the next at most "
        f"{html.show_number(limits.high_range, 2)} ({limits.count} lots{early})."
    )


def show_findings(told: Trend) -> None:
    """What the lots say together, in words: lots outside their limits first."""
    if not told.lots:
        st.html(html.empty(told.text + " If you filter by stock, reference or name, choose all."))
        return
    first, rest = html.split_sentence(told.text)
    outside = tell_outside(told)
    if outside:  # which may hold the stops of a lot's own name
        first, rest = told.text.partition(f" {told.outside[0].text}")[0], ""
    elif (limits := told.limits["L*"]) and limits.provisional:
        rest = rest or "The limits are provisional."
    st.html(html.panel("Together", first, [rest], "stop" if outside else ""))
    lines = [html.flag_line("Outside", text, "warn") for text in outside]
    lines += [html.flag_line("Note", text) for text in told.notes]
    if lines:
        st.html("".join(lines))


def show_charts(told: Trend) -> None:
    """One individuals chart a quantity, two beside each other on a wide screen."""
    st.header("Lot by lot")
    for place, (chart, words) in zip(two_beside(len(CHARTS), gap="large"), CHARTS.items(), strict=False):
        with place:
            st.markdown(f"**{html.plain(chart)}**, {words}")
            st.plotly_chart(
                plots.draw_chart(told, chart), config=plots.CONFIG, key=f"trend-chart-{chart}",
                alt=f"{chart}, {words}, of each closed lot with mean and limits",
            )  # fmt: skip
            if limits := told.limits[chart]:  # the panel above says once why there are none
                st.html(html.line(tell_limits(limits)))


def show_table(lots: tuple[TrendLot, ...]) -> None:
    """The numbers behind the charts, the lot closed last on top."""
    rows = []
    for lot in reversed(lots):
        doses = (f"{d.stock} {html.show_spread(d.mg_per_l, d.mg_per_l_sd)} mg/l" for d in lot.doses)
        rows.append(lot.tell(html.browser_zone(), PAGES) | {"By stock": "; ".join(doses)})
    st.dataframe(rows, hide_index=True, row_height=44, height="content", key="trend-table")
    with st.expander("Reading it"):
        st.write(_CHARTS)
        st.write(
            f"The last {MOST_LOTS} closed lots at most. ± is one standard deviation; CIEDE2000 with its 95 % "
            "interval. Drops are counted, so they have none; how large a drop is lies in the mg/l."
        )
