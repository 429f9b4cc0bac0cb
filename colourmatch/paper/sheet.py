"""The lot sheet: one lot on paper, corrected entries too, for a colleague or a food inspector; it reads the book and
judges nothing. What does not fit on the first page flows on; swatches and charts are drawn in sheet_colour.py."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from datetime import tzinfo
from functools import partial
from io import BytesIO
from itertools import pairwise
from pathlib import Path
from typing import Any, BinaryIO

from reportlab.graphics.shapes import Drawing, Rect
from reportlab.lib.colors import HexColor
from reportlab.lib.styles import ParagraphStyle
from reportlab.pdfbase.pdfmetrics import stringWidth
from reportlab.platypus import CondPageBreak, KeepTogether, Paragraph, SimpleDocTemplate, Spacer, Table

from colourmatch.book.entries import AdditionEntry, LotEntry, LotStory, PhotoEntry, VolumeEntry, number_photos
from colourmatch.book.lot_book import LotBook
from colourmatch.colour.spaces import lab_to_hex, lab_to_srgb
from colourmatch.dosing.limits import CeilingLine, ceiling_check, place_or_first
from colourmatch.files import write_out
from colourmatch.paper.page import ACCENT, HAIRLINE, INK, MM, MUTED, TINT, choose_fonts, page_size
from colourmatch.paper.sheet_colour import choose_swatches, draw_approach, draw_path, see_photos
from colourmatch.records import pick
from colourmatch.words.entries import Medium, split_closing, tell_aside, tell_basis, tell_entry, tell_head
from colourmatch.words.figures import PAPER, tell_factor, tell_interval, tell_lab, tell_ml
from colourmatch.words.looks import tell_look
from colourmatch.words.times import tell_date, tell_minute, tell_zones
from colourmatch.workflow.label_lines import NOT_CHECKED, read_label_lines, tell_care
from colourmatch.workflow.photo_colours import read_doses, read_intake, total_sd
from colourmatch.workflow.recheck import read_drift
from colourmatch.workflow.references import tell_target
from colourmatch.workflow.trials import describe_trials

_MARGIN_MM, _FOOT_MM, _TOP_MM = 15.0, 16.0, 14.0
_APPROXIMATE = (
    "Print and screens show colours only approximately; judge the glasses, not this paper. "
    "Reference: ± is one standard deviation with the phone's own error. Batch: placed by its difference "
    "from the reference within its photo; ± is that of the difference."
)
#: A longer history is set in smaller letters, so that most lots keep to two pages.
MOST_AT_EASE = 18
#: A note or a reason is cut here on the sheet; the book keeps all of it.
LONGEST_TEXT = 500


def write_lot_sheet(
    book: LotBook,
    lot: int | str,
    out: str | Path | BinaryIO,
    paper: str = "a4",
    *,
    zone: tzinfo | None = None,
) -> None:
    """Write the sheet of a lot as a PDF, to a path or an open binary file.

    Times are those of `zone`, else of this machine, and the foot of each page names it. `paper` is "a4" or "letter". NotFoundError for a lot that does not exist, InputError for another paper or
    a place that cannot be written.
    """
    size = page_size(paper)
    story = book.lots.story(lot)
    left, head = _MARGIN_MM * MM, story.lot
    parts = Parts(book, story, size[0] - 2 * left, zone)
    times = tell_zones((head.created_at, *(e.created_at for e in story.events)), zone)
    font, foot = parts.fonts.plain, parts.fonts.plain_text(f"Lot {head.label} · {head.name}")

    def build(pages: int) -> SimpleDocTemplate:
        """The document, as if it had so many pages: only at its end it is known how many."""

        def draw_foot(canvas: Any, document: SimpleDocTemplate) -> None:
            right, told = f"All times are {times} · page {document.page} of {pages}", foot
            canvas.setFillColor(HexColor(MUTED))
            canvas.setFont(font, 7)
            room = size[0] - 2 * left - stringWidth(right, font, 7) - 12
            while told != "..." and stringWidth(told, font, 7) > room:
                told = f"{told.removesuffix('...')[:-1]}..."
            canvas.drawString(left, 8.5 * MM, told)
            canvas.drawRightString(size[0] - left, 8.5 * MM, right)

        # reportlab keeps 6 points free inside its margins
        names = "leftMargin", "rightMargin", "topMargin", "bottomMargin"
        margins = {
            name: mm * MM - 6 for name, mm in zip(names, (_MARGIN_MM, _MARGIN_MM, _TOP_MM, _FOOT_MM), strict=True)
        }
        options = {"title": f"Lot {head.label}: {head.name}", "author": "colourmatch", "invariant": 1}
        document = SimpleDocTemplate(BytesIO(), pagesize=size, **margins, **options)
        document.build(parts.all(), onFirstPage=draw_foot, onLaterPages=draw_foot)
        return document

    document = build(build(1).page)
    write_out(document.filename.getvalue(), out, "lot sheet")


def _percent(rel_sd: float) -> str:
    """A relative spread whose parts stay on one line."""
    return f"(±\u00a0{100 * rel_sd:.0f}\u00a0%)"


def _shorten(text: str) -> str:
    return text if len(text) <= LONGEST_TEXT else f"{text[:LONGEST_TEXT].rstrip()} ... (cut; the book has all)"


def tell_history(story: LotStory, zone: tzinfo | None) -> Iterator[tuple[LotEntry, str, str]]:
    """Every entry in order, what it says, a photo with its file and what is doubtful of it, and what became of it."""
    names = {
        photo.id: f"photo {number}" + (f" ({photo.original_name})" if photo.original_name else "")
        for photo, number in zip(story.photos, number_photos(story).values(), strict=True)
    }
    medium = Medium(signs=PAPER, clock=partial(tell_minute, zone=zone), reason=False, names=names)
    for entry in story.events:
        text, remarks = f"{entry.id}. {tell_entry(entry, medium)}", []
        if entry.replaces_id is not None:
            remarks.append(f"corrects entry {entry.replaces_id}: {entry.reason}")
        elif entry.reason:
            remarks.append(str(entry.reason))
        if isinstance(entry, PhotoEntry):
            flags = " ".join(flag.text for flag in entry.measurement.quality if flag.text)
            text += f". {flags}" if flags else ""
            remarks += [] if entry.aside is None else [tell_aside(entry.aside)]
        if entry.moved_by_id is not None:
            happened = tell_minute(entry.happened_at, zone)
            remarks.append(f"happened at {happened}, by entry {entry.moved_by_id}")
        if entry.replaced_by_id is not None:
            remarks.append(f"struck by entry {entry.replaced_by_id}")
        yield entry, _shorten(text), _shorten("; ".join(remarks))


def _tell_ceilings(story: LotStory) -> Iterator[tuple[str, CeilingLine, float]]:
    """The maker's own ceiling, then each limit: what counts, its figures, the sd of the amount."""
    place, doses = place_or_first(story.lot.jurisdiction), read_doses(story)
    for line in ceiling_check(story.state(), story.lot.ceiling_mg_per_l, place):
        counted = [dose for dose in doses if dose.e_number in line.what] or doses
        what = line.what if line.law else "The maker's own ceiling, all colours"
        yield what, line, total_sd(counted)


