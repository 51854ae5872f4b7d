"""Details to scale: the hole and its sleeve, every gate, every end, every joint over a riser."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from typing import Final, TypeVar

import msgspec

from pipeline.drawings.dimensioning import CAP, dimension
from pipeline.drawings.dossier import Dossier
from pipeline.drawings.ink import BROAD, FINE, Area, Mark, Ring, Stroke, Words, box, fitted
from pipeline.drawings.pages import DrawingPart
from pipeline.drawings.paper import GAP, Frame, Scale, frame_of, largest_scale
from pipeline.drawings.tops import gate_top, top_over_deck
from pipeline.geometry.chain import Point
from pipeline.model.layout import FenceEnd, Gate, Hole, Joint
from pipeline.units import format_length

Thing = TypeVar("Thing")
_COLUMNS: Final = 2
_ROWS: Final = 3
_HEAD: Final = 8.0  # [mm] title and scale above a detail
_AXIS: Final = 6.5  # [mm] of a leaned post's axis shown above the deck
_SIDES: Final = {"away": "away from the pool", "pool": "toward the pool"}
_STEP: Final = 0.02  # [m] a joint whose decks differ by more stands over a riser
_BESIDE: Final = 0.3  # [m] of fabric on either side of a joint over a riser
_FOOT_SHOWN, _HEAD_SHOWN = 0.15, 0.1  # [m] of its posts over the upper deck and under the latch
_BREAK: Final = 0.04  # [m] what the part left out between them takes on the drawing


class _Cell(msgspec.Struct, frozen=True):
    """Room for one detail on the sheet [mm]: lower left corner, width, height."""

    x: float
    y: float
    across: float
    up: float


class _Detail(msgspec.Struct, frozen=True):
    """A detail: its title, its extent (width, height) [m], room for dimensions (left, below, right, above) [mm], and its drawer."""

    title: str
    size: Point
    around: tuple[float, float, float, float]
    draw: Callable[[Callable[[float, float], Point]], list[Mark]]


def detail_parts(dossier: Dossier) -> tuple[DrawingPart, ...]:
    """Return the pages of details."""
    layout = dossier.layout
    found = [_hole(dossier, hole) for hole in _typical_holes(dossier)]
    found += [_gate_plan(dossier, gate) for gate in layout.gates]
    found += [_gate_front(dossier, alike) for alike in _alike(layout.gates, lambda gate: format_length(gate.leaf, dossier.units))]
    found += [_end(dossier, alike) for alike in _alike(layout.ends, lambda end: (end.wall, format_length(end.clearance, dossier.units)))]
    found += [_step(dossier, joint) for joint in layout.joints if abs(joint.rise) > _STEP]
    frame = frame_of(dossier.facts.paper)
    a_page = _COLUMNS * _ROWS
    pages = [found[start : start + a_page] for start in range(0, len(found), a_page)]
    parts = []
    for number, page in enumerate(pages, 1):
        marks: list[Mark] = []
        for index, detail in enumerate(page):
            marks += _in_cell(dossier, detail, _cell(frame, index))
        title = "Details" if len(pages) == 1 else f"Details {number} of {len(pages)}"
        parts.append(DrawingPart(title, frame, "as noted", tuple(marks)))
    return tuple(parts)


def _alike(things: Sequence[Thing], look: Callable[[Thing], object]) -> list[list[Thing]]:
    """Return things in groups of those that look alike when drawn, in the order of their first."""
    groups: dict[object, list[Thing]] = {}
    for thing in things:
        groups.setdefault(look(thing), []).append(thing)
    return list(groups.values())


def _typical_holes(dossier: Dossier) -> list[Hole]:
    """Return one plumb hole, and the most leaned one to either side, as far as the fence has them."""
    found = []
    for side in ("plumb", "away", "pool"):
        these = [hole for hole in dossier.layout.holes if hole.lean_toward == side]
        if these:
            found.append(max(these, key=lambda hole: hole.lean))
    return found


def _cell(frame: Frame, index: int) -> _Cell:
    across = (frame.right - frame.left - GAP) / _COLUMNS
    up = (frame.top - frame.bottom - (_ROWS - 1) * GAP) / _ROWS
    column, row = index % _COLUMNS, index // _COLUMNS
    return _Cell(frame.left + column * (across + GAP), frame.top - (row + 1) * up - row * GAP, across, up)


def _in_cell(dossier: Dossier, detail: _Detail, cell: _Cell) -> list[Mark]:
    left, below, right, above = detail.around
    room = (cell.across - left - right - 2, cell.up - below - above - _HEAD - 2)
    scale = largest_scale(detail.size, room, dossier.units)
    factor = 1000 / scale.ratio
    x0 = cell.x + 1 + left + (room[0] - detail.size[0] * factor) / 2
    y0 = cell.y + 1 + below + (room[1] - detail.size[1] * factor) / 2

    def on_sheet(x: float, y: float) -> Point:
        return (x0 + x * factor, y0 + y * factor)

    return [box(cell.x, cell.y, cell.across, cell.up, width=FINE), *_title(detail, scale, cell), *detail.draw(on_sheet)]


def _title(detail: _Detail, scale: Scale, cell: _Cell) -> list[Mark]:
    return [
        Words(text=fitted(detail.title, cell.across - 30, 2.6, bold=True), at=(cell.x + 2, cell.y + cell.up - 4.8), cap=2.6, bold=True),
        Words(text=scale.name, at=(cell.x + cell.across - 2, cell.y + cell.up - 4.6), cap=1.7, align="right"),
        Stroke(points=((cell.x, cell.y + cell.up - 7), (cell.x + cell.across, cell.y + cell.up - 7)), width=FINE),
    ]


def _hole(dossier: Dossier, hole: Hole) -> _Detail:
    """Section through a hole, walking with the pool on the left: slab, bore, sleeve, depth, lean, and what stays under it."""
    sleeve, units = dossier.job.shop.sleeve, dossier.units
    slab, depth, bore = float(sleeve.slab_thickness), hole.depth, hole.bore
    held_by = "footing" if dossier.job.options.site.slab == "pavers" else "slab"
    wide, half = 3.4 * bore, bore / 2
    lean = {"away": -hole.lean, "pool": hole.lean, "plumb": 0.0}[hole.lean_toward]  # of the post, to the left positive

    def draw(at: Callable[[float, float], Point]) -> list[Mark]:
        def down(x: float, deep: float) -> Point:
            """Return the place `x` beside the bore's axis and `deep` down along it, from where the axis meets the deck."""
            return at(wide / 2 + x * math.cos(lean) + deep * math.sin(lean), slab - deep * math.cos(lean) + x * math.sin(lean))

        mouth = [at(wide / 2 + sign * half / math.cos(lean), slab) for sign in (-1, 1)]
        walls = [down(-half, depth), down(half, depth)]
        marks: list[Mark] = []
        for sign in (-1, 1):
            shell = (sign * float(sleeve.outside) / 2, sign * float(sleeve.inside) / 2)
            marks.append(Area(points=(down(shell[0], depth), down(shell[1], depth), down(shell[1], 0), down(shell[0], 0)), grey=0.55))
        marks.append(Stroke(points=(at(0, slab), mouth[0], walls[0], walls[1], mouth[1], at(wide, slab)), width=0.35))
        marks.append(Stroke(points=(at(0, 0), at(wide, 0)), width=0.35, dash=(3.2, 0.9, 0.2, 0.9)))
        marks += [_cut_concrete(at, 0, wide / 2 - bore, 0, slab), _cut_concrete(at, wide / 2 + bore, wide, 0, slab)]
        if lean:
            tip = down(0, 0)
            up = (tip[0] - math.sin(lean) * _AXIS, tip[1] + math.cos(lean) * _AXIS)
            marks.append(Stroke(points=(down(0, depth), up), width=FINE, dash=(3.2, 0.9, 0.2, 0.9)))
            marks.append(Words(text=f"{math.degrees(hole.lean):.1f}° {_SIDES[hole.lean_toward]}", at=_off(up, 1.4, -1.4), cap=CAP))
        else:
            marks += dimension(mouth[0], mouth[1], 5.0, f"bore {format_length(bore, units)}")
        marks += dimension(at(wide, slab - depth), at(wide, slab), -4.0, f"depth {format_length(depth, units)}")
        marks += dimension(at(0, slab), at(0, 0), -4.0, f"{held_by} {format_length(slab, units)}: measure")
        marks.append(Words(text="pool side", at=_off(at(0, slab), 0.5, 1.6), cap=1.7))
        marks.append(
            Words(text=f"grey: sleeve, set flush; slanted: {held_by} cut through", at=_off(at(wide / 2, 0), 0, -3.4), cap=1.7, align="centre")
        )
        return marks

    how = f"Hole leaned {math.degrees(hole.lean):.1f}°, as {hole.name}" if lean else "Hole and sleeve, plumb"
    return _Detail(how, (wide, slab), (9.0, 6.0, 9.0, 9.5), draw)


