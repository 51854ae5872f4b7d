"""Marks on paper: lines, areas, rings and words in millimetres, drawn alike on a PDF page and on a DXF sheet.

Everything a sheet carries beside the plan itself (title strip, legend, scale bar, labels, details) is made of these four
marks, so that the DXF sheet and the PDF page cannot differ.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Sequence
from typing import TYPE_CHECKING, Any, Final, Literal

import msgspec

from pipeline.drawings import typeface
from pipeline.geometry.chain import Point

if TYPE_CHECKING:
    from ezdxf.layouts.base import BaseLayout

Align = Literal["left", "centre", "right"]
PEN = 0.18  # [mm] the sheets' ordinary line
FINE = 0.09  # [mm]
BROAD = 0.5  # [mm]
_POINTS_PER_MILLIMETRE = 72 / 25.4
LINETYPES: Final[
    dict[str, tuple[str, tuple[float, ...]]]
] = {  # on and off lengths on paper [mm]; a program that draws dashes of its own knows them by these names
    "DASHEDX2": ("long dashes", (4.0, 1.6)),
    "DASHED": ("short dashes", (1.6, 1.0)),
    "DASHDOT": ("dash and dot", (3.2, 0.9, 0.2, 0.9)),
    "DIVIDE": ("dash and two dots", (3.2, 0.8, 0.2, 0.8, 0.2, 0.8)),
    "DOT": ("dots", (0.3, 0.9)),
}


class Stroke(msgspec.Struct, frozen=True, kw_only=True):
    """A line through points [mm]; `dash` holds on and off lengths [mm], `grey` 0 is black; a `colour` (24 bits) goes before the grey."""

    points: tuple[Point, ...]
    width: float = PEN
    dash: tuple[float, ...] = ()
    grey: float = 0.0
    closed: bool = False
    layer: str = "SHEET"
    colour: int | None = None


class Area(msgspec.Struct, frozen=True, kw_only=True):
    """A filled polygon [mm]."""

    points: tuple[Point, ...]
    grey: float = 0.0
    layer: str = "SHEET"


class Ring(msgspec.Struct, frozen=True, kw_only=True):
    """A circle [mm], filled with `fill` grey unless that is None."""

    centre: Point
    radius: float
    width: float = PEN
    fill: float | None = None
    layer: str = "SHEET"


class Words(msgspec.Struct, frozen=True, kw_only=True):
    """One line of text.

    Parameters
    ----------
    text : str
    at : Point
        Left, centre or right end of the baseline [mm]; with `middle`, of the line half the cap height above it.
    cap : float
        Height of the capitals [mm].
    turn : float
        Of the baseline, counter-clockwise [rad].
    """

    text: str
    at: Point
    cap: float = 2.0
    bold: bool = False
    align: Align = "left"
    middle: bool = False
    turn: float = 0.0
    grey: float = 0.0
    layer: str = "SHEET"


Mark = Stroke | Area | Ring | Words


def box(x: float, y: float, across: float, up: float, **more: Any) -> Stroke:
    """Return the outline of a rectangle [mm]."""
    return Stroke(points=((x, y), (x + across, y), (x + across, y + up), (x, y + up)), closed=True, **more)


def fitted(text: str, room: float, cap: float, *, bold: bool = False) -> str:
    """Return `text`, cut with an ellipsis where it is wider than `room` [mm]."""
    if typeface.width(text, cap, bold=bold) <= room:
        return text
    short = text
    while short and typeface.width(short + "…", cap, bold=bold) > room:
        short = short[:-1]
    return short.rstrip() + "…"


def wrapped(text: str, room: float, cap: float, *, bold: bool = False) -> list[str]:
    """Return a text in lines no wider than `room` [mm], broken between words, and inside a word that is wider alone."""
    lines: list[str] = []
    line = ""
    for word in text.split():
        if line and typeface.width(f"{line} {word}", cap, bold=bold) > room:
            lines.append(line)
            line = ""
        line = f"{line} {word}" if line else word
        while typeface.width(line, cap, bold=bold) > room:
            most = next(end for end in range(len(line) - 1, 0, -1) if end == 1 or typeface.width(line[:end], cap, bold=bold) <= room)
            lines.append(line[:most])
            line = line[most:]
    return [*lines, line]


def in_lines(text: str, room: float, tries: Sequence[tuple[float, int]], *, bold: bool = False) -> tuple[list[str], float]:
    """Return a text in as many lines as it takes in `room` [mm], and their capitals' height [mm].

    `tries` are (height [mm], lines at most), in order of preference; a text too long for the last of them is cut with an ellipsis.
    """
    for cap, most in tries:
        lines = wrapped(text, room, cap, bold=bold)
        if len(lines) <= most:
            return lines, cap
    return [*lines[: most - 1], fitted(" ".join(lines[most - 1 :]), room, cap, bold=bold)], cap


def extent(words: Words) -> tuple[Point, float, float, float]:
    """Return (centre [mm], half width, half height [mm], turn [rad]) of the box a line of text fills, descenders included."""
    half = typeface.width(words.text, words.cap, bold=words.bold) / 2
    drop = words.cap * typeface.DESCENT_RATIO / typeface.CAP_RATIO if any(letter in words.text for letter in "gjpqy(),;/Qµ") else 0.0
    along = {"left": half, "centre": 0.0, "right": -half}[words.align]
    up = (words.cap - drop) / 2 - (words.cap / 2 if words.middle else 0.0)
    cosine, sine = math.cos(words.turn), math.sin(words.turn)
    centre = (words.at[0] + along * cosine - up * sine, words.at[1] + along * sine + up * cosine)
    return centre, half, (words.cap + drop) / 2, words.turn


def moved(mark: Mark, by: Point, layer: str = "") -> Mark:
    """Return a mark moved on the paper [mm]; `layer` takes the place of the sheets' own layer where it is given."""
    there = {} if not layer or mark.layer != "SHEET" else {"layer": layer}
    if isinstance(mark, Stroke | Area):
        return msgspec.structs.replace(mark, points=tuple((x + by[0], y + by[1]) for x, y in mark.points), **there)
    if isinstance(mark, Ring):
        return msgspec.structs.replace(mark, centre=(mark.centre[0] + by[0], mark.centre[1] + by[1]), **there)
    return msgspec.structs.replace(mark, at=(mark.at[0] + by[0], mark.at[1] + by[1]), **there)


