"""The fence unrolled: what stands between its posts, seen from the outside, with the deck's level and every name."""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable
from typing import Final

import msgspec

from pipeline.drawings import typeface
from pipeline.drawings.dossier import Dossier
from pipeline.drawings.ink import BROAD, FINE, Mark, Stroke, Words, fitted
from pipeline.drawings.pages import DrawingPart
from pipeline.drawings.paper import Frame, Scale, frame_of, scale_bar, scales_of
from pipeline.model.layout import Hole, Panel
from pipeline.units import format_length

_HEAD: Final = 9.0  # [mm] heading of the page
_UNDER: Final = 17.0  # [mm] below the deck line of a row: hole numbers and levels
_OVER: Final = 6.0  # [mm] above the posts of a row: panel names
_LARGEST: Final = 48  # scales between 1:48 and 1:100 are tried
_SMALLEST: Final = 100


class _Span(msgspec.Struct, frozen=True):
    """A panel or gate on the unrolled line, from `start` to `end` [m]; `stations` of its posts [m]."""

    name: str
    start: float
    end: float
    stations: tuple[float, ...]
    holes: tuple[Hole, ...]
    height: float


def unrolled_parts(dossier: Dossier) -> tuple[DrawingPart, ...]:
    """Return the pages of the unrolled fence, row under row, at the largest standard scale that needs the fewest pages."""
    frame = frame_of(dossier.facts.paper)
    spans = _spans(dossier)
    scales = [scale for scale in scales_of(dossier.units) if _LARGEST <= scale.ratio <= _SMALLEST]
    laid = [(scale, _paged(dossier, frame, scale, spans)) for scale in scales]
    scale, pages = min(laid, key=lambda pair: len(pair[1]))
    parts = []
    for number, page in enumerate(pages, 1):
        title = "Fence unrolled" if len(pages) == 1 else f"Fence unrolled {number} of {len(pages)}"
        parts.append(DrawingPart(title, frame, scale.name, tuple(_page(dossier, frame, scale, page))))
    return tuple(parts)


def _paged(dossier: Dossier, frame: Frame, scale: Scale, spans: list[_Span]) -> list[list[list[_Span]]]:
    """Break the spans into rows, and the rows into pages."""
    pages: list[list[list[_Span]]] = [[]]
    left = room = frame.top - frame.bottom - _HEAD - 8
    for row in _rows(spans, (frame.right - frame.left - 6) * scale.ratio / 1000):
        height = _row_height(row, scale)
        if pages[-1] and height > left:
            pages.append([])
            left = room
        pages[-1].append(row)
        left -= height
    return pages


def _row_height(row: list[_Span], scale: Scale) -> float:
    """Return the height a row takes [mm]: names, posts, the deck's fall along it, hole numbers."""
    levels = [hole.elev for span in row for hole in span.holes if hole.elev is not None]
    fall = max(levels) - min(levels) if levels else 0.0
    return _OVER + (max(span.height for span in row) + fall) * 1000 / scale.ratio + _UNDER


def _spans(dossier: Dossier) -> list[_Span]:
    holes = {hole.name: hole for hole in dossier.layout.holes}
    gates = {gate.hinge_hole: gate for gate in dossier.layout.gates}
    spans: list[_Span] = []
    start = 0.0
    panels = dossier.layout.panels
    for panel in panels:
        spans.append(_span(panel, holes, start))
        start = spans[-1].end
        last = holes[panel.holes[-1]]
        if panel.holes[-1] in gates:
            gate = gates[panel.holes[-1]]
            spans.append(_Span(gate.name, start, start + gate.leaf, (), (last, holes[gate.latch_hole]), panel.height))
            start += gate.leaf
        elif last.to_next is not None:
            start += last.to_next
    return spans


def _span(panel: Panel, holes: dict[str, Hole], start: float) -> _Span:
    own = tuple(holes[name] for name in panel.holes)
    stations = [start]
    for first, second in itertools.pairwise(own):
        stations.append(stations[-1] + math.dist(first.place, second.place))
    return _Span(panel.name, start, stations[-1], tuple(stations), own, panel.height)


def _rows(spans: list[_Span], room: float) -> list[list[_Span]]:
    """Break the spans into rows no longer than `room` [m]; a row always holds at least one."""
    rows: list[list[_Span]] = [[]]
    for span in spans:
        if rows[-1] and span.end - rows[-1][0].start > room:
            rows.append([])
        rows[-1].append(span)
    return rows


