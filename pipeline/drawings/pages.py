"""Pages of a booklet: flowing text and tables, plan sheets, and drawings made of marks, all with one title strip.

A booklet is a row of parts.  Text flows through reportlab's platypus; plan sheets and drawings are drawn from the DXF document by
`pen`.  Every page carries "page n of N", every part stands in the PDF's outline.
"""

from __future__ import annotations

import importlib
import io
import re
from collections.abc import Sequence
from functools import cache
from typing import TYPE_CHECKING, Any, Final
from xml.sax.saxutils import escape

import msgspec

from pipeline.drawings import typeface
from pipeline.drawings.ink import Mark, Words, to_canvas
from pipeline.drawings.paper import MARGIN, SIZES, Frame, SheetFacts, frame_of, title_strip
from pipeline.drawings.pen import SheetContext, draw_sheet

if TYPE_CHECKING:
    from ezdxf.document import Drawing

_POINTS: Final = 72 / 25.4  # points per millimetre
_WIDEST: Final = min(size[0] for size in SIZES.values()) - 2 * MARGIN  # [mm] what fits on any paper, upright
_LETTER: Final = 1.6  # [mm] a letter of a wrapped cell, on average
_FEET: Final = re.compile(r"(?<=\d)' (?=\d)")  # between feet and inches
_APART: Final = 4.5  # [pt] right of a wrapped text in a broad column, so that it does not read on into the next
_BROAD: Final = 20.0  # [mm] wider columns are broad
_CELL_LINES: Final = 45  # lines of a wrapped cell, at most: a row has to fit on a page


class TextPart(msgspec.Struct, frozen=True):
    """Flowing text: a title for strip and outline, and platypus flowables; one that `follows` goes on where the text before it ends."""

    title: str
    flowables: tuple[Any, ...]
    follows: bool = False


class PlanPart(msgspec.Struct, frozen=True):
    """One paper-space sheet of the plan."""

    title: str
    sheet: str
    frame: Frame


class DrawingPart(msgspec.Struct, frozen=True):
    """One page of marks, which is a sheet of the DXF document too, named by its title; `scale` is written in the strip, empty for none."""

    title: str
    frame: Frame
    scale: str
    marks: tuple[Mark, ...]


Part = TextPart | PlanPart | DrawingPart


def bind(parts: Sequence[Part], facts: SheetFacts, document: Drawing, name: str) -> bytes:
    """Return a PDF of all parts, the same bytes for the same parts."""
    typeface.register()
    file = io.BytesIO()
    canvas = _canvas_class()(file, invariant=1, pageCompression=1, pdfVersion=(1, 5), initialFontName=typeface.REGULAR)
    canvas.setTitle(typeface.printable(f"{facts.title}: {name}, revision {facts.revision}"))
    canvas.setAuthor(typeface.printable(facts.shop))
    canvas.setSubject(f"Install package for a removable mesh safety fence, job {facts.job}")
    canvas.setKeywords([facts.job, f"revision {facts.revision}", facts.rules])
    canvas.setCreator("sleeveline")
    canvas.setProducer("sleeveline")
    canvas.booklet = name
    context = SheetContext(document)
    for number, run in enumerate(_runs(parts)):
        if isinstance(run[0], TextPart):
            _draw_text(canvas, [part for part in run if isinstance(part, TextPart)], facts, f"part{number}")
        else:
            _draw_sheet(canvas, run[0], context, f"part{number}")
    canvas.save()
    return file.getvalue()


def _runs(parts: Sequence[Part]) -> list[list[Part]]:
    """Return the parts, those of flowing text together with the ones that follow them."""
    runs: list[list[Part]] = []
    for part in parts:
        if isinstance(part, TextPart) and part.follows and runs and isinstance(runs[-1][0], TextPart):
            runs[-1].append(part)
        else:
            runs.append([part])
    return runs


def load() -> None:
    """Load what pages are set with, ahead of the first page."""
    importlib.import_module("reportlab.platypus")
    _canvas_class()