def to_canvas(canvas: Any, marks: Iterable[Mark]) -> None:
    """Draw marks on a reportlab canvas whose origin is the sheet's lower left corner."""
    canvas.saveState()
    canvas.setLineCap(0)
    canvas.setLineJoin(1)
    for mark in marks:
        _ON_CANVAS[type(mark)](canvas, mark)
    canvas.restoreState()


def _stroke_on_canvas(canvas: Any, mark: Stroke) -> None:
    if mark.colour is None:
        canvas.setStrokeGray(mark.grey)
    else:
        canvas.setStrokeColorRGB(*(part / 255 for part in mark.colour.to_bytes(3, "big")))
    canvas.setLineWidth(mark.width * _POINTS_PER_MILLIMETRE)
    canvas.setDash([length * _POINTS_PER_MILLIMETRE for length in mark.dash])
    canvas.drawPath(_path(canvas, mark.points, mark.closed), stroke=1, fill=0)


def _area_on_canvas(canvas: Any, mark: Area) -> None:
    canvas.setFillGray(mark.grey)
    (x0, y0), (x1, y1), *rest = mark.points
    if rest == [(x1, rest[0][1]), (x0, rest[0][1])] and y0 == y1:  # level rectangles are most of a code block
        x, y, across, up = (value * _POINTS_PER_MILLIMETRE for value in (x0, y0, x1 - x0, rest[0][1] - y0))
        canvas.rect(x, y, across, up, stroke=0, fill=1)
        return
    canvas.drawPath(_path(canvas, mark.points, True), stroke=0, fill=1)


def _ring_on_canvas(canvas: Any, mark: Ring) -> None:
    canvas.setStrokeGray(0)
    canvas.setDash([])
    canvas.setLineWidth(mark.width * _POINTS_PER_MILLIMETRE)
    if mark.fill is not None:
        canvas.setFillGray(mark.fill)
    x, y = (value * _POINTS_PER_MILLIMETRE for value in mark.centre)
    canvas.circle(x, y, mark.radius * _POINTS_PER_MILLIMETRE, stroke=1, fill=mark.fill is not None)


def _words_on_canvas(canvas: Any, mark: Words) -> None:
    typeface.register()
    canvas.setFillGray(mark.grey)
    write_words(canvas, mark)


def write_words(canvas: Any, mark: Words) -> None:
    """Write a line of text on a reportlab canvas in the colour that is set."""
    points = typeface.points_of(mark.cap)
    text = typeface.printable(mark.text)
    half = typeface.width(text, mark.cap, bold=mark.bold) / 2
    along = {"left": 0.0, "centre": -half, "right": -2 * half}[mark.align]
    up = -mark.cap / 2 if mark.middle else 0.0
    cosine, sine = math.cos(mark.turn), math.sin(mark.turn)
    x = (mark.at[0] + along * cosine - up * sine) * _POINTS_PER_MILLIMETRE
    y = (mark.at[1] + along * sine + up * cosine) * _POINTS_PER_MILLIMETRE
    line = canvas.beginText()
    line.setFont(typeface.face(mark.bold), points)
    line.setTextTransform(cosine, sine, -sine, cosine, x, y)
    line.textOut(text)
    canvas.drawText(line)


