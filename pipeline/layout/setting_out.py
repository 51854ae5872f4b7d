"""How the crew finds a hole on the deck: two tape ties that cross well, and distances across to check by."""

from __future__ import annotations

import math
from typing import Final

import numpy as np

from pipeline.geometry.chain import Point
from pipeline.model.layout import CheckDistance, Hole, TapeTie
from pipeline.model.shop import SettingOut
from pipeline.model.site import Mark

ANGLE_LEAST: Final = math.radians(30.0)  # [rad] ties that cross flatter than this, or than its supplement, place nothing well (common practice)


def ties_for(place: Point, marks: tuple[Mark, ...], setting_out: SettingOut) -> tuple[tuple[TapeTie, ...], float | None]:
    """Return the two tape ties that place a hole best, and the standard error of the mark so set out in its worse direction [m].

    Notes
    -----
    Two ties of standard errors s1, s2 that cross at an angle g have the normal matrix N = a aᵀ/s1² + b bᵀ/s2²; the worse direction's
    standard error is 1/sqrt(least eigenvalue), which for equal ties is s / sqrt(1 - |cos g|).
    """
    reachable = [(mark, math.dist(mark.place, place)) for mark in marks]
    reachable = [(mark, far) for mark, far in reachable if 0.05 < far <= setting_out.tape_length]
    best: tuple[float, tuple[TapeTie, ...]] | None = None
    for index, (one, far_one) in enumerate(reachable):
        for other, far_other in reachable[index + 1 :]:
            crossing = _crossing(place, one.place, other.place)
            if not ANGLE_LEAST <= crossing <= math.pi - ANGLE_LEAST:
                continue
            worse = _worse_error(crossing, *(math.hypot(setting_out.mark_sigma, mark.sigma) for mark in (one, other)))
            if best is None or worse < best[0] - 1e-9:
                best = (worse, (TapeTie(mark=one.name, distance=far_one), TapeTie(mark=other.name, distance=far_other)))
    return (best[1], best[0]) if best else ((), None)


def distances_across(holes: tuple[Hole, ...], *, closed: bool) -> tuple[CheckDistance, ...]:
    """Return distances by which the crew checks its marks: across the fence, quarter against quarter, and end to end."""
    line = [hole for hole in holes if hole.role != "pocket"]
    count = len(line)
    if count < 4:
        return ()
    eighths = [line[count * part // 8] for part in range(8)]
    pairs = [(eighths[part], eighths[part + 4]) for part in range(4)]
    if not closed:
        pairs.append((line[0], line[-1]))
    return tuple(CheckDistance(first=a.name, second=b.name, distance=math.dist(a.place, b.place)) for a, b in pairs if a.name != b.name)


def _crossing(place: Point, one: Point, other: Point) -> float:
    bearings = (math.atan2(mark[1] - place[1], mark[0] - place[0]) for mark in (one, other))
    first, second = bearings
    return abs(math.remainder(first - second, 2 * math.pi))


def _worse_error(crossing: float, one: float, other: float) -> float:
    weights = np.array([1 / one**2, 1 / other**2])
    rays = np.array([[1.0, 0.0], [math.cos(crossing), math.sin(crossing)]])
    normal = np.einsum("k,ki,kj->ij", weights, rays, rays)
    return 1 / math.sqrt(float(np.linalg.eigvalsh(normal)[0]))
