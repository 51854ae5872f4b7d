"""Where every name of the plan goes at the scale of a sheet: hole numbers, panels, gates, marks."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Sequence
from functools import cache

import msgspec

from pipeline.drawings.ink import Mark, Stroke, Words
from pipeline.drawings.label_placing import Bounds, Candidate, Obstacles, Placed, place_labels, upright, words_box
from pipeline.drawings.plan_view import NAME_CAP, Detail, View, bounds_of, is_mark
from pipeline.geometry.chain import Point
from pipeline.model.layout import Hole, Layout, Panel
from pipeline.model.site import Site

NUMBER_CAP = 2.3  # [mm] hole numbers: readable at arm's length (about 9.5 pt)
PANEL_CAP = 2.5  # [mm]
_NOTE = "note "  # how the keys of notes begin
_NOTE_CAP = 1.6  # [mm]
_ROUND = (1.6, 3.0, 5.0, 8.0, 12.0, 17.0, 24.0)  # [mm] from an outline to its note
_LED = 2.5  # [mm] a note farther off than this has a leader
_INSET = 0.8  # [mm] between a name and the window's edge
_TRIES = 5  # orders in which names are placed, at most
_SAGITTA = 0.05  # [mm] of paper, between an arc and the lines that stand for it in the search for free places
_POOL_SIDE = 9.0  # [mm] of leader that a number on the side away from the pool is worth
_AWAY = (2.4, 4.6, 7.2, 10.5, 14.0)  # [mm] from a hole to its number
_ALONG = (0.0, 1.4, 2.8, 4.4, 6.4)  # [mm] shift of a number along the fence


def detail_name(number: int, detail: Detail, layout: Layout, view: View) -> tuple[str, list[Candidate]]:
    """Return the name of a detail sheet and where it can stand on the overview: beside the middle of its stretch."""
    places = {hole.name: hole.place for hole in layout.holes}
    key = f"Detail {number}"
    middle = places[detail.holes[len(detail.holes) // 2]]
    return key, round_about(key, view.on_sheet(middle), NAME_CAP, (5.0, 7.0, 10.0, 14.0, 18.0, 24.0))


class Note(msgspec.Struct, frozen=True):
    """What something of the site is, in words, with its outline [m]; written where there is room for it, and left away where there is none."""

    text: str
    outline: tuple[Point, ...]

    @property
    def place(self) -> Point:
        """Its middle [m]."""
        left, bottom, right, top = bounds_of(self.outline)
        return ((left + right) / 2, (bottom + top) / 2)


class Names(msgspec.Struct, frozen=True, kw_only=True):
    """Where the names of a plan go: keyed by hole, panel, gate or mark, and those that found no place.

    `needed` are those of holes, panels and gates that have to stand there; None for all.
    """

    placed: tuple[Placed, ...]
    needed: frozenset[str] | None = None

    @property
    def missing(self) -> tuple[str, ...]:
        """What has to stand on the plan and found no place."""
        return _missing(self.placed, self.needed)

    @property
    def notes(self) -> tuple[str, ...]:
        """Keys of the notes that found a place."""
        return tuple(each.key for each in self.placed if each.free and each.key.startswith(_NOTE))

    def of(self, key: str) -> Candidate | None:
        return next((each.candidate for each in self.placed if each.free and each.key == key), None)


def place_names(
    site: Site,
    layout: Layout,
    view: View,
    kept_free: Iterable[Mark] = (),
    *,
    numbers: bool = True,
    first_holes: bool = False,
    first: Sequence[tuple[str, Sequence[Candidate]]] = (),
    notes: Sequence[Note] = (),
    needed: frozenset[str] | None = None,
) -> Names:
    """Place hole numbers, panel, gate and mark names of the part of the site in view, and notes where there is room left.

    Parameters
    ----------
    site : Site
        As fitted.
    layout : Layout
        The fence.
    view : View
        The window on the site.
    kept_free : iterable of Mark
        Words and strokes that already stand there (of dimensions, match lines).
    numbers : bool
        False leaves the holes' numbers away (a sheet too dense for them, or one for other things).
    first_holes : bool
        True names the first hole beside every panel's name.
    first : sequence of (key, candidates)
        Other names that come before all of these.
    notes : sequence of Note
        What things are, after all names.
    needed : frozenset of str or None
        Of holes, panels and gates those named here, as the others are on another sheet; None for all.
    """
    hard, soft, firm = _obstacles(site, layout, view)
    for mark in kept_free:
        if isinstance(mark, Words):
            hard.add_box(words_box(mark))
        elif isinstance(mark, Stroke):
            hard.add_polyline(mark.points, 0.05)
    left, bottom, right, top = view.area
    area = (left + _INSET, bottom + _INSET, right - _INSET, top - _INSET)
    wanted = [*first, *_mark_names(site, layout, view), *_gate_names(layout, view)]
    if numbers:
        wanted += _hole_numbers(layout, view)
    wanted += _panel_names(layout, view, with_first_hole=first_holes)
    if needed is not None:
        marks = {mark.name for mark in site.marks}
        wanted = [each for each in wanted if each[0] in needed or each[0] in marks]
    placed = _placed_in_turns(wanted, hard, soft, firm, area, needed)
    for each in placed:
        if each.free:
            hard.add_box(words_box(each.candidate.words))
            if each.candidate.leader is not None:
                hard.add_line(*each.candidate.leader)
    firm.add_all(soft)  # a note can go farther off than a number can
    return Names(placed=(*placed, *_notes_placed(notes, view, hard, firm, area)), needed=needed)


def _notes_placed(notes: Sequence[Note], view: View, hard: Obstacles, firm: Obstacles, area: Bounds) -> Iterator[Placed]:
    """Place notes: on the thing itself where it is large enough, else round it; never over its own outline."""
    for index, note in enumerate(note for note in notes if view.shows(note.place)):
        outline = [view.on_sheet(point) for point in note.outline]
        own = hard.copy()
        own.add_polyline([*outline, *outline[:1]], 0.15)
        on_it = Words(text=note.text, at=view.on_sheet(note.place), cap=_NOTE_CAP, align="centre", middle=True)
        candidates = [Candidate(words=on_it), *_round_outline(on_it, outline)]
        for placed in place_labels([(f"{_NOTE}{index}", candidates)], own, Obstacles(area), area, firm=firm):
            if placed.free:
                hard.add_box(words_box(placed.candidate.words))
                if placed.candidate.leader is not None:
                    hard.add_line(*placed.candidate.leader)
            yield placed


def _round_outline(words: Words, outline: Sequence[Point]) -> list[Candidate]:
    """Return level places round an outline [mm], nearest first; those farther off at the end of a leader from the outline's corner that is nearest."""
    candidates = []
    for distance in _ROUND:
        for angle in (0, 180, 90, 270, 45, 135, 315, 225):
            dx, dy = math.cos(math.radians(angle)), math.sin(math.radians(angle))
            corner = max(outline, key=lambda point: round(point[0] * dx + point[1] * dy, 6))
            out = (corner[0] - words.at[0]) * dx + (corner[1] - words.at[1]) * dy + distance + abs(dy) * words.cap / 2
            at = (words.at[0] + dx * out, words.at[1] + dy * out)
            align = "left" if dx > 0.5 else "right" if dx < -0.5 else "centre"
            leader = None if distance < _LED else (corner, (at[0] - 0.6 * dx, at[1] - dy * (0.4 + words.cap / 2)))
            placed = msgspec.structs.replace(words, at=at, align=align)
            candidates.append(Candidate(words=placed, leader=leader, unwelcome=distance if leader is None else 0.0))
    return candidates