def _path(canvas: Any, points: tuple[Point, ...], closed: bool) -> Any:
    path = canvas.beginPath()
    path.moveTo(points[0][0] * _POINTS_PER_MILLIMETRE, points[0][1] * _POINTS_PER_MILLIMETRE)
    for x, y in points[1:]:
        path.lineTo(x * _POINTS_PER_MILLIMETRE, y * _POINTS_PER_MILLIMETRE)
    if closed:
        path.close()
    return path


_ON_CANVAS: dict[type, Callable[[Any, Any], None]] = {
    Stroke: _stroke_on_canvas,
    Area: _area_on_canvas,
    Ring: _ring_on_canvas,
    Words: _words_on_canvas,
}


def to_layout(layout: BaseLayout, marks: Iterable[Mark]) -> None:
    """Draw marks on a DXF paper-space sheet whose unit is the millimetre."""
    for mark in marks:
        if not isinstance(mark, Words) or mark.text:
            _ON_LAYOUT[type(mark)](layout, mark)


def _stroke_on_layout(layout: BaseLayout, mark: Stroke) -> None:
    attributes: dict[str, Any] = {"layer": mark.layer, "lineweight": lineweight(mark.width), "linetype": "CONTINUOUS"}
    if mark.dash:
        attributes["linetype"] = next((name for name, (_, pattern) in LINETYPES.items() if pattern == mark.dash), "DASHED")
        attributes["ltscale"] = 1 / layout.doc.header["$LTSCALE"]  # the document's scale is for the model space
    if mark.colour is not None:
        attributes["true_color"] = mark.colour
    elif mark.grey:
        attributes["true_color"] = _true_colour(mark.grey)
    layout.add_lwpolyline(mark.points, close=mark.closed, dxfattribs=attributes)


def _area_on_layout(layout: BaseLayout, mark: Area) -> None:
    hatch = layout.add_hatch(dxfattribs={"layer": mark.layer, "true_color": _true_colour(mark.grey)})
    hatch.paths.add_polyline_path(mark.points, is_closed=True)


def _ring_on_layout(layout: BaseLayout, mark: Ring) -> None:
    if mark.fill is not None:
        hatch = layout.add_hatch(dxfattribs={"layer": mark.layer, "true_color": _true_colour(mark.fill)})
        hatch.paths.add_edge_path().add_arc(mark.centre, mark.radius, 0, 360)
    layout.add_circle(mark.centre, mark.radius, dxfattribs={"layer": mark.layer, "lineweight": lineweight(mark.width)})


def _words_on_layout(layout: BaseLayout, mark: Words) -> None:
    text = layout.add_text(
        dxf_text(mark.text),
        height=mark.cap,
        rotation=math.degrees(mark.turn),
        dxfattribs={"layer": mark.layer, "style": text_style(mark.bold)},
    )
    if mark.grey:
        text.dxf.true_color = _true_colour(mark.grey)
    place_text(text, mark.at, mark.align, mark.middle)


def place_text(text: Any, at: Point, align: Align, middle: bool) -> None:
    """Set a DXF text's alignment as `Words` means it."""
    from ezdxf.enums import TextEntityAlignment

    row = "MIDDLE_" if middle else ""
    column = {"left": "LEFT", "centre": "CENTER", "right": "RIGHT"}[align]
    text.set_placement(at, align=TextEntityAlignment[f"{row}{column}"])


def dxf_text(text: str) -> str:
    """Return text that a DXF reader takes literally: no control codes, one line."""
    return typeface.printable(text).replace("%%", "% %").replace("^", "ˆ")


def text_style(bold: bool) -> str:
    """Return the DXF text style of the sheets."""
    return "SHEET-BOLD" if bold else "SHEET"


def lineweight(width: float) -> int:
    """Return the DXF line weight (1/100 mm, one of the allowed values) nearest to `width` [mm]."""
    allowed = (5, 9, 13, 15, 18, 20, 25, 30, 35, 40, 50, 53, 60, 70, 80, 90, 100)
    return min(allowed, key=lambda value: abs(value - width * 100))


def _true_colour(grey: float) -> int:
    level = round(grey * 255)
    return level << 16 | level << 8 | level


_ON_LAYOUT: dict[type, Callable[[Any, Any], None]] = {
    Stroke: _stroke_on_layout,
    Area: _area_on_layout,
    Ring: _ring_on_layout,
    Words: _words_on_layout,
}