def _cut_concrete(at: Callable[[float, float], Point], left: float, right: float, bottom: float, top: float) -> Mark:
    """Mark cut concrete by one broken diagonal across it; enough to tell it from air."""
    return Stroke(points=(at(left, bottom), at(right, top)), width=FINE, dash=(1.2, 1.2))


def _gate_plan(dossier: Dossier, gate: Gate) -> _Detail:
    """Plan of a gate, hinge on the left, water above: leaf, pocket, swing."""
    holes = {hole.name: hole for hole in dossier.layout.holes}
    hinge, latch, pocket = holes[gate.hinge_hole], holes[gate.latch_hole], holes[gate.pocket_hole]
    radius = hinge.bore / 2
    clear = math.dist(hinge.place, latch.place)
    beside = _in_gate_frame(hinge, latch, pocket)
    margin = 0.25
    up = max(beside[1], 0.0) + 0.06
    said = [text for text in ("opens away from the pool", _between_posts(clear, dossier), _leaned((hinge, latch))) if text]

    def draw(at: Callable[[float, float], Point]) -> list[Mark]:
        foot = clear
        marks: list[Mark] = [
            Stroke(points=(at(0, foot), at(margin, foot)), width=BROAD),
            Stroke(points=(at(margin + clear, foot), at(2 * margin + clear, foot)), width=BROAD),
        ]
        marks.append(Stroke(points=(at(margin, foot), at(margin + clear, foot)), width=0.5, dash=(1.6, 1.0)))
        arc = [at(margin + clear * math.cos(angle), foot - clear * math.sin(angle)) for angle in [math.pi / 2 * step / 24 for step in range(25)]]
        marks += [Stroke(points=tuple(arc), width=FINE, dash=(1.6, 1.0)), Stroke(points=(at(margin, foot), arc[-1]), width=0.25)]
        for name, x, y in ((hinge.name, margin, foot), (latch.name, margin + clear, foot)):
            marks += [_round(at, x, y, radius, 0.0), *_label(at(x, y), name, (1.5, -4.5))]
        marks += [_round(at, margin + beside[0], foot + beside[1], radius, None)]
        marks += _label(at(margin + beside[0], foot + beside[1]), f"{pocket.name} pocket", (2.2, 1.4))
        marks += dimension(at(margin, foot), at(margin + clear, foot), -9.0, format_length(clear, dossier.units))
        marks.append(Words(text="pool side", at=_off(at(0, foot), 0.5, 2.4), cap=1.7))
        for row, text in enumerate(said):
            marks.append(Words(text=text, at=_off(at(margin + clear / 2, 0), 0, -3.2 - 3.2 * row), cap=1.7, align="centre"))
        return marks

    return _Detail(f"Gate {gate.name}, plan", (clear + 2 * margin, clear + up), (2.0, 1.8 + 3.2 * len(said), 2.0, 5.0), draw)