def _missing(placed: Sequence[Placed], needed: frozenset[str] | None) -> tuple[str, ...]:
    without = (each.key for each in placed if not each.free and not each.key.startswith(_NOTE))
    return tuple(key for key in without if needed is None or key in needed)


def _placed_in_turns(
    wanted: list[tuple[str, Sequence[Candidate]]], hard: Obstacles, soft: Obstacles, firm: Obstacles, area: Bounds, needed: frozenset[str] | None
) -> tuple[Placed, ...]:
    """Place all names; what is needed and found no place chooses first in the next try, as long as that leaves fewer without one.

    Should that not be enough, a last try lets every name lie on the firm lines: a name over the water's edge is better than none.
    """
    urgent: dict[str, None] = {}
    best: tuple[Placed, ...] = ()
    for number in range(_TRIES + 1):
        order = [*(each for key in urgent for each in wanted if each[0] == key), *(each for each in wanted if each[0] not in urgent)]
        placed = place_labels(order, hard.copy(), soft, area, firm=firm if number < _TRIES else None)
        missing = _missing(placed, needed)
        if not best or len(missing) < len(_missing(best, needed)):
            best = placed
        if not missing:
            break
        urgent = {**dict.fromkeys(missing), **urgent}
    return best


def fabric_obstacles(layout: Layout, view: View) -> Obstacles:
    """Return the fabric of all panels, as broad as it is drawn and a little more, as what no text may touch."""
    fabric = Obstacles(view.area)
    places = {hole.name: view.on_sheet(hole.place) for hole in layout.holes}
    for panel in layout.panels:
        fabric.add_polyline([places[name] for name in panel.holes], 0.35)
    return fabric