@cache
def _canvas_class() -> Any:
    from reportlab.pdfgen.canvas import Canvas

    class CountedCanvas(Canvas):  # type: ignore[misc]  # reportlab ships no types
        """Holds its pages back until their number is known."""

        booklet = ""

        def __init__(self, *arguments: Any, **options: Any) -> None:
            super().__init__(*arguments, **options)
            self._held: list[dict[str, Any]] = []
            self.begins: list[tuple[str, str]] = []
            self.begins_at_top = False

        def showPage(self) -> None:
            self._held.append(dict(self.__dict__))
            self.begins = []
            self._startPage()

        def save(self) -> None:
            held = self._held
            for number, page in enumerate(held, 1):
                self.__dict__.update(page)
                for key, title in self.begins:
                    self.bookmarkPage(key)
                    self.addOutlineEntry(typeface.printable(title), key)
                width = self._pagesize[0] / _POINTS
                text = f"{self.booklet} · page {number} of {len(held)}"
                to_canvas(self, [Words(text=text, at=(width - MARGIN, MARGIN - 3.4), cap=1.5, align="right")])
                super().showPage()
            super().save()

    return CountedCanvas


def _start(canvas: Any, frame: Frame) -> None:
    canvas.setPageSize((frame.width * _POINTS, frame.height * _POINTS))


def _draw_text(canvas: Any, parts: Sequence[TextPart], facts: SheetFacts, key: str) -> None:
    frame = frame_of(facts.paper)
    waiting: list[Any] = []
    for number, part in enumerate(parts):
        waiting += [_beginning(f"{key}-{number}", part.title), *part.flowables]
    title = parts[0].title
    while waiting:
        _start(canvas, frame)
        _fill_page(canvas, frame, waiting)
        begun = [begun for _, begun in canvas.begins]
        whole = [] if canvas.begins_at_top else [title]
        to_canvas(canvas, title_strip(frame, facts, ", ".join(dict.fromkeys([*whole, *begun])) or title, ""))
        title = begun[-1] if begun else title
        canvas.showPage()


def _fill_page(canvas: Any, frame: Frame, waiting: list[Any]) -> None:
    """Put as much as fits on the page, splitting tables and paragraphs; takes from the front of `waiting`."""
    from reportlab.platypus import Frame as Column

    width, height = frame.room
    column = Column(
        frame.left * _POINTS, frame.bottom * _POINTS, width * _POINTS, height * _POINTS, leftPadding=0, rightPadding=0, topPadding=0, bottomPadding=0
    )
    first = True
    canvas.begins_at_top = isinstance(waiting[0], _beginning_class())
    while waiting:
        flowable = waiting[0]
        if isinstance(flowable, _beginning_class()):
            if not first and not _leaves_room(column, waiting[1], waiting[2] if len(waiting) > 2 else space(0)):
                return
            canvas.begins.append((flowable.key, flowable.title))
            waiting.pop(0)
            continue
        if not first and flowable.getKeepWithNext() and len(waiting) > 1 and not _leaves_room(column, flowable, waiting[1]):
            return
        if column.add(flowable, canvas):
            waiting.pop(0)
            first = False
            continue
        pieces = column.split(flowable, canvas)
        if len(pieces) > 1 and column.add(pieces[0], canvas):
            waiting[:1] = pieces[1:]
        elif first:
            raise ValueError(f"{type(flowable).__name__} is taller than a page")
        return


def _leaves_room(column: Any, heading: Any, following: Any) -> bool:
    """Say whether at least the beginning of what follows a heading fits on the page under it."""
    _, height = heading.wrap(column._aW, column._aH)
    left = column._y - column._y1p - height - heading.getSpaceBefore() - heading.getSpaceAfter() - following.getSpaceBefore()
    if left <= 0:
        return False
    return bool(following.wrap(column._aW, left)[1] <= left or len(following.split(column._aW, left)) > 1)


def _draw_sheet(canvas: Any, part: Part, context: SheetContext, key: str) -> None:
    """Draw a sheet of the document: a plan by the name of its sheet, a drawing by its title."""
    assert not isinstance(part, TextPart)
    _start(canvas, part.frame)
    draw_sheet(canvas, context, part.sheet if isinstance(part, PlanPart) else part.title)
    canvas.begins.append((key, part.title))
    canvas.showPage()


@cache
def _style(name: str) -> Any:
    from reportlab.lib.enums import TA_LEFT
    from reportlab.lib.styles import ParagraphStyle

    typeface.register()
    sizes = {"heading": (13, 16, 8, 3, True), "sub": (10, 13, 6, 2, True), "body": (9, 12, 0, 2.5, False), "cell": (8, 10, 0, 0, False),
             "strong": (9, 12, 0, 2.5, True), "head-cell": (7.5, 9.5, 0, 0, True), "small": (7, 9, 0, 1.5, False), "loud": (11.5, 15, 0, 4, True)}  # fmt: skip
    size, leading, before, after, bold = sizes[name]
    return ParagraphStyle(
        name, fontName=typeface.face(bold), fontSize=size, leading=leading, spaceBefore=before, spaceAfter=after, alignment=TA_LEFT,
        keepWithNext=name in ("heading", "sub"), splitLongWords=1,
    )  # fmt: skip


