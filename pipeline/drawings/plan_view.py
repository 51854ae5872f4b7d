"""How the site is laid on a sheet: extents, scale and place of the overview, and the detail sheets where that is too dense."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Sequence

import msgspec

from pipeline.drawings.ink import Words
from pipeline.drawings.label_placing import Bounds, upright
from pipeline.drawings.paper import GAP, Frame, Orientation, Scale, frame_of, largest_scale, scales_of
from pipeline.geometry.chain import Chain, Point
from pipeline.model.layout import Hole, Layout
from pipeline.model.shop import Paper
from pipeline.model.site import Mark as MarkPoint
from pipeline.model.site import Site
from pipeline.units import ReportUnits

LEGEND = 21.0  # [mm] band above the title strip with legend, scale bar and north
LABEL_ROOM = 13.0  # [mm] kept free round the fence for hole numbers
NAME_CAP = 2.1  # [mm]
DENSEST = 200.0  # a smaller scale than 1:200 leaves no room for every hole's number
_ORIENTATIONS: tuple[Orientation, ...] = ("upright", "lying")
_LENGTHY = 2.0  # times as long as it is wide
_LONGEST = 6  # pieces of the hole line whose directions a sheet may be turned to
_LEAST_TURN = math.radians(2.0)  # [rad] less is not worth a north arrow that leans
_TURN_DIGITS = 3  # of a turn [rad]
_CLEAR_OF_GATE = 3  # holes between a match line and a gate, at least
_MARKS_WITHIN = 8.0  # [m] of fence and water, or six tenths of their extent: marks farther off are in the table only


class View(msgspec.Struct, frozen=True, kw_only=True):
    """A window on the site: `centre` of the site [m] stands at `middle` of the sheet [mm]; `area` is the window [mm].

    `turn` is how far the site is turned on the sheet, counter-clockwise [rad]: 0 is north up.
    """

    scale: Scale
    centre: Point
    middle: Point
    area: Bounds
    turn: float = 0.0

    def on_sheet(self, point: Point) -> Point:
        """Return where a point of the site [m] lies on the sheet [mm]."""
        factor = 1000 / self.scale.ratio
        x, y = turned((point[0] - self.centre[0], point[1] - self.centre[1]), self.turn)
        return (self.middle[0] + x * factor, self.middle[1] + y * factor)

    def on_site(self, point: Point) -> Point:
        """Return the point of the site [m] under a place on the sheet [mm]."""
        factor = self.scale.ratio / 1000
        x, y = turned(((point[0] - self.middle[0]) * factor, (point[1] - self.middle[1]) * factor), -self.turn)
        return (self.centre[0] + x, self.centre[1] + y)

    def shows(self, point: Point, margin: float = 0.0) -> bool:
        """Say whether a point of the site lies in the window, at least `margin` [mm] from its edge."""
        x, y = self.on_sheet(point)
        left, bottom, right, top = self.area
        return left + margin <= x <= right - margin and bottom + margin <= y <= top - margin


def turned(point: Point, angle: float) -> Point:
    """Return a point turned about the origin, counter-clockwise [rad]."""
    if not angle:
        return point
    cosine, sine = math.cos(angle), math.sin(angle)
    return (point[0] * cosine - point[1] * sine, point[0] * sine + point[1] * cosine)


def bounds_of(points: Iterable[Point]) -> Bounds:
    """Return (left, bottom, right, top) of points."""
    xs, ys = zip(*points, strict=True)
    return (min(xs), min(ys), max(xs), max(ys))


def site_bounds(site: Site, layout: Layout, turn: float = 0.0) -> Bounds:
    """Return the part of the site the plan shows [m], with the site turned: fence and water whole, deck, walls and marks as far as they are near."""

    def seen(points: Iterable[Point]) -> list[Point]:
        return [turned(point, turn) for point in points]

    core = bounds_of(seen([hole.place for hole in layout.holes] + [point for line in site.waters for point in _points(line.chain)]))
    reach = max(2.5, 0.35 * max(core[2] - core[0], core[3] - core[1]))
    outer = (core[0] - reach, core[1] - reach, core[2] + reach, core[3] + reach)
    near = [_clamped(point, outer) for line in (*site.decks, *site.walls) for point in seen(_points(line.chain))]
    far = max(_MARKS_WITHIN, 0.6 * max(core[2] - core[0], core[3] - core[1]))
    around = (core[0] - far, core[1] - far, core[2] + far, core[3] + far)
    near += [place for place in seen(mark.place for mark in site.marks if is_mark(mark, layout)) if _within(place, around)]
    near += seen(point for gate in layout.gates for point in gate.swing)
    return bounds_of([core[:2], core[2:], *near])


def _points(chain: Chain) -> list[Point]:
    return [(float(x), float(y)) for x, y in chain.densified(0.05)]


def _clamped(point: Point, bounds: Bounds) -> Point:
    return (min(max(point[0], bounds[0]), bounds[2]), min(max(point[1], bounds[1]), bounds[3]))


def _within(point: Point, bounds: Bounds) -> bool:
    return _clamped(point, bounds) == point


def drawn_bounds(site: Site, layout: Layout) -> Bounds:
    """Return the extent of all that stands in the model space [m], however far off."""
    lines = [*site.waters, *site.copings, *site.decks, *site.walls, *site.joints, *site.drains, *site.utilities]
    chains = [*(line.chain for line in lines), *(riser.nosing for riser in site.risers)]
    chains += [thing.outline for thing in (*site.objects, *site.point_hazards)]
    points = [hole.place for hole in layout.holes] + [mark.place for mark in site.marks] + [point for gate in layout.gates for point in gate.swing]
    return bounds_of(points + [point for chain in chains for point in _points(chain)])


def overview(site: Site, layout: Layout, paper: Paper, units: ReportUnits) -> tuple[Frame, View]:
    """Choose the sheet's orientation and the largest standard scale at which the whole fence shows with its numbers.

    North is up unless turning the site along the sheet gives a larger standard scale; a long site lies along the sheet at the same scale.
    """
    options = []
    for turn in (0.0, *_turns(layout)):
        site_box = site_bounds(site, layout, turn)
        fence_box = bounds_of(turned(hole.place, turn) for hole in layout.holes)
        centre = turned(((site_box[0] + site_box[2]) / 2, (site_box[1] + site_box[3]) / 2), -turn)
        for orientation in _ORIENTATIONS:
            frame = frame_of(paper, orientation)
            area = plan_area(frame)
            scale = _scale_for(site_box, fence_box, (area[2] - area[0], area[3] - area[1]), units)
            middle = ((area[0] + area[2]) / 2, (area[1] + area[3]) / 2)
            across = (frame.width > frame.height) == (_size(site_box)[0] > _size(site_box)[1])
            lengthy = max(_size(site_box)) > _LENGTHY * min(_size(site_box))
            view = View(scale=scale, centre=centre, middle=middle, area=area, turn=turn)
            options.append(((scale.ratio, turn != 0.0, lengthy and not across), frame, view))
    _, frame, view = min(options, key=lambda option: option[0])
    return frame, view


def _turns(layout: Layout) -> list[float]:
    """Return the turns [rad] that lay a piece of the hole line level or upright, the longest piece first; never past a quarter."""
    headings = [math.atan2(end[1] - start[1], end[0] - start[0]) % (math.pi / 2) for start, end in _chords(layout.line)]
    turns = [round(turn, _TURN_DIGITS) for heading in headings for turn in sorted((-heading, math.pi / 2 - heading), key=abs)]
    return list(dict.fromkeys(turn for turn in turns if abs(turn) > _LEAST_TURN))


def _chords(line: Chain) -> list[tuple[Point, Point]]:
    """Return the chords of a line's longest pieces."""
    pieces = sorted(line.pieces(), key=lambda piece: -round(piece.chord, 3))[:_LONGEST]
    return [(piece.start, piece.end) for piece in pieces if piece.chord > 0]


