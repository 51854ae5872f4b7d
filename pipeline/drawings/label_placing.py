"""Place labels so that none lies on another, on a line of the fence, or outside the sheet.

Greedy in the order given, over candidate places in order of preference; the same input gives the same places.  Boxes may be
turned; overlap is told by separating axes (S. Gottschalk, M. C. Lin, D. Manocha, OBBTree, SIGGRAPH 1996, sect. 5, in the
plane), where a line is a box without height.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Sequence
from itertools import pairwise

import msgspec

from pipeline.drawings.ink import Words, extent
from pipeline.geometry.chain import Point

_SOFT = 3.5  # [mm] of leader that keeping clear of an edge is worth
_FIRM = 1000.0  # [mm] the same of what is written over only where no other place is free
_PAST_VERTICAL = math.radians(
    8.0
)  # [rad] words this near to the vertical all read from the right: along a fence that runs up the sheet none is upside down
Bounds = tuple[float, float, float, float]  # left, bottom, right, top [mm]
_CELL = 10.0  # [mm] side of a square of the grid
_MOST_PIECES = 2000  # of a line, however far it runs
Box = tuple[float, float, float, float, float]  # centre x, y, half width, half height [mm], turn [rad]


class Candidate(msgspec.Struct, frozen=True, kw_only=True):
    """One place a label could take: its words, its leader line from the thing it names (or None), and how unwelcome it is [mm of leader]."""

    words: Words
    leader: tuple[Point, Point] | None = None
    unwelcome: float = 0.0


class Placed(msgspec.Struct, frozen=True, kw_only=True):
    """A label where it was put; `free` is False where every candidate lay on something."""

    key: str
    candidate: Candidate
    free: bool


class Obstacles:
    """Boxes and lines that labels have to keep clear of, found by the squares of a grid they lie in."""

    def __init__(self, area: Bounds) -> None:
        self._area = (area[0] - _CELL, area[1] - _CELL, area[2] + _CELL, area[3] + _CELL)
        self._cells: dict[tuple[int, int], list[Box]] = {}

    def copy(self) -> Obstacles:
        """Return the same obstacles, to be added to apart."""
        other = Obstacles(self._area)
        other._area = self._area
        other._cells = {cell: list(boxes) for cell, boxes in self._cells.items()}
        return other

    def add_all(self, others: Obstacles) -> None:
        """Add what others have."""
        for cell, boxes in others._cells.items():
            self._cells.setdefault(cell, []).extend(boxes)

    def add_box(self, box: Box) -> None:
        """Add a box; one that lies outside the area is of no concern."""
        left, bottom, right, top = reach(box)
        if right < self._area[0] or left > self._area[2] or top < self._area[1] or bottom > self._area[3]:
            return
        for cell in _cells(left, bottom, right, top):
            self._cells.setdefault(cell, []).append(box)

    def add_line(self, start: Point, end: Point, half_height: float = 0.0) -> None:
        """Add a line, in pieces no longer than a square of the grid."""
        pieces = min(math.ceil(math.dist(start, end) / _CELL) or 1, _MOST_PIECES)
        steps = [(start[0] + (end[0] - start[0]) * step / pieces, start[1] + (end[1] - start[1]) * step / pieces) for step in range(pieces + 1)]
        for first, second in pairwise(steps):
            self.add_box(line_box(first, second, half_height))

    def add_polyline(self, points: Sequence[Point], half_height: float = 0.0) -> None:
        for start, end in pairwise(points):
            self.add_line(start, end, half_height)

    def overlapped(self, box: Box) -> bool:
        """Say whether the box lies on any obstacle."""
        return any(overlap(box, other) for cell in _cells(*reach(box)) for other in self._cells.get(cell, ()))


def _cells(left: float, bottom: float, right: float, top: float) -> Iterator[tuple[int, int]]:
    for column in range(math.floor(left / _CELL), math.floor(right / _CELL) + 1):
        for row in range(math.floor(bottom / _CELL), math.floor(top / _CELL) + 1):
            yield column, row


def line_box(start: Point, end: Point, half_height: float = 0.0) -> Box:
    """Return a line as a box `half_height` [mm] to either side of it."""
    dx, dy = end[0] - start[0], end[1] - start[1]
    return ((start[0] + end[0]) / 2, (start[1] + end[1]) / 2, math.hypot(dx, dy) / 2, half_height, math.atan2(dy, dx))


def words_box(words: Words, clearance: float = 0.0) -> Box:
    """Return the box a line of text fills, with `clearance` [mm] round it."""
    (x, y), half_width, half_height, turn = extent(words)
    return (x, y, half_width + clearance, half_height + clearance, turn)


def overlap(box: Box, other: Box) -> bool:
    """Say whether two boxes share area (touching is not sharing).

    Examples
    --------
    >>> overlap((0, 0, 2, 1, 0), (3.5, 0, 2, 1, 0)), overlap((0, 0, 2, 1, 0), (4, 0, 2, 1, 0))
    (True, False)
    """
    x, y, half_width, half_height, turn = box
    other_x, other_y, other_width, other_height, other_turn = other
    dx, dy = other_x - x, other_y - y
    far = math.hypot(half_width, half_height) + math.hypot(other_width, other_height)
    if dx * dx + dy * dy >= far * far:
        return False
    cosine, sine = abs(math.cos(other_turn - turn)), abs(math.sin(other_turn - turn))
    along, up = math.cos(turn), math.sin(turn)
    if abs(dx * along + dy * up) >= half_width + other_width * cosine + other_height * sine:
        return False
    if abs(dy * along - dx * up) >= half_height + other_width * sine + other_height * cosine:
        return False
    along, up = math.cos(other_turn), math.sin(other_turn)
    if abs(dx * along + dy * up) >= other_width + half_width * cosine + half_height * sine:
        return False
    return abs(dy * along - dx * up) < other_height + half_width * sine + half_height * cosine


def reach(box: Box) -> Bounds:
    """Return (left, bottom, right, top) of a box [mm]."""
    x, y, half_width, half_height, turn = box
    cosine, sine = abs(math.cos(turn)), abs(math.sin(turn))
    across, up = half_width * cosine + half_height * sine, half_width * sine + half_height * cosine
    return (x - across, y - up, x + across, y + up)


def inside(box: Box, area: Bounds) -> bool:
    """Say whether a box lies wholly within `area` [mm]."""
    left, bottom, right, top = reach(box)
    return area[0] <= left and right <= area[2] and area[1] <= bottom and top <= area[3]


def place_labels(
    wanted: Iterable[tuple[str, Sequence[Candidate]]],
    hard: Obstacles,
    soft: Obstacles,
    area: Bounds,
    clearance: float = 0.3,
    firm: Obstacles | None = None,
) -> tuple[Placed, ...]:
    """Give every label the first of its candidates that is free; `hard` grows by what is placed.

    Parameters
    ----------
    wanted : iterable of (key, candidates)
        In order of importance; candidates in order of preference.
    hard : Obstacles
        Lines and boxes that no label may touch: the fence, dimensions, labels placed before.
    soft : Obstacles
        Lines a label keeps clear of where that costs little: edges of deck and walls.
    area : tuple of float
        (left, bottom, right, top) of the drawing area [mm].
    clearance : float
        Kept round every label [mm].
    firm : Obstacles or None
        Lines a label lies on only where every other of its places is taken: the water's edge, objects, the swing of a gate.

    Returns
    -------
    tuple of Placed
        In the order wanted; one for which nothing was free is not to be drawn, and adds no obstacle.
    """
    placed = []
    for key, candidates in wanted:
        candidate = _best(candidates, hard, _Edges(soft, firm), area, clearance)
        if candidate is None:
            placed.append(Placed(key=key, candidate=candidates[0], free=False))
            continue
        hard.add_box(words_box(candidate.words))
        if candidate.leader is not None:
            hard.add_line(*candidate.leader)
        placed.append(Placed(key=key, candidate=candidate, free=True))
    return tuple(placed)


class _Edges:
    """Lines that words may lie on, at a price."""

    def __init__(self, soft: Obstacles, firm: Obstacles | None) -> None:
        self._soft, self._firm = soft, firm

    def price(self, box: Box) -> float:
        """Return how much longer a leader [mm] may be to keep a box clear of what it lies on."""
        if self._firm is not None and self._firm.overlapped(box):
            return _FIRM
        return _SOFT if self._soft.overlapped(box) else 0.0


def _best(candidates: Sequence[Candidate], hard: Obstacles, edges: _Edges, area: Bounds, clearance: float) -> Candidate | None:
    """Return the free candidate that is nearest to its thing, an edge under the words counted as so much more way."""
    best, least = None, math.inf
    for way, candidate in sorted(((_way(each), each) for each in candidates), key=lambda pair: pair[0]):
        if way >= least:
            break
        if not _is_free(candidate, hard, area, clearance):
            continue
        whole = way + edges.price(words_box(candidate.words, clearance))
        if whole < least:
            best, least = candidate, whole
    return best


def _way(candidate: Candidate) -> float:
    """Return how far a label stands from the thing it names, or feels like it [mm]; among equals the one listed first wins."""
    length = 0.0 if candidate.leader is None else math.dist(candidate.leader[0], candidate.leader[1])
    return length + candidate.unwelcome


def _is_free(candidate: Candidate, hard: Obstacles, area: Bounds, clearance: float) -> bool:
    box = words_box(candidate.words, clearance)
    if not inside(box, area) or hard.overlapped(box):
        return False
    return candidate.leader is None or not hard.overlapped(_shortened(candidate.leader))


def _shortened(leader: tuple[Point, Point]) -> Box:
    """Return the leader's line without its first 0.6 mm, which stand on the thing it names, and its last 0.2 mm."""
    (x0, y0), (x1, y1) = leader
    length = math.hypot(x1 - x0, y1 - y0)
    if length <= 0.8:
        return line_box(((x0 + x1) / 2, (y0 + y1) / 2), ((x0 + x1) / 2, (y0 + y1) / 2))
    ux, uy = (x1 - x0) / length, (y1 - y0) / length
    return line_box((x0 + 0.6 * ux, y0 + 0.6 * uy), (x1 - 0.2 * ux, y1 - 0.2 * uy))


def upright(turn: float) -> tuple[float, bool]:
    """Return (turn [rad] in (-82, 98] degrees, whether it was reversed) so that a line of text reads from below or the right."""
    turned = math.atan2(math.sin(turn), math.cos(turn))
    if turned > math.pi / 2 + _PAST_VERTICAL + 1e-9:
        return turned - math.pi, True
    if turned <= -math.pi / 2 + _PAST_VERTICAL + 1e-9:
        return turned + math.pi, True
    return turned, False