def _leaned(holes: Sequence[Hole]) -> str:
    """Say which of a gate's posts lean, and how; nothing where both are plumb."""
    leaned = [hole for hole in holes if hole.lean_toward != "plumb"]
    return "; ".join(f"{hole.name} leaned {math.degrees(hole.lean):.1f}° {_SIDES[hole.lean_toward]}" for hole in leaned)


def _between_posts(length: float, dossier: Dossier) -> str:
    """Say from where to where the width of a gate is measured; the line of its dimension is too short for that."""
    return f"{format_length(length, dossier.units)}: post centre to post centre"


def _in_gate_frame(hinge: Hole, latch: Hole, other: Hole) -> Point:
    """Return where a hole stands (along the leaf, toward the pool) from the hinge [m]."""
    heading = math.atan2(latch.north - hinge.north, latch.east - hinge.east)
    dx, dy = other.east - hinge.east, other.north - hinge.north
    return (dx * math.cos(heading) + dy * math.sin(heading), dy * math.cos(heading) - dx * math.sin(heading))


def _gate_front(dossier: Dossier, gates: Sequence[Gate]) -> _Detail:
    """Front of gates that are alike, seen from outside: leaf, release height, clearances."""
    shop, units, gate = dossier.job.shop.gate, dossier.units, gates[0]
    holes = {hole.name: hole for hole in dossier.layout.holes}
    clear = math.dist(holes[gate.hinge_hole].place, holes[gate.latch_hole].place)
    tall, release, margin = gate_top(dossier.job, dossier.layout, gate), float(shop.release_height), 0.25
    gap, under = float(shop.clearance), float(shop.bottom_gap)

    def draw(at: Callable[[float, float], Point]) -> list[Mark]:
        high = max(tall, release)
        marks: list[Mark] = [Stroke(points=(at(0, 0), at(clear + 2 * margin, 0)), width=BROAD)]
        for x in (margin, margin + clear):
            marks.append(Stroke(points=(at(x, 0), at(x, high if x > margin else tall)), width=0.7))
        marks.append(
            Stroke(
                points=(at(margin + gap, under), at(margin + clear - gap, under), at(margin + clear - gap, tall), at(margin + gap, tall)),
                width=0.35,
                closed=True,
            )
        )
        marks.append(Ring(centre=at(margin + clear, release), radius=1.0, fill=0.0))
        marks += dimension(at(2 * margin + clear, 0), at(2 * margin + clear, release), -3.0, f"release {format_length(release, units)}")
        marks += dimension(at(0, 0), at(0, tall), 3.0, f"top {format_length(tall, units)}")
        marks += dimension(at(margin, 0), at(margin + clear, 0), -4.0, format_length(clear, units))
        side = "on both sides" if shop.release_side == "both" else f"on the {shop.release_side} side"
        for row, text in enumerate(
            (
                f"gap {format_length(gap, units)} at sides, {format_length(under, units)} at the foot; release {side}",
                "closes and latches by itself from any position",
                _between_posts(clear, dossier),
            )
        ):
            marks.append(Words(text=text, at=_off(at(margin + clear / 2, 0), 0, -9.6 - 3.2 * row), cap=1.6, align="centre"))
        return marks

    names = ", ".join(gate.name for gate in gates)
    return _Detail(f"Gate {names}, from outside", (clear + 2 * margin, max(tall, release)), (7.0, 17.2, 7.0, 3.0), draw)


