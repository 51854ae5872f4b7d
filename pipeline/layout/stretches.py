"""The fence divided where its holes are given: at walls, ends and risers; each stretch between is laid out by itself."""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass

import numpy as np

from pipeline.errors import LayoutError, Reason
from pipeline.geometry.chain import Chain, Point
from pipeline.layout.gates import GatePlaces
from pipeline.layout.grid import Grid, Measures
from pipeline.layout.optimum import Found, GateMoves, Way, search
from pipeline.layout.reach import Row
from pipeline.layout.tables import NEVER
from pipeline.layout.walk import Floats, Walk
from pipeline.model.site import Riser

SAMPLE = 0.05  # [m] between the places at which the line is looked at for a riser
MORE_CUSTOMS = 2  # custom panels more than the fewest that are tried to keep their posts off forbidden ground
RUN_OUT = 0.10  # [m] a nosing counts as running on by this beyond its last shot
SQUARE_LEAST = math.radians(60.0)  # [rad] own judgement: a flatter crossing leaves the holes too near to the edge


@dataclass(frozen=True)
class Crossing:
    """Where the line crosses a riser: its station [m] and the angle between the two [rad]."""

    station: float
    riser: str
    angle: float


def crossings_of(walk: Walk, first: float, last: float, risers: tuple[Riser, ...]) -> tuple[Crossing, ...]:
    """Return every riser crossed between two stations [m], in walking order."""
    stations = np.linspace(first, last, max(2, math.ceil((last - first) / SAMPLE)))
    found = [crossing for riser in risers for crossing in _crossings(walk, stations, riser)]
    return tuple(sorted(found, key=lambda crossing: (crossing.station, crossing.riser)))


def best_between(grid: Grid, sizes: Measures, gates: tuple[GateMoves, ...], *, custom: bool) -> Found | None:
    """Return the best way from the grid's first node to its last, of whole panels only or with custom ones, whose inner posts are not looked at; None without any."""
    way = _searched(grid, sizes, gates, custom=custom)
    return Found(way, way.key) if way else None


def careful_between(grid: Grid, sizes: Measures, gates: tuple[GateMoves, ...], found: Found) -> Found | None:
    """Return the best way whose custom panels keep their inner posts off forbidden ground, from one found without looking at those; None without any.

    Notes
    -----
    No way can have fewer custom panels than `found`, so ways with as many are looked through first, then those with one more.
    """
    ways = (_searched(grid, sizes, gates, custom=True, careful=most) for most in range(found.customs, found.customs + MORE_CUSTOMS + 1))
    return next((Found(way, way.key) for way in ways if way), None)


def _searched(grid: Grid, sizes: Measures, gates: tuple[GateMoves, ...], *, custom: bool, careful: int = 0) -> Way | None:
    run = search(grid, sizes, [[(0, 0)]], gates, custom=custom, careful=careful)
    key, end = run.best_end(0, [(len(grid.stations) - 1, 0)])
    return run.way_to(0, end) if key < NEVER else None


def short_tread(walk: Walk, first: float, last: float, sizes: Measures) -> Row | None:
    """Return the single panel of a tread too short for the shop's least custom panel; None when not even two posts stand on it."""
    length = float(walk.chord(np.array([first]), np.array([last]))[0])
    if length < sizes.joint:
        return None
    return Row((first, last), ("custom",), (first, last))


def moves_of(grid: Grid, places: GatePlaces) -> GateMoves:
    """Return a gate's places as moves of the search."""
    sources, keys = np.full(len(grid.stations), -1, dtype=np.intp), np.zeros(len(grid.stations), dtype=np.int64)
    sources[places.after[::-1]], keys[places.after[::-1]] = places.before[::-1], places.moves[::-1]
    return GateMoves(sources, keys)


def too_deep(crossing: Crossing, length: float) -> LayoutError:
    """Return the hold for a tread that carries no panel."""
    return LayoutError(
        Reason(
            ref="tread-too-short",
            what=f"the tread beside STEP{crossing.riser} leaves {length * 1000:.0f} mm between its two holes",
            why="every tread that is crossed carries a panel of its own, and a panel needs two posts",
            do="end the fence before the steps, move the line to where the treads are deeper, or bridge the steps with a landing",
        )
    )


def _crossings(walk: Walk, stations: Floats, riser: Riser) -> list[Crossing]:
    corners = _run_out(riser.nosing)
    places = walk.places(stations)
    found = []
    for a, b in itertools.pairwise(corners):
        along = np.subtract(b, a)
        length = math.hypot(*along)
        off = (places - a) @ np.array([-along[1], along[0]]) / length
        for index in np.nonzero((off[:-1] > 0) != (off[1:] > 0))[0]:
            station = _zero(walk, float(stations[index]), float(stations[index + 1]), a, along / length)
            ratio = float((walk.places(np.array([station]))[0] - a) @ along) / length**2
            if 0.0 <= ratio < 1.0:
                angle = abs(math.remainder(float(walk.heading(np.array([station]))[0]) - math.atan2(along[1], along[0]), math.pi))
                found.append(Crossing(station, riser.line, angle))
    return found


def _run_out(nosing: Chain) -> list[Point]:
    """Return a nosing's corners with both ends run on by `RUN_OUT`."""
    corners = [(float(x), float(y)) for x, y in nosing.densified(1e-3)]
    first, last = _beyond(corners[1], corners[0]), _beyond(corners[-2], corners[-1])
    return [first, *corners[1:-1], last]


def _beyond(inner: Point, end: Point) -> Point:
    ratio = RUN_OUT / math.dist(inner, end)
    return (end[0] + ratio * (end[0] - inner[0]), end[1] + ratio * (end[1] - inner[1]))


def _zero(walk: Walk, low: float, high: float, a: Point, along: Floats) -> float:
    """Return the station between two [m] at which the line crosses the straight through `a`."""
    normal = np.array([-along[1], along[0]])
    sign = float((walk.places(np.array([low]))[0] - a) @ normal) > 0
    for _ in range(50):
        middle = (low + high) / 2
        if (float((walk.places(np.array([middle]))[0] - a) @ normal) > 0) is sign:
            low = middle
        else:
            high = middle
    return (low + high) / 2