def _obstacles(site: Site, layout: Layout, view: View) -> tuple[Obstacles, Obstacles, Obstacles]:
    """Return what no name may touch, what it keeps clear of where that costs little, and what it lies on only for want of another place."""
    hard, soft, firm = fabric_obstacles(layout, view), Obstacles(view.area), Obstacles(view.area)
    places = {hole.name: view.on_sheet(hole.place) for hole in layout.holes}
    for gate in layout.gates:
        hard.add_line(places[gate.hinge_hole], places[gate.latch_hole], 0.35)
        outline = [view.on_sheet(point) for point in gate.swing]
        firm.add_polyline([*outline, *outline[:1]], 0.1)
        x, y = places[gate.pocket_hole] if gate.pocket_hole in places else places[gate.hinge_hole]
        hard.add_box((x, y, 0.6, 0.6, 0.0))
    for mark in (mark for mark in site.marks if is_mark(mark, layout)):
        x, y = view.on_sheet(mark.place)
        hard.add_box((x, y, 1.3, 1.3, 0.0))
    sagitta = _SAGITTA * view.scale.ratio / 1000
    lines = [*site.copings, *site.decks, *site.walls, *site.joints, *site.drains, *site.utilities]
    edges = [line.chain for line in lines] + [riser.nosing for riser in site.risers]
    things = [water.chain for water in site.waters] + [each.outline for each in (*site.objects, *site.point_hazards)]
    for obstacles, of_them in ((firm, things), (soft, edges)):
        for chain in of_them:
            obstacles.add_polyline([view.on_sheet((float(x), float(y))) for x, y in chain.densified(sagitta)], 0.15)
    return hard, soft, firm


def _hole_numbers(layout: Layout, view: View) -> list[tuple[str, list[Candidate]]]:
    line = [hole for hole in layout.holes if hole.role != "pocket"]
    wanted = []
    for index, hole in enumerate(line):
        if not view.shows(hole.place):
            continue
        before = line[index - 1] if index or layout.closed else None
        after = line[(index + 1) % len(line)] if index + 1 < len(line) or layout.closed else None
        wanted.append((hole.name, _number_candidates(hole, before, after, view)))
    for hole in layout.holes:
        if hole.role == "pocket" and view.shows(hole.place):
            nearest = min(line, key=lambda other: math.dist(other.place, hole.place))
            away = math.atan2(hole.north - nearest.north, hole.east - nearest.east) + view.turn
            rays = [away + math.radians(angle) for angle in (0, -40, 40, -70, 70, -100, 100)]
            candidates = [candidate for ray in rays for candidate in _along_ray(hole, ray, 0, view)]
            wanted.append((hole.name, sorted(candidates, key=_leader_length)))
    at_gates = _crowded(layout)
    return sorted(wanted, key=lambda each: each[0] not in at_gates)  # those with the least room choose first


