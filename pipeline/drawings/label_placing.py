"""Place labels so that none lies on another, on a line of the fence, or outside the sheet.

Greedy in the order given, over candidate places in order of preference; the same input gives the same places.  Boxes may be
turned; overlap is told by separating axes (S. Gottschalk, M. C. Lin, D. Manocha, OBBTree, SIGGRAPH 1996, sect. 5, in the
plane), where a line is a box without height.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterable, Sequence

import msgspec
import numpy as np
from numpy.typing import NDArray

from pipeline.drawings.ink import Words, extent
from pipeline.geometry.chain import Point

_SOFT = 3.5  # [mm] of leader that keeping clear of an edge is worth
Box = tuple[float, float, float, float, float]  # centre x, y, half width, half height [mm], turn [rad]


class Candidate(msgspec.Struct, frozen=True, kw_only=True):
    """One place a label could take: its words, and its leader line from the thing it names (or None)."""

    words: Words
    leader: tuple[Point, Point] | None = None


class Placed(msgspec.Struct, frozen=True, kw_only=True):
    """A label where it was put; `free` is False where every candidate lay on something."""

    key: str
    candidate: Candidate
    free: bool


class Obstacles:
    """Boxes and lines that labels have to keep clear of, all in one array."""

    def __init__(self) -> None:
        self._rows = np.empty((64, 5))
        self._count = 0

    @property
    def boxes(self) -> NDArray[np.float64]:
        """(n, 5) array of centre x, y, half width, half height [mm] and turn [rad]"""
        return self._rows[: self._count]

    def add_box(self, box: Box) -> None:
        if self._count == len(self._rows):
            self._rows = np.vstack([self._rows, np.empty_like(self._rows)])
        self._rows[self._count] = box
        self._count += 1

    def add_line(self, start: Point, end: Point, half_height: float = 0.0) -> None:
        self.add_box(line_box(start, end, half_height))

    def add_polyline(self, points: Sequence[Point], half_height: float = 0.0) -> None:
        for start, end in itertools.pairwise(points):
            self.add_line(start, end, half_height)

    def overlapped(self, box: Box) -> int:
        """Return how many obstacles the box lies on."""
        return int(np.count_nonzero(overlaps(box, self.boxes)))


def line_box(start: Point, end: Point, half_height: float = 0.0) -> Box:
    """Return a line as a box `half_height` [mm] to either side of it."""
    dx, dy = end[0] - start[0], end[1] - start[1]
    return ((start[0] + end[0]) / 2, (start[1] + end[1]) / 2, math.hypot(dx, dy) / 2, half_height, math.atan2(dy, dx))


def words_box(words: Words, clearance: float = 0.0) -> Box:
    """Return the box a line of text fills, with `clearance` [mm] round it."""
    (x, y), half_width, half_height, turn = extent(words)
    return (x, y, half_width + clearance, half_height + clearance, turn)


def overlaps(box: Box, others: NDArray[np.float64]) -> NDArray[np.bool_]:
    """Say of each other box whether it shares area with `box` (touching is not sharing)."""
    x, y, half_width, half_height, turn = box
    dx, dy = others[:, 0] - x, others[:, 1] - y
    between = others[:, 4] - turn
    cosine, sine = np.abs(np.cos(between)), np.abs(np.sin(between))
    apart = np.abs(dx * math.cos(turn) + dy * math.sin(turn)) >= half_width + others[:, 2] * cosine + others[:, 3] * sine
    apart |= np.abs(dy * math.cos(turn) - dx * math.sin(turn)) >= half_height + others[:, 2] * sine + others[:, 3] * cosine
    own_cosine, own_sine = np.cos(others[:, 4]), np.sin(others[:, 4])
    apart |= np.abs(dx * own_cosine + dy * own_sine) >= others[:, 2] + half_width * cosine + half_height * sine
    apart |= np.abs(dy * own_cosine - dx * own_sine) >= others[:, 3] + half_width * sine + half_height * cosine
    return ~apart


def inside(box: Box, area: tuple[float, float, float, float]) -> bool:
    """Say whether a box lies wholly within `area` = (left, bottom, right, top) [mm]."""
    x, y, half_width, half_height, turn = box
    reach_x = half_width * abs(math.cos(turn)) + half_height * abs(math.sin(turn))
    reach_y = half_width * abs(math.sin(turn)) + half_height * abs(math.cos(turn))
    return area[0] <= x - reach_x and x + reach_x <= area[2] and area[1] <= y - reach_y and y + reach_y <= area[3]


def place_labels(
    wanted: Iterable[tuple[str, Sequence[Candidate]]],
    hard: Obstacles,
    soft: Obstacles,
    area: tuple[float, float, float, float],
    clearance: float = 0.3,
) -> tuple[Placed, ...]:
    """Give every label the first of its candidates that is free; `hard` grows by what is placed.

    Parameters
    ----------
    wanted : iterable of (key, candidates)
        In order of importance; candidates in order of preference.
    hard : Obstacles
        Lines and boxes that no label may touch: the fence, dimensions, labels placed before.
    soft : Obstacles
        Lines a label keeps clear of where it can: edges of water, deck and walls.
    area : tuple of float
        (left, bottom, right, top) of the drawing area [mm].
    clearance : float
        Kept round every label [mm].

    Returns
    -------
    tuple of Placed
        In the order wanted; one for which nothing was free is not to be drawn, and adds no obstacle.
    """
    placed = []
    for key, candidates in wanted:
        possible = [each for each in candidates if _is_free(each, hard, area, clearance)]
        if not possible:
            placed.append(Placed(key=key, candidate=candidates[0], free=False))
            continue
        candidate = min(possible, key=lambda each: _reach(each) + (_SOFT if soft.overlapped(words_box(each.words, clearance)) else 0.0))
        hard.add_box(words_box(candidate.words))
        if candidate.leader is not None:
            hard.add_line(*candidate.leader)
        placed.append(Placed(key=key, candidate=candidate, free=True))
    return tuple(placed)


def _reach(candidate: Candidate) -> float:
    """Return how far a label stands from the thing it names [mm]; among equals the one listed first wins."""
    return 0.0 if candidate.leader is None else math.dist(candidate.leader[0], candidate.leader[1])


def _is_free(candidate: Candidate, hard: Obstacles, area: tuple[float, float, float, float], clearance: float) -> bool:
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
    """Return (turn [rad] in (-90, 90] degrees, whether it was reversed) so that a line of text reads from below or the right."""
    turned = math.atan2(math.sin(turn), math.cos(turn))
    if turned > math.pi / 2 + 1e-9:
        return turned - math.pi, True
    if turned <= -math.pi / 2 + 1e-9:
        return turned + math.pi, True
    return turned, False