class Parts:
    """Makes the blocks of a lot's sheet; `width` is the room between the margins in points, `zone` that of its times."""

    def __init__(self, book: LotBook, story: LotStory, width: float, zone: tzinfo | None) -> None:
        self.book, self.story, self.width, self.zone = book, story, width, zone
        self.target = tell_target(book, story.lot, PAPER)
        self.lines = list(tell_history(story, zone))
        advised = [photo.advice for photo in story.counting_photos[-1:]]
        ended = (story.closing and story.closing.final) or next(iter(advised), None)
        self.looks = ended.serving if ended else ()
        self.told_trials = [trial.text for trial in describe_trials(book, story)]
        self.ceilings = list(_tell_ceilings(story))
        # whatever was typed stands in these
        self.fonts = fonts = choose_fonts((repr(story), self.target, *self.told_trials))
        plain = {"fontName": fonts.plain, "textColor": HexColor(INK)}
        quiet, bold = plain | {"textColor": HexColor(MUTED)}, plain | {"fontName": fonts.bold}
        head = bold | {"textColor": HexColor(ACCENT), "spaceBefore": 8, "spaceAfter": 3}
        looks = {
            "title": (17, 20, bold), "lead": (9, 12, quiet), "head": (9.5, 12, head), "text": (8.2, 10.4, plain),
            "strong": (8.2, 10.4, bold), "right": (8.2, 10.4, plain | {"alignment": 2}), "text-dense": (7, 8.4, plain),
            "right-dense": (7, 8.4, plain | {"alignment": 2}), "small": (7, 8.8, quiet), "th": (7, 8.6, quiet),
            "thr": (7, 8.6, quiet | {"alignment": 2}), "stop": (9.5, 12.5, plain),
        }  # fmt: skip
        self.styles = {
            name: ParagraphStyle(name, fontSize=size, leading=leading, **look)
            for name, (size, leading, look) in looks.items()
        }

    def all(self) -> list[Any]:
        return [
            *self.heading(), *self.stop(), *self.batch(), *self.stocks(), *self.colour(), *self.history(),
            *self.trials(), *self.served(), *self.totals(), *self.intake(), *self.label(), *self.closing(),
        ]  # fmt: skip

    def say(self, text: object, style: str = "text") -> Any:
        """A paragraph of plain text."""
        return self.mark(self.fonts.markup(text), style)

    def mark(self, markup: str, style: str = "text") -> Any:
        """A paragraph of markup that is safe already."""
        return Paragraph(markup, self.styles[style])

    def strong(self, text: str) -> str:
        """Markup of words in bold."""
        return f'<font name="{self.fonts.bold}">{self.fonts.markup(text)}</font>'

    def says(self, *texts: object, style: str = "text") -> list[Any]:
        return [self.say(text, style) for text in texts]

    def section(self, title: str) -> list[Any]:
        """A heading that does not stay alone at the foot of a page."""
        return [CondPageBreak(26 * MM), self.say(title, "head")]

    def table(
        self,
        rows: Sequence[Sequence[Any]],
        shares: Sequence[float],
        *,
        header: bool = True,
        bare: Sequence[int] = (),
        extra: Sequence[tuple[Any, ...]] = (),
    ) -> Any:
        """A table with hairlines; `shares` are parts of the width, a header comes again on the next page."""
        lined = [k for k in range(len(rows)) if k not in bare]
        style = [
            ("VALIGN", (0, 0), (-1, -1), "TOP"),
            *(("LINEBELOW", (0, k), (-1, k), 0.4, HexColor(HAIRLINE)) for k in lined),
            ("LEFTPADDING", (0, 0), (-1, -1), 2), ("RIGHTPADDING", (0, 0), (-1, -1), 5),
            ("TOPPADDING", (0, 0), (-1, -1), 2), ("BOTTOMPADDING", (0, 0), (-1, -1), 2.5),
            *extra,
        ]  # fmt: skip
        widths = [self.width * share / sum(shares) for share in shares]
        return Table(rows, colWidths=widths, style=style, repeatRows=1 if header else 0)

    def heading(self) -> list[Any]:
        """Name and number of the lot, when and by whom it was begun."""
        head = self.story.lot
        by = f" by {head.entered_by}" if head.entered_by else ""
        begun = f"begun {tell_minute(head.created_at, self.zone)}{by}"
        return [self.say(head.name, "title"), self.say(f"Lot sheet · lot {head.label} · {begun}", "lead")]

    def stop(self) -> list[Any]:
        """The stop and its reason in a tinted box."""
        closing = self.story.closing
        if closing is None:
            markup = self.strong("Still open.") + " This lot is not finished; its figures may change."
        else:
            outcome, said = split_closing(closing.outcome, closing.text)
            by = f" by {closing.entered_by}" if closing.entered_by else ""
            text = f"{said} {closing.against} Closed {tell_minute(closing.created_at, self.zone)}{by}{tell_basis(closing.final)}."
            markup = f"{self.strong(outcome)} {self.fonts.markup(' '.join(text.split()))}"
        rows = [[self.mark(markup, "stop")]]
        if any(photo.purpose == "recheck" for photo in self.story.photos):
            drift = read_drift(self.book, self.story.lot.id)
            rows.append([self.say(f"Since then: {drift.text}")])
        style = [
            ("BACKGROUND", (0, 0), (-1, -1), HexColor(TINT)),
            ("LINEBEFORE", (0, 0), (0, -1), 2.5, HexColor(ACCENT)),
            ("LEFTPADDING", (0, 0), (-1, -1), 9), ("TOPPADDING", (0, 0), (-1, -1), 5),
            ("BOTTOMPADDING", (0, 0), (-1, -1), 6),
        ]  # fmt: skip
        return [Spacer(1, 7), Table(rows, colWidths=[self.width], style=style)]

    def batch(self) -> list[Any]:
        """Figures of the batch in two columns, then the recipe notes."""
        story = self.story
        head, state = story.lot, story.state()
        told = tell_head(head) | {
            "Batch now": tell_ml(state.volume_ml),
            "Tinted to": self.target,
            "Photos": f"{len(story.photos)}",
        }
        cells = [[self.say(name, "th"), self.say(value)] for name, value in told.items()]
        rows = [cells[k] + cells[k + 1] for k in range(0, len(cells), 2)]
        blocks = [*self.section("Batch"), self.table(rows, (16, 34, 16, 34), header=False)]
        if head.notes.strip():
            blocks += [*self.section("Recipe and notes"), self.say(head.notes)]
        return blocks

    def stocks(self) -> list[Any]:
        """Stocks: strength and drop with their spread, and what the photos taught."""
        header = "Stock", "Colour", "Strength by the label", "Drop", "Made in", "Learnt from photos"
        rows = [self.says(*header, style="th")]
        for stock in self.story.stock_entries:
            taught = self.book.stocks.as_taught(stock.id, self.story.lot.id)
            day = "" if taught else f", as of {tell_date(stock.changed_at, self.zone)}"
            known = (taught or stock).learnt
            learnt = f"{tell_factor(known, PAPER)} of its label{day}" if known else "nothing yet"
            batch = f", batch {stock.supplier_batch}" if stock.supplier_batch else ""
            batch += f" of {stock.supplier}" if stock.supplier else ""
            name = f"{stock.name}{batch}{'' if stock.active else ' (put away)'}"
            label_sd, weighed = _percent(stock.label_strength_rel_sd), ", weighed" if stock.weighed else ""
            strength = f"{stock.label_strength_g_per_100ml:g} g in 100 ml {label_sd}"
            drop = f"{stock.drop_ml:.3g} ml {_percent(stock.drop_rel_sd)}{weighed}"
            rows.append(self.says(name, stock.colourant, strength, drop, stock.made_in, learnt))
        return [*self.section("Stocks"), self.table(rows, (26, 11, 20, 17, 10, 22))] if rows[1:] else []

    def colour(self) -> list[Any]:
        """Swatches and charts; nothing when no photo was measured."""
        photos, blocks = see_photos(self.story), []
        pad = [("LEFTPADDING", (0, 0), (-1, -1), 0), ("RIGHTPADDING", (0, 0), (-1, -1), 0)]
        if shown := list(choose_swatches(self.book, self.story, photos)):
            cells: list[Any] = []
            for name, lab, lab_sd in shown:
                told = tell_lab(lab, lab_sd, signs=PAPER).replace(", b*", ",<br/>b*")
                clipped = "<br/>outside what a screen can show" if lab_to_srgb(lab)[1] else ""
                field, edge = Drawing(14 * MM, 13 * MM), {"strokeColor": HexColor(MUTED), "strokeWidth": 0.5}
                fill = HexColor(lab_to_hex(lab))
                field.add(Rect(0.5, 0.5, field.width - 1, field.height - 1, rx=2, fillColor=fill, **edge))
                cells += [field, self.mark(f"{self.strong(name)}<br/>{told}{clipped}", "small")]
            widths = [16 * MM, self.width / 3 - 16 * MM] * len(shown)
            style = [*pad, ("VALIGN", (0, 0), (-1, -1), "MIDDLE")]
            swatches = Table([cells], colWidths=widths, style=style, hAlign="LEFT")
            heading = self.say("Colour", "head")
            blocks.append(KeepTogether([heading, swatches, self.say(_APPROXIMATE, "small")]))
        size = self.width / 2 - 6, 58 * MM
        approach = draw_approach(self.story, [photo for photo, _ in photos], size, self.fonts)
        charts = [] if approach is None else [approach]
        charts += [draw_path(self.story, photos, size, self.fonts)] if photos else []
        if charts:
            widths = [self.width / 2] * len(charts)
            blocks += [Spacer(1, 5), Table([charts], colWidths=widths, style=pad, hAlign="LEFT")]
        return blocks

    def history(self) -> list[Any]:
        heading = self.section("What was done")
        if not self.lines:
            return [*heading, self.say("Nothing yet.")]
        header = self.says("When", "Entry", style="th")
        header += [self.say("Colour after it, mg/l by the label", "thr"), self.say("By", "th")]
        long, rows, story = len(self.lines) > MOST_AT_EASE, [header], self.story
        after = {  # mg of all colour in a litre, where the batch was changed
            entry.id: story.state(later).total_mg_per_l()
            for entry, later in pairwise((*story.effective, None))
            if isinstance(entry, (AdditionEntry, VolumeEntry))
        }
        plain, right = ("text-dense", "right-dense") if long else ("text", "right")
        for entry, told, remark in self.lines:
            text, when = self.fonts.markup(told), tell_minute(entry.created_at, self.zone)
            text = f"<strike>{text}</strike>" if entry.replaced_by_id is not None else text
            if remark:
                text += f' <font color="{MUTED}">({self.fonts.markup(remark)})</font>'
            held = f"{after[entry.id]:.1f}" if entry.id in after else ""
            cells = [self.say(when, plain), self.mark(text, plain), self.say(held, right)]
            rows.append([*cells, self.say(entry.entered_by or "", plain)])
        tight = [(f"{side}PADDING", (0, 1), (-1, -1), 0.8) for side in ("TOP", "BOTTOM")] if long else ()
        return [*heading, self.table(rows, (17, 62, 13, 11), extra=tight)]

    def trials(self) -> list[Any]:
        """Trials taken from the batch, or on a trial what it says for its batch."""
        return [*self.section("Trials"), *self.says(*self.told_trials)] if self.told_trials else []

    def served(self) -> list[Any]:
        """How far batch and reference are apart where the drink is drunk."""
        if not self.looks:
            return []
        rows = [self.says("Where it is drunk", "Looked at", "CIEDE2000, 95 % interval", style="th")]
        for one in self.looks:
            look = tell_look(pick(one, "depth_mm", "dilution", "illuminant", "weight"))
            rows.append(self.says(one.name, look, f"{tell_interval(one.delta_e_2000)}, {one.text}"))
        return [*self.section("Where it is drunk"), self.table(rows, (24, 36, 43))]

    def intake(self) -> list[Any]:
        """What an example glass brings of each colourant against its acceptable daily intake."""
        told: list[str] = []
        for glass in read_intake(self.story):
            told += [glass.text, *(portion.text for portion in glass.colourants)]
        return [*self.section("A glass against the daily intake"), *self.says(*told)] if told else []

    def totals(self) -> list[Any]:
        """Colour in the drink against the maker's ceiling and the limits of the law, with their status."""
        header = [self.say("Counted", "th"), self.say("In the batch by the label, mg/l ± sd", "thr")]
        header += self.says("At most, mg/l", "Left, mg/l", style="thr")
        rows, spans, bare = [header], [], []
        for what, line, sd in self.ceilings:
            amount = f"{line.amount_mg_per_l:.1f} ± {sd:.1f}"
            limit = "none" if line.limit_mg_per_l is None else f"{line.limit_mg_per_l:g}"
            left = "" if line.left_mg_per_l is None else f"{line.left_mg_per_l:.1f}"
            left = f"PASSED by {left.lstrip('-')}" if line.over else left
            cells = self.says(amount, limit, left, style="right")
            rows.append([self.say(what, "strong" if line.over else "text"), *cells])
            if not line.law:
                continue
            rows.append([self.say(line.law, "small"), "", "", ""])
            spans += [("SPAN", (0, len(rows) - 1), (-1, len(rows) - 1))]
            bare.append(len(rows) - 2)
            spans += [("NOSPLIT", (0, len(rows) - 2), (-1, len(rows) - 1))]
        heading = self.section("Colour in the batch against ceiling and law")
        if len(rows) == 1:
            return [*heading, self.say("No ceiling is set and no colour was added.")]
        return [*heading, self.table(rows, (42, 30, 14, 17), bare=bare, extra=spans)]

    def label(self) -> list[Any]:
        told = read_label_lines(self.story)
        lines = self.says(*told.texts, *told.own, *([NOT_CHECKED] if told.own else []))
        style = [
            ("BOX", (0, 0), (-1, -1), 0.7, HexColor(MUTED)), ("LEFTPADDING", (0, 0), (-1, -1), 7),
            ("TOPPADDING", (0, 0), (-1, -1), 4), ("BOTTOMPADDING", (0, 0), (-1, -1), 5),
        ]  # fmt: skip
        box = Table([[lines]], colWidths=[self.width], style=style)
        return [KeepTogether([self.say("For the label", "head"), box])]

    def closing(self) -> list[Any]:
        """Cautions, then the lines to sign on, which never stand alone on a page."""
        told, cautions = {line.law for _, line, _ in self.ceilings}, tell_care(self.story).cautions
        shown = [one for one in cautions if one.text not in told and one.code != "label-warning"]
        lines = [self.say(f"- {caution.text}", "small") for caution in shown]
        words = ("Made by", "", "Date", "", "Checked by", "", "Date")
        widths = [self.width * share for share in (0.31, 0.03, 0.14, 0.04, 0.31, 0.03, 0.14)]
        style: list[Any] = [("LEFTPADDING", (0, 0), (-1, -1), 0), ("TOPPADDING", (0, 0), (-1, -1), 2)]
        style += [("LINEABOVE", (k, 0), (k, 0), 0.6, HexColor(INK)) for k in (0, 2, 4, 6)]
        signed = Table([self.says(*words, style="small")], colWidths=widths, style=style, hAlign="LEFT")
        last = self.say(f"Last hash of the lot: {self.book.lots.last_hash(self.story.lot.id)}", "small")
        sign = [Spacer(1, 11 * MM), signed, Spacer(1, 2 * MM), last]
        return [*self.section("Cautions"), *lines[:-4], KeepTogether([*lines[-4:], *sign])]