def _crowded(layout: Layout) -> set[str]:
    """Return the holes at gates and their neighbours along the walk, where posts, pocket, leaf and names come together."""
    line = [hole.name for hole in layout.holes if hole.role != "pocket"]
    gate_holes = {name for gate in layout.gates for name in (gate.hinge_hole, gate.latch_hole, gate.pocket_hole)}
    beside = {line[(index + step) % len(line)] for index, name in enumerate(line) if name in gate_holes for step in (-1, 1)}
    return gate_holes | beside


def _leader_length(candidate: Candidate) -> float:
    return 0.0 if candidate.leader is None else math.dist(candidate.leader[0], candidate.leader[1])


def _number_candidates(hole: Hole, before: Hole | None, after: Hole | None, view: View) -> list[Candidate]:
    """Return places for a hole's number: square to the fence, away from the pool first, then on the pool's side."""
    heading = heading_at(hole, before, after) + view.turn
    crowd = 3.4 * view.scale.ratio / 1000  # [m] nearer neighbours than this push the number aside
    lean = 0
    if after is not None and math.dist(hole.place, after.place) < crowd:
        lean = -1
    elif before is not None and math.dist(hole.place, before.place) < crowd:
        lean = 1
    outward = heading - math.pi / 2
    poolward = [msgspec.structs.replace(each, unwelcome=_POOL_SIDE) for each in _along_ray(hole, outward + math.pi, -lean, view)]
    return _along_ray(hole, outward, lean, view) + poolward


def heading_at(hole: Hole, before: Hole | None, after: Hole | None) -> float:
    """Return the direction of the walk at a hole [rad], halfway between the chords that meet there."""
    chords = []
    for first, second in ((before, hole), (hole, after)):
        if first is not None and second is not None:
            length = math.dist(first.place, second.place) or 1.0
            chords.append(((second.east - first.east) / length, (second.north - first.north) / length))
    return math.atan2(sum(chord[1] for chord in chords), sum(chord[0] for chord in chords))


def _along_ray(hole: Hole, ray: float, lean: int, view: View) -> list[Candidate]:
    x, y = view.on_sheet(hole.place)
    out, side = (math.cos(ray), math.sin(ray)), (-math.sin(ray), math.cos(ray))
    turn, reversed_ = upright(ray)
    candidates = []
    for away, along in _steps(lean):
        start = (x + out[0] * 0.5, y + out[1] * 0.5)
        end = (x + out[0] * away + side[0] * along, y + out[1] * away + side[1] * along)
        at = (end[0] + out[0] * 0.5, end[1] + out[1] * 0.5)
        words = Words(text=hole.name, at=at, cap=NUMBER_CAP, bold=True, middle=True, turn=turn, align="right" if reversed_ else "left")
        candidates.append(Candidate(words=words, leader=(start, end)))
    return candidates


@cache
def _steps(lean: int) -> list[tuple[float, float]]:
    """Return (away, along) [mm] in order of preference; `lean` -1 or 1 prefers shifts back or forth along the fence."""
    steps = []
    for away in _AWAY:
        for along in _ALONG:
            if along > away * 1.6:
                continue
            for sign in (1, -1) if lean >= 0 else (-1, 1):
                if along or sign == 1:
                    preference = away + 0.9 * along + (1.2 if lean and (along == 0 or sign != lean) else 0.0)
                    steps.append((preference, away, sign * along))
    return [(away, along) for _, away, along in sorted(steps)]


def _panel_names(layout: Layout, view: View, *, with_first_hole: bool) -> list[tuple[str, list[Candidate]]]:
    places = {hole.name: hole.place for hole in layout.holes}
    wanted = []
    for panel in layout.panels:
        candidates = _panel_candidates(panel, places, view, with_first_hole)
        if candidates:
            wanted.append((panel.name, candidates))
    return wanted