def _scale_for(site_box: Bounds, fence_box: Bounds, room: tuple[float, float], units: ReportUnits) -> Scale:
    whole = largest_scale(_size(site_box), (room[0] - 4, room[1] - 4), units)
    numbered = largest_scale(_size(fence_box), (room[0] - 2 * LABEL_ROOM, room[1] - 2 * LABEL_ROOM), units)
    return max(whole, numbered, key=lambda scale: scale.ratio)


def _size(bounds: Bounds) -> Point:
    return (bounds[2] - bounds[0], bounds[3] - bounds[1])


def plan_area(frame: Frame) -> Bounds:
    """Return the window of a plan sheet [mm]: above the legend band."""
    return (frame.left, frame.bottom + LEGEND + GAP, frame.right, frame.top)


class Detail(msgspec.Struct, frozen=True, kw_only=True):
    """A detail sheet: its window, the stretch of the walk it is for, and the match lines at the stretch's ends.

    Parameters
    ----------
    holes : tuple of str
        Names of the stretch's holes, in walking order.
    matches : tuple of MatchLine
    """

    frame: Frame
    view: View
    holes: tuple[str, ...]
    matches: tuple[MatchLine, ...]


class MatchLine(msgspec.Struct, frozen=True, kw_only=True):
    """Where one detail sheet hands over to the next: a line across the fence [mm], and which sheet goes on there."""

    line: tuple[Point, Point]
    words: Words