def paragraph(text: str, style: str = "body") -> Any:
    """Return a paragraph of plain text: markup in it is shown, not obeyed; feet and their inches stay on one line."""
    from reportlab.platypus import Paragraph

    return Paragraph(_FEET.sub("'\N{NO-BREAK SPACE}", escape(typeface.printable(text))), _style(style))


def heading(text: str) -> Any:
    """Return a heading, which stays with what follows."""
    return paragraph(text, "heading")


def subheading(text: str) -> Any:
    """Return a heading under a heading."""
    return paragraph(text, "sub")


def listed(items: Sequence[str], *, boxes: bool = False, numbered: bool = False, style: str = "body") -> list[Any]:
    """Return a list with bullets, numbers or boxes to tick, one flowable an item."""
    from reportlab.platypus import Table, TableStyle

    rows = []
    for number, item in enumerate(items, 1):
        sign = TickBox() if boxes else paragraph(f"{number}." if numbered else "•")
        row = Table([[sign, paragraph(item, style)]], colWidths=[6 * _POINTS, None], hAlign="LEFT")
        row.setStyle(TableStyle([("FONTNAME", (0, 0), (-1, -1), typeface.REGULAR), ("VALIGN", (0, 0), (-1, -1), "TOP"), ("LEFTPADDING", (0, 0), (-1, -1), 1), ("RIGHTPADDING", (0, 0), (-1, -1), 1),
                                 ("TOPPADDING", (0, 0), (-1, -1), 0.6), ("BOTTOMPADDING", (0, 0), (-1, -1), 0.6)]))  # fmt: skip
        rows.append(row)
    return rows


def in_columns(flowables: Sequence[Any]) -> Any:
    """Return flowables in two columns, the first half on the left."""
    from reportlab.platypus import Table, TableStyle

    half = (len(flowables) + 1) // 2
    columns = Table([[list(flowables[:half]), list(flowables[half:])]], hAlign="LEFT")
    columns.setStyle(
        TableStyle(
            [
                ("FONTNAME", (0, 0), (-1, -1), typeface.REGULAR),
                ("VALIGN", (0, 0), (-1, -1), "TOP"),
                ("LEFTPADDING", (0, 0), (-1, -1), 0),
                ("RIGHTPADDING", (0, 0), (-1, -1), 4),
            ]
        )
    )
    return columns


def together(flowables: Sequence[Any]) -> Any:
    """Return flowables that stay on one page."""
    from reportlab.platypus import Table, TableStyle

    one = Table([[list(flowables)]], hAlign="LEFT")
    one.setStyle(
        TableStyle(
            [
                ("FONTNAME", (0, 0), (-1, -1), typeface.REGULAR),
                *((f"{side}PADDING", (0, 0), (-1, -1), 0) for side in ("LEFT", "RIGHT", "TOP", "BOTTOM")),
            ]
        )
    )
    return one


def table(
    head: Sequence[str],
    rows: Sequence[Sequence[Any]],
    widths: Sequence[float],
    *,
    plain: bool = True,
    grid: bool = False,
    high: float = 0.0,
    over: str = "",
) -> Any:
    """Return a ruled table whose head is repeated on every page.

    Parameters
    ----------
    head : sequence of str
        One a column.
    rows : sequence of rows
        Strings or flowables, one a column.
    widths : sequence of float
        Of the columns [mm]; all made narrower alike where together they are wider than any paper holds.
    plain : bool
        True draws strings as single lines (fast, cut to fit); False wraps every cell.
    grid : bool
        Rules between columns too: for tables to be written in.
    high : float
        Least height of a row [mm].
    over : str
        A heading over the table's head, repeated with it.
    """
    from reportlab.platypus import Table

    typeface.register()
    widths = [width * min(1.0, _WIDEST / sum(widths)) for width in widths]
    body = [[_cell(value, width, plain) for value, width in zip(row, widths, strict=True)] for row in rows]
    heads = [[paragraph(text, "head-cell") for text in head]]
    if over:
        heads.insert(0, [paragraph(over, "heading"), *([""] * (len(head) - 1))])
    heights = None if not high else [*([None] * len(heads)), *([high * _POINTS] * len(body))]
    drawn = Table([*heads, *body], colWidths=[width * _POINTS for width in widths], rowHeights=heights, repeatRows=len(heads), hAlign="LEFT")
    drawn.setStyle(_table_style([] if plain else [column for column, width in enumerate(widths) if width > _BROAD], grid=grid, over=bool(over)))
    return drawn


