"""The fence unrolled: what stands between its posts, seen from the outside, with the deck's level and every name."""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable, Sequence
from typing import Final

import msgspec

from pipeline.drawings import typeface
from pipeline.drawings.dossier import Dossier
from pipeline.drawings.ink import BROAD, FINE, Mark, Stroke, Words, fitted
from pipeline.drawings.pages import DrawingPart
from pipeline.drawings.paper import Frame, Scale, frame_of, scale_bar, scales_of
from pipeline.drawings.tops import gate_top, top_over_deck
from pipeline.geometry.chain import Point
from pipeline.model.layout import Hole, Panel
from pipeline.units import format_length

_HEAD: Final = 12.0  # [mm] heading of the page
_NUMBER_CAP: Final = 1.6  # [mm]
_OVER: Final = 6.0  # [mm] above the posts of a row: panel names
_LARGEST: Final = 48  # scales between 1:48 and 1:100 are tried
_SMALLEST: Final = 100


class _Span(msgspec.Struct, frozen=True):
    """A panel or gate on the unrolled line, from `start` to `end` [m]; `stations` of its posts, `top` over the deck [m]."""

    name: str
    start: float
    end: float
    stations: tuple[float, ...]
    holes: tuple[Hole, ...]
    top: float


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
        height = _row_height(dossier, row, scale)
        if pages[-1] and height > left:
            pages.append([])
            left = room
        pages[-1].append(row)
        left -= height
    return pages


def _row_height(dossier: Dossier, row: list[_Span], scale: Scale) -> float:
    """Return the height a row takes [mm]: names, posts, the deck's fall along it, hole numbers."""
    levels = [hole.elev for span in row for hole in span.holes if hole.elev is not None]
    fall = max(levels) - min(levels) if levels else 0.0
    return _OVER + (max(span.top for span in row) + fall) * 1000 / scale.ratio + _under(dossier, row)


def _under(dossier: Dossier, row: list[_Span]) -> float:
    """Return the room below the deck line of a row [mm]: hole numbers and levels, standing upright."""
    return 3.0 + max(typeface.width(_number(dossier, hole), _NUMBER_CAP) for span in row for hole in span.holes)


def _number(dossier: Dossier, hole: Hole) -> str:
    """Return a hole's number, and how far its deck is above the lowest hole's where levels are known."""
    if hole.elev is None:
        return hole.name
    lowest = min(each.elev for each in dossier.layout.holes if each.elev is not None)
    return f"{hole.name}  +{format_length(hole.elev - lowest, dossier.units)}"


def _spans(dossier: Dossier) -> list[_Span]:
    """Return every panel and gate along the walk, from the first hole of the first panel on."""
    layout = dossier.layout
    holes = {hole.name: hole for hole in layout.holes}
    line = [hole for hole in layout.holes if hole.role != "pocket"]
    steps = [math.dist(first.place, second.place) for first, second in itertools.pairwise(line)]
    at = {hole.name: station for hole, station in zip(line, itertools.accumulate(steps, initial=0.0), strict=True)}
    spans = [_span(dossier, panel, holes, at[panel.holes[0]]) for panel in layout.panels]
    for gate in layout.gates:
        pair = (holes[gate.hinge_hole], holes[gate.latch_hole])
        first, last = pair if line[(line.index(pair[0]) + 1) % len(line)] is pair[1] else pair[::-1]
        spans.append(
            _Span(
                gate.name, at[first.name], at[first.name] + math.dist(first.place, last.place), (), (first, last), gate_top(dossier.job, layout, gate)
            )
        )
    return sorted(spans, key=lambda span: span.start)


def _span(dossier: Dossier, panel: Panel, holes: dict[str, Hole], start: float) -> _Span:
    own = tuple(holes[name] for name in panel.holes)
    stations = [start]
    for first, second in itertools.pairwise(own):
        stations.append(stations[-1] + math.dist(first.place, second.place))
    return _Span(panel.name, start, stations[-1], tuple(stations), own, top_over_deck(dossier.job, panel.height))


def _rows(spans: list[_Span], room: float) -> list[list[_Span]]:
    """Break the spans into rows no longer than `room` [m]; a row always holds at least one, and a gate stands beside a panel where that has room."""
    rows: list[list[_Span]] = [[]]
    for span in spans:
        if rows[-1] and span.end - rows[-1][0].start > room:
            rows.append([])
        rows[-1].append(span)
    for before, row in itertools.pairwise(rows):
        if len(before) > 1 and not any(span.stations for span in row) and row[-1].end - before[-1].start <= room:
            row.insert(0, before.pop())
    return rows


def _page(dossier: Dossier, frame: Frame, scale: Scale, rows: list[list[_Span]]) -> list[Mark]:
    marks: list[Mark] = [
        Words(text=fitted(line, frame.right - frame.left, 1.9), at=(frame.left, frame.top - 3.0 - 3.6 * index), cap=1.9)
        for index, line in enumerate(_head(dossier))
    ]
    bottom = frame.top - _HEAD
    for row in rows:
        bottom -= _row_height(dossier, row, scale)
        marks += _row(dossier, frame, scale, row, bottom + _under(dossier, row))
    marks += scale_bar(frame.left + 3.0, frame.bottom + 1.0, scale, dossier.units)
    return marks