def _end(dossier: Dossier, ends: Sequence[FenceEnd]) -> _Detail:
    """Plan of ends that are alike: the last hole's centre to the wall."""
    units, end = dossier.units, ends[0]
    names = ", ".join(end.hole for end in ends)
    hole = next(hole for hole in dossier.layout.holes if hole.name == end.hole)
    clearance, radius = end.clearance, hole.bore / 2
    fabric = 3.2 * clearance
    wide = fabric + clearance

    def draw(at: Callable[[float, float], Point]) -> list[Mark]:
        half = 1.6 * clearance
        face, stop = wide, wide + 0.7 * clearance
        marks: list[Mark] = [Stroke(points=(at(0, half), at(fabric, half)), width=BROAD), _round(at, fabric, half, radius, None)]
        marks.append(Area(points=(at(face, 0), at(stop, 0), at(stop, 2 * half), at(face, 2 * half)), grey=0.75))
        marks.append(Stroke(points=(at(face, 0), at(face, 2 * half)), width=0.5))
        marks.append(Words(text=names, at=_off(at(fabric, half - radius), 0, -3.2), cap=CAP, bold=True, align="centre"))
        marks += dimension(at(fabric, half), at(face, half), 9.0, format_length(clearance, units))
        marks.append(Words(text="face of the wall" if end.wall else "what it ends at", at=_off(at(face, 0), 0, -3.6), cap=1.7, align="centre"))
        return marks

    return _Detail(f"End at {names}, plan", (wide + 0.7 * clearance, 3.2 * clearance), (2.0, 6.0, 10.0, 8.0), draw)