def _panel_candidates(panel: Panel, places: dict[str, Point], view: View, with_first_hole: bool) -> list[Candidate]:
    chords = list(zip(panel.holes, panel.holes[1:], strict=False))
    order = sorted(range(len(chords)), key=lambda index: (abs(index - (len(chords) - 1) / 2), index))
    candidates = []
    text = f"{panel.name} {panel.holes[0]}" if with_first_hole else panel.name
    for offset in (2.9, -2.9, 5.6, -5.6, 8.5, -8.5, 12.0, -12.0):
        for index in order:
            start, end = (view.on_sheet(places[name]) for name in chords[index])
            if not view.shows(places[chords[index][0]]) and not view.shows(places[chords[index][1]]):
                continue
            heading = math.atan2(end[1] - start[1], end[0] - start[0])
            for share in (0.5, 0.3, 0.7):
                foot = (start[0] + share * (end[0] - start[0]), start[1] + share * (end[1] - start[1]))
                at = (foot[0] - math.sin(heading) * offset, foot[1] + math.cos(heading) * offset)
                words = Words(text=text, at=at, cap=PANEL_CAP, bold=True, align="centre", middle=True, turn=upright(heading)[0])
                leader = None
                if abs(offset) > 5:
                    near = 0.6 / abs(offset)
                    far = 1 - 1.8 / abs(offset)
                    leader = tuple((foot[0] + t * (at[0] - foot[0]), foot[1] + t * (at[1] - foot[1])) for t in (near, far))
                candidates.append(Candidate(words=words, leader=leader))  # type: ignore[arg-type]  # a pair by its making
    return candidates


def _gate_names(layout: Layout, view: View) -> list[tuple[str, list[Candidate]]]:
    places = {hole.name: hole.place for hole in layout.holes}
    wanted = []
    for gate in layout.gates:
        hinge, latch = view.on_sheet(places[gate.hinge_hole]), view.on_sheet(places[gate.latch_hole])
        middle = ((hinge[0] + latch[0]) / 2, (hinge[1] + latch[1]) / 2)
        if not view.shows(places[gate.hinge_hole]):
            continue
        turn = math.atan2(latch[1] - hinge[1], latch[0] - hinge[0])
        pool = (-math.sin(turn), math.cos(turn))
        beside = [_in_line(gate.name, (middle[0] + pool[0] * way, middle[1] + pool[1] * way), turn) for way in (2.6, 3.6, 4.8)]
        wanted.append((gate.name, [*beside, *round_about(gate.name, middle, PANEL_CAP, (4.5, 6.5, 9.0, 12.0, 16.0))]))
    return wanted


def _in_line(text: str, at: Point, heading: float) -> Candidate:
    words = Words(text=text, at=at, cap=PANEL_CAP, bold=True, align="centre", middle=True, turn=upright(heading)[0])
    return Candidate(words=words)


def _mark_names(site: Site, layout: Layout, view: View) -> list[tuple[str, list[Candidate]]]:
    return [
        (mark.name, round_about(mark.name, view.on_sheet(mark.place), NAME_CAP, (2.6, 4.0, 6.0, 9.0)))
        for mark in site.marks
        if is_mark(mark, layout) and view.shows(mark.place)
    ]


def round_about(text: str, centre: Point, cap: float, distances: Sequence[float], *, bold: bool = True) -> list[Candidate]:
    """Return level places round a point: right, left, above, below, and between, ever farther out."""
    candidates = []
    for distance in distances:
        for angle in (0, 180, 90, 270, 45, 135, 315, 225):
            dx, dy = math.cos(math.radians(angle)), math.sin(math.radians(angle))
            at = (centre[0] + dx * distance, centre[1] + dy * distance)
            align = "left" if dx > 0.5 else "right" if dx < -0.5 else "centre"
            leader = ((centre[0] + dx * 0.5, centre[1] + dy * 0.5), (at[0] - dx, at[1] - dy)) if distance > 4.2 else None
            words = Words(text=text, at=at, cap=cap, bold=bold, align=align, middle=True)  # type: ignore[arg-type]  # one of three
            candidates.append(Candidate(words=words, leader=leader))
    return candidates