def _table_style(apart: Sequence[int], *, grid: bool, over: bool) -> Any:
    """Return how a table is ruled; `apart` are the columns kept apart from the next, `over` says whether a heading stands over the head."""
    from reportlab.lib.colors import Color
    from reportlab.platypus import TableStyle

    grey, black, head = Color(0.6, 0.6, 0.6), Color(0, 0, 0), int(over)
    style: list[tuple[Any, ...]] = [
        ("FONT", (0, 0), (-1, -1), typeface.REGULAR, 8, 10), ("VALIGN", (0, 0), (-1, -1), "MIDDLE"), ("VALIGN", (0, 0), (-1, head), "BOTTOM"),
        ("LINEABOVE", (0, head), (-1, head), 1.0, black), ("LINEBELOW", (0, head), (-1, head), 0.6, black),
        ("LINEBELOW", (0, head + 1), (-1, -1), 0.25, grey), ("LEFTPADDING", (0, 0), (-1, -1), 2), ("RIGHTPADDING", (0, 0), (-1, -1), 2),
        ("TOPPADDING", (0, 0), (-1, -1), 1.6), ("BOTTOMPADDING", (0, 0), (-1, -1), 1.8),
    ]  # fmt: skip
    style += [("RIGHTPADDING", (column, 0), (column, -1), _APART) for column in apart]
    if over:
        style += [("SPAN", (0, 0), (-1, 0)), ("LEFTPADDING", (0, 0), (-1, 0), 0), ("TOPPADDING", (0, 0), (-1, 0), 6)]
    if grid:
        style += [("INNERGRID", (0, 0), (-1, -1), 0.25, grey), ("BOX", (0, 0), (-1, -1), 0.6, black)]
    return TableStyle(style)


def _cell(value: Any, width: float, plain: bool) -> Any:
    if not isinstance(value, str):
        return value
    if plain:
        from pipeline.drawings.ink import fitted

        cap = 8 * typeface.MILLIMETRES_PER_POINT * typeface.CAP_RATIO
        return fitted(typeface.printable(value), width - 1.4, cap)
    most = int(_CELL_LINES * width / _LETTER)
    return paragraph(value if len(value) <= most else value[:most].rstrip() + "…", "cell")


def space(millimetres: float) -> Any:
    """Return empty room [mm]."""
    from reportlab.platypus import Spacer

    return Spacer(1, millimetres * _POINTS)


@cache
def _beginning_class() -> Any:
    from reportlab.platypus import Flowable

    class Beginning(Flowable):  # type: ignore[misc]  # reportlab ships no types
        """Where a part begins: nothing to be seen, an entry of the outline."""

        def __init__(self, key: str, title: str) -> None:
            super().__init__()
            self.key, self.title = key, title

    return Beginning


def _beginning(key: str, title: str) -> Any:
    return _beginning_class()(key, title)


@cache
def _marks_class() -> Any:
    from reportlab.platypus import Flowable

    class MarksFlowable(Flowable):  # type: ignore[misc]  # reportlab ships no types
        """Marks on paper inside flowing text."""

        def __init__(self, marks: Sequence[Mark], across: float, up: float) -> None:
            super().__init__()
            self.marks = tuple(marks)
            self.width, self.height = across * _POINTS, up * _POINTS

        def draw(self) -> None:
            to_canvas(self.canv, self.marks)

    return MarksFlowable


def drawn(marks: Sequence[Mark], across: float, up: float) -> Any:
    """Return marks as a flowable `across` wide and `up` high [mm], their origin at its lower left."""
    return _marks_class()(marks, across, up)


def TickBox(size: float = 3.0) -> Any:  # stands among flowables
    """Return a box to tick [mm]."""
    from pipeline.drawings.ink import box

    return drawn([box(0.2, 0.2, size, size, width=0.25)], size + 0.4, size + 0.4)