class _AtStep(msgspec.Struct, frozen=True):
    """Heights at a joint over a riser, over its lower deck [m]: of the two decks, of the fabric's hem and top over each, and where the drawing is broken."""

    decks: Point
    hem: float
    tall: float
    broken: Point

    @property
    def top(self) -> float:
        return max(self.decks) + self.tall

    def drawn(self, level: float) -> float:
        """Return how high a level is drawn [m]: what lies within the break is left out, but for the gap it shows as."""
        low, high = self.broken
        return level if level <= low else max(low, level - high + low + _BREAK)


def _at_step(dossier: Dossier, joint: Joint) -> _AtStep:
    decks, tall = (max(0.0, -joint.rise), max(0.0, joint.rise)), _top_at(dossier, joint)
    low, high = abs(joint.rise) + _FOOT_SHOWN, min(joint.latch_height, tall) - _HEAD_SHOWN
    none = max(decks) + tall
    return _AtStep(decks, float(dossier.job.shop.panel.hem_gap), tall, (low, high) if high > low + _BREAK else (none, none))


def _step(dossier: Dossier, joint: Joint) -> _Detail:
    """Side of a joint over a riser, broken between feet and latch: both end posts, the riser between them, the latch above the lower side."""
    units, step = dossier.units, _at_step(dossier, joint)
    gap, rise, latch = joint.gap, abs(joint.rise), joint.latch_height
    first, second, end = _BESIDE, _BESIDE + gap, 2 * _BESIDE + gap

    def draw(at: Callable[[float, float], Point]) -> list[Mark]:
        def on(x: float, level: float) -> Point:
            return at(x, step.drawn(level))

        marks = _step_in_section(step, gap, float(dossier.job.shop.post.diameter) / 2, on)
        marks.append(Stroke(points=(on(first - 0.05, latch), on(second + 0.05, latch)), width=0.5))
        marks += dimension(on(first, step.top), on(second, step.top), 4.0, format_length(gap, units))
        marks += dimension(on(end, 0), on(end, rise), -3.0, f"rise {format_length(rise, units)}")
        marks += dimension(on(0, 0), on(0, latch), 3.0, f"latch {format_length(latch, units)}")
        marks += _label(on(first, step.decks[0]), joint.before, (-9.5, -4.2))
        marks += _label(on(second, step.decks[1]), joint.after, (2.4, -4.2))
        notes = [_holes_to_riser(dossier, joint), "posts broken between the zigzags" if step.broken[0] < step.top else ""]
        under = _off(on(_BESIDE + gap / 2, 0), 0, -7.0)
        return [*marks, *(Words(text=note, at=_off(under, 0, -3.2 * row), cap=1.6, align="centre") for row, note in enumerate(filter(None, notes)))]

    return _Detail(f"Joint {joint.name} over riser {joint.riser}".rstrip(), (end, step.drawn(step.top)), (8.0, 12.0, 11.0, 8.0), draw)