def details(layout: Layout, paper: Paper, units: ReportUnits, whole: View) -> tuple[Detail, ...]:
    """Cover the whole fence by detail sheets at a scale that leaves room for every number, each sheet upright or lying as it holds more.

    They are turned as the overview `whole` is, so that a crew need not turn its head between sheets.
    """
    scale = detail_scale(units, whole.scale)
    frames = [frame_of(paper, orientation) for orientation in _ORIENTATIONS]
    line = [hole for hole in layout.holes if hole.role != "pocket"]
    line = _begun_in_the_clear(line) if layout.closed else line
    stretches = list(_stretches([*line, *line[:1]] if layout.closed else line, [_detail_reach(frame, scale) for frame in frames], whole.turn))
    found = []
    for number, (which, stretch) in enumerate(stretches, 1):
        frame, area = frames[which], plan_area(frames[which])
        box = bounds_of(turned(hole.place, whole.turn) for hole in stretch)
        middle = ((area[0] + area[2]) / 2, (area[1] + area[3]) / 2)
        centre = turned(((box[0] + box[2]) / 2, (box[1] + box[3]) / 2), -whole.turn)
        view = View(scale=scale, centre=centre, middle=middle, area=area, turn=whole.turn)
        before, after = _neighbours(number, len(stretches), layout.closed)
        matches = [_match_line(stretch[0], stretch[1], view, before, -1.0)] if before else []
        matches += [_match_line(stretch[-1], stretch[-2], view, after, 1.0)] if after else []
        found.append(Detail(frame=frame, view=view, holes=tuple(hole.name for hole in stretch), matches=tuple(matches)))
    return tuple(found)


def _begun_in_the_clear(line: list[Hole]) -> list[Hole]:
    """Return a loop's holes begun where no gate is near, so that no match line crosses one."""
    clear = (index for index in range(len(line)) if not _at_gate(line, index))
    first = next(clear, 0)
    return [*line[first:], *line[:first]]


def _at_gate(line: Sequence[Hole], index: int) -> bool:
    """Say whether a gate's hole is among a hole and its neighbours."""
    return any(line[(index + step) % len(line)].role == "gate" for step in range(-_CLEAR_OF_GATE, _CLEAR_OF_GATE + 1))


def _detail_reach(frame: Frame, scale: Scale) -> tuple[float, float]:
    """Return the (width, height) [m] a stretch may have on a detail sheet with its numbers round it."""
    left, bottom, right, top = plan_area(frame)
    return ((right - left - 2 * LABEL_ROOM - 8) * scale.ratio / 1000, (top - bottom - 2 * LABEL_ROOM - 8) * scale.ratio / 1000)


def _neighbours(number: int, count: int, closed: bool) -> tuple[int, int]:
    """Return the numbers of the sheets before and after one, 0 where there is none."""
    if count == 1:
        return (0, 0)
    before = number - 1 or (count if closed else 0)
    after = number + 1 if number < count else (1 if closed else 0)
    return (before, after)


def _match_line(at: Hole, inward: Hole, view: View, goes_on: int, outward: float) -> MatchLine:
    """Return the line across the fence at a hole, its words beyond it, away from the pool (1: to the left of the way inward, -1: right)."""
    x, y = view.on_sheet(at.place)
    heading = math.atan2(inward.north - at.north, inward.east - at.east) + view.turn
    across = (-math.sin(heading) * outward, math.cos(heading) * outward)
    back = (-math.cos(heading) * 2.2, -math.sin(heading) * 2.2)
    turn, reversed_ = upright(math.atan2(across[1], across[0]))
    start = (x + back[0] + across[0] * 1.5, y + back[1] + across[1] * 1.5)
    words = Words(text=f"to Detail {goes_on}", at=start, cap=NAME_CAP, turn=turn, middle=True, align="right" if reversed_ else "left", layer="LABEL")
    line = ((x - across[0] * 6, y - across[1] * 6), (x + across[0] * 19, y + across[1] * 19))
    return MatchLine(line=line, words=words)


def detail_scale(units: ReportUnits, overview_scale: Scale) -> Scale:
    """Return the scale of the details: about twice the overview's, and never smaller than every number needs."""
    wanted = min(overview_scale.ratio / 2, 100.0)
    return next(scale for scale in reversed(scales_of(units)) if scale.ratio <= wanted)


def _stretches(holes: Sequence[Hole], reaches: Sequence[tuple[float, float]], turn: float) -> Iterator[tuple[int, list[Hole]]]:
    """Cut the walk into stretches, each as long as fits in the best of `reaches` (width, height) [m]; yields (which of them, holes)."""
    start = 0
    while start < len(holes) - 1:
        ends = [_end_within(holes, start, reach, turn) for reach in reaches]
        which = max(range(len(reaches)), key=lambda index: (ends[index], -index))
        end = ends[which]
        while end < len(holes) - 1 and end > start + 2 * _CLEAR_OF_GATE and _at_gate(holes, end):
            end -= 1
        yield which, list(holes[start : end + 1])
        start = end


def _end_within(holes: Sequence[Hole], start: int, reach: tuple[float, float], turn: float) -> int:
    """Return the index of the last hole that still fits with hole `start` in `reach`; the next one at least."""
    end = start + 1
    while end + 1 < len(holes):
        box = bounds_of(turned(hole.place, turn) for hole in holes[start : end + 2])
        if box[2] - box[0] > reach[0] or box[3] - box[1] > reach[1]:
            break
        end += 1
    return end


def is_mark(mark: MarkPoint, layout: Layout) -> bool:
    """Say whether the crew measures from this mark: every MARK, and a wall's corner only where a hole is tied to it."""
    return mark.kind == "mark" or any(tie.mark == mark.name for hole in layout.holes for tie in hole.ties)