def _page(dossier: Dossier, frame: Frame, scale: Scale, rows: list[list[_Span]]) -> list[Mark]:
    hem = format_length(dossier.job.shop.panel.hem_gap, dossier.units)
    head = f"Seen from outside, walking with the pool on the left: hem {hem} above the deck at the posts. Levels: deck above the lowest hole."
    marks: list[Mark] = [Words(text=fitted(head, frame.right - frame.left, 1.9), at=(frame.left, frame.top - 3.0), cap=1.9)]
    bottom = frame.top - _HEAD
    for row in rows:
        bottom -= _row_height(row, scale)
        marks += _row(dossier, frame, scale, row, bottom + _UNDER)
    marks += scale_bar(frame.left, frame.bottom + 1.0, scale, dossier.units)
    return marks


def _row(dossier: Dossier, frame: Frame, scale: Scale, row: list[_Span], deck: float) -> list[Mark]:
    factor = 1000 / scale.ratio
    origin = row[0].start
    levels = [hole.elev for span in row for hole in span.holes if hole.elev is not None]
    lowest = min(levels) if levels else 0.0

    def x(station: float) -> float:
        return frame.left + 3 + (station - origin) * factor

    def y(hole: Hole) -> float:
        return deck + (0.0 if hole.elev is None else (hole.elev - lowest) * factor)

    marks: list[Mark] = []
    ground = [(x(station), y(hole)) for span in row for station, hole in zip(span.stations or (span.start, span.end), span.holes, strict=True)]
    marks.append(Stroke(points=tuple(ground) if len(ground) > 1 else (ground[0], ground[0]), width=BROAD))
    for span in row:
        marks += _gate(span, x, y, factor) if not span.stations else _panel(dossier, span, x, y, factor)
    return marks


def _panel(dossier: Dossier, span: _Span, x: Callable[[float], float], y: Callable[[Hole], float], factor: float) -> list[Mark]:
    hem = dossier.job.shop.panel.hem_gap * factor
    tall = span.height * factor
    marks: list[Mark] = []
    feet = [(x(station), y(hole)) for station, hole in zip(span.stations, span.holes, strict=True)]
    marks += [Stroke(points=(foot, (foot[0], foot[1] + tall)), width=0.35) for foot in feet]
    marks.append(Stroke(points=tuple((foot[0], foot[1] + hem) for foot in feet), width=FINE))
    marks.append(Stroke(points=tuple((foot[0], foot[1] + tall - 0.15) for foot in feet), width=FINE))
    middle = ((feet[0][0] + feet[-1][0]) / 2, max(foot[1] for foot in feet) + tall)
    bay = len(feet) // 2  # the bay in the middle, so that no post stands in the text
    inside = ((feet[bay - 1][0] + feet[bay][0]) / 2, (feet[bay - 1][1] + feet[bay][1]) / 2 + tall / 2)
    marks.append(Words(text=span.name, at=(middle[0], middle[1] + 1.4), cap=2.4, bold=True, align="centre"))
    length = format_length(span.end - span.start, dossier.units)
    lying = typeface.width(length, 1.7) < feet[bay][0] - feet[bay - 1][0] - 1.0
    marks.append(Words(text=length, at=inside, cap=1.7, align="centre", middle=True, turn=0.0 if lying else math.pi / 2))
    marks += _numbers(dossier, span, feet)
    return marks


def _numbers(dossier: Dossier, span: _Span, feet: list[tuple[float, float]]) -> list[Mark]:
    """Write hole numbers and levels under the posts; those of neighbouring end posts are set apart."""
    lowest = min((hole.elev for hole in dossier.layout.holes if hole.elev is not None), default=0.0)
    marks: list[Mark] = []
    for index, (hole, foot) in enumerate(zip(span.holes, feet, strict=True)):
        shift = 1.25 if index == 0 else -1.25 if index == len(feet) - 1 else 0.0
        level = "" if hole.elev is None else f"  {format_length(hole.elev - lowest, dossier.units)}"
        at = (foot[0] + shift, foot[1] - 1.2)
        marks.append(Words(text=f"{hole.name}{level}", at=at, cap=1.6, align="right", middle=True, turn=math.pi / 2))
    return marks


def _gate(span: _Span, x: Callable[[float], float], y: Callable[[Hole], float], factor: float) -> list[Mark]:
    first, last = span.holes
    left, right, foot = x(span.start), x(span.end), max(y(first), y(last))
    tall = span.height * factor
    corners = ((left + 0.5, foot + 0.6), (right - 0.5, foot + 0.6), (right - 0.5, foot + tall), (left + 0.5, foot + tall))
    return [
        Stroke(points=corners, closed=True, dash=(1.6, 1.0)),
        Stroke(points=(corners[0], ((left + right) / 2, foot + tall), corners[1]), dash=(0.8, 0.8), width=FINE),
        Words(text=span.name, at=((left + right) / 2, foot + tall + 1.4), cap=2.4, bold=True, align="centre"),
    ]