def _step_in_section(step: _AtStep, gap: float, radius: float, on: Callable[[float, float], Point]) -> list[Mark]:
    """Draw the two decks with the riser between them, and on either side the end post and the edges of the fabric."""
    first, second, edge, end = _BESIDE, _BESIDE + gap, _BESIDE + gap / 2, 2 * _BESIDE + gap
    left, right = step.decks
    low, high = step.broken
    marks: list[Mark] = [Stroke(points=(on(0, left), on(edge, left), on(edge, right), on(end, right)), width=BROAD)]
    for post, deck, x0, x1 in ((first, left, 0.0, first), (second, right, second, end)):
        top = deck + step.tall
        for x in (post - radius, post + radius):
            pieces = ((deck, low), (high, top)) if high < top else ((deck, top),)
            marks += [Stroke(points=(on(x, start), on(x, stop)), width=0.3) for start, stop in pieces]
        marks.append(Stroke(points=(on(post - radius, top), on(post + radius, top)), width=0.3))
        marks += [Stroke(points=(on(x0, level), on(x1, level)), width=FINE) for level in (top, deck + step.hem)]
    if high < step.top:
        marks += [_zigzag(on(first, level), on(second, level)) for level in (low, high)]
    return marks


def _zigzag(start: Point, end: Point) -> Stroke:
    """Return the sign of a break across two posts, its zigzag halfway between them."""
    middle = ((start[0] + end[0]) / 2, start[1])
    return Stroke(
        points=(_off(start, -2.5, 0), *(_off(middle, x, y) for x, y in ((-0.7, 0), (-0.35, 1.0), (0.35, -1.0), (0.7, 0))), _off(end, 2.5, 0)),
        width=FINE,
    )


def _holes_to_riser(dossier: Dossier, joint: Joint) -> str:
    """Say how far the two holes stand from the riser; nothing where none is known."""
    beside = {name: _to_riser(dossier, name) for name in (joint.before, joint.after)}
    notes = [f"{name} {format_length(far, dossier.units)}" for name, far in beside.items() if far is not None]
    return f"hole to riser, square to it: {', '.join(notes)}" if notes else ""


def _top_at(dossier: Dossier, joint: Joint) -> float:
    """Return how high the fabric's top stands over the deck at a joint [m]: of the lower panel that ends there."""
    panels = dossier.layout.panels
    beside = [panel for panel in panels if {joint.before, joint.after} & set(panel.holes)] or list(panels)
    return min(top_over_deck(dossier.job, panel.height) for panel in beside)


def _to_riser(dossier: Dossier, name: str) -> float | None:
    """Return how far a hole's centre stands from the nearest nosing [m], in plan."""
    hole = next(hole for hole in dossier.layout.holes if hole.name == name)
    return min((riser.nosing.nearest(hole.place)[1] for riser in dossier.site.risers), default=None)


def _round(at: Callable[[float, float], Point], x: float, y: float, radius: float, fill: float | None) -> Ring:
    return Ring(centre=at(x, y), radius=max(0.5, at(radius, 0)[0] - at(0, 0)[0]), fill=fill)


def _label(point: Point, text: str, offset: Point) -> list[Mark]:
    return [Words(text=text, at=_off(point, *offset), cap=1.9, bold=True)]


def _off(point: Point, dx: float, dy: float) -> Point:
    return (point[0] + dx, point[1] + dy)