def _head(dossier: Dossier) -> tuple[str, str]:
    """Say how the page is to be read, and what holds for every panel of it."""
    units, panels = dossier.units, dossier.layout.panels
    tops = sorted({top_over_deck(dossier.job, panel.height) for panel in panels})
    above = float(dossier.job.shop.post.above_fabric)
    fabric = " or ".join(dict.fromkeys(format_length(top, units) for top in tops))
    posts = f", of posts {' or '.join(dict.fromkeys(format_length(top + above, units) for top in tops))}" if above else ""
    hem = format_length(dossier.job.shop.panel.hem_gap, units)
    return (
        "Seen from outside, the pool behind the fabric: the walk runs from left to right.",
        f"Top of fabric{'' if posts else ' and posts'} {fabric}{posts} above the deck, hem gap {hem} at the posts. Under each hole: how far its deck is above the lowest hole's.",
    )


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
        marks += _gate(dossier, span, x, y, factor) if not span.stations else _panel(dossier, span, x, y, factor)
    return marks


def _panel(dossier: Dossier, span: _Span, x: Callable[[float], float], y: Callable[[Hole], float], factor: float) -> list[Mark]:
    hem = dossier.job.shop.panel.hem_gap * factor
    tall = span.top * factor
    post = tall + dossier.job.shop.post.above_fabric * factor
    marks: list[Mark] = []
    feet = [(x(station), y(hole)) for station, hole in zip(span.stations, span.holes, strict=True)]
    marks += [Stroke(points=(foot, (foot[0], foot[1] + post)), width=0.35) for foot in feet]
    marks.append(Stroke(points=tuple((foot[0], foot[1] + hem) for foot in feet), width=FINE))
    marks.append(Stroke(points=tuple((foot[0], foot[1] + tall - 0.15) for foot in feet), width=FINE))
    middle = ((feet[0][0] + feet[-1][0]) / 2, max(foot[1] for foot in feet) + tall)
    bay = len(feet) // 2  # the bay in the middle, so that no post stands in the text
    inside = ((feet[bay - 1][0] + feet[bay][0]) / 2, (feet[bay - 1][1] + feet[bay][1]) / 2 + tall / 2)
    marks.append(Words(text=span.name, at=(middle[0], middle[1] + 1.4), cap=2.4, bold=True, align="centre"))
    length = format_length(span.end - span.start, dossier.units)
    lying = typeface.width(length, 1.7) < feet[bay][0] - feet[bay - 1][0] - 1.0
    marks.append(Words(text=length, at=inside, cap=1.7, align="centre", middle=True, turn=0.0 if lying else math.pi / 2))
    return [*marks, *_numbers(dossier, span.holes, feet)]


def _numbers(dossier: Dossier, holes: Sequence[Hole], feet: Sequence[Point]) -> list[Mark]:
    """Write hole numbers and levels under the posts; those of neighbouring end posts are set apart."""
    marks: list[Mark] = []
    for index, (hole, foot) in enumerate(zip(holes, feet, strict=True)):
        shift = 1.25 if index == 0 else -1.25 if index == len(feet) - 1 else 0.0
        at = (foot[0] + shift, foot[1] - 1.2)
        marks.append(Words(text=_number(dossier, hole), at=at, cap=_NUMBER_CAP, align="right", middle=True, turn=math.pi / 2))
    return marks


def _gate(dossier: Dossier, span: _Span, x: Callable[[float], float], y: Callable[[Hole], float], factor: float) -> list[Mark]:
    """Draw a gate: its leaf dashed, its hinge side by the point of a dashed triangle; its posts and their numbers where no panel has them."""
    first, last = span.holes
    left, right, foot = x(span.start), x(span.end), max(y(first), y(last))
    gate = dossier.job.shop.gate
    tall, gap, under = (length * factor for length in (span.top, float(gate.clearance), float(gate.bottom_gap)))
    hinge = next(gate.hinge_hole for gate in dossier.layout.gates if gate.name == span.name)
    corners = ((left + gap, foot + under), (right - gap, foot + under), (right - gap, foot + tall), (left + gap, foot + tall))
    free, fast = ((1, 2), (0, 3)) if hinge == first.name else ((0, 3), (1, 2))
    middle = (corners[fast[0]][0], (corners[0][1] + corners[2][1]) / 2)
    marks: list[Mark] = [
        Stroke(points=corners, closed=True, dash=(1.6, 1.0)),
        Stroke(points=(corners[free[0]], middle, corners[free[1]]), dash=(1.6, 1.0), width=FINE),
        Words(text=span.name, at=((left + right) / 2, foot + tall + 1.4), cap=2.4, bold=True, align="centre"),
    ]
    feet = ((left, y(first)), (right, y(last)))
    on_panels = {name for panel in dossier.layout.panels for name in panel.holes}
    if not {first.name, last.name} & on_panels:
        marks += [Stroke(points=(at, (at[0], at[1] + tall)), width=0.35) for at in feet]
        marks += _numbers(dossier, span.holes, feet)
    return marks
