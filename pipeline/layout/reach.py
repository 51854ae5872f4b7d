"""One stretch of the fence laid out: the best way along the grid, its holes moved to equal spacings round each bend, customs given their posts."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final, Literal

import numpy as np

from pipeline.errors import LayoutError, hold
from pipeline.layout.chords import STRAIGHT_TURN
from pipeline.layout.grid import EXACT, GIVE_UNIT, Grid, Measures, bend_between
from pipeline.layout.optimum import Way
from pipeline.layout.tables import MORE_POSTS
from pipeline.layout.walk import Flags, Floats, Walk

GapKind = Literal["spacing", "custom", "joint", "hinge", "leaf", "latch"]
BELOW: Final = 1e-6  # [m] a spacing is brought this far within what still reads as less
EQUAL: Final = 1e-9  # [m] spacings are made equal to this


@dataclass(frozen=True)
class Row:
    """Holes of a stretch in walking order, and what lies between each and the next.

    Parameters
    ----------
    stations : tuple of float
        [m]
    gaps : tuple of GapKind
        One fewer than holes; for a whole loop as many, the last one leading back to the first hole.
    searched : tuple of float
        The stations the search gave the holes, before the give of every bend was spread evenly [m].
    """

    stations: tuple[float, ...]
    gaps: tuple[GapKind, ...]
    searched: tuple[float, ...]


def row_of(walk: Walk, grid: Grid, way: Way, sizes: Measures, gate_holes: dict[int, tuple[float, float]]) -> Row:
    """Return the holes of a way, with the posts of custom panels and the holes of gates in their places.

    Parameters
    ----------
    walk : Walk
        The hole line.
    grid : Grid
        What was searched.
    way : Way
        What was found.
    sizes : Measures
        The shop's lengths.
    gate_holes : dict
        Stations of hinge and latch hole by the node of the first hole after the gate.
    """
    evened, nodes = _evened(walk, grid, way, sizes), grid.stations[list(way.holes)]
    stations: list[float] = [evened[0]]
    searched: list[float] = [float(nodes[0])]
    gaps: list[GapKind] = []
    for index, kind in enumerate(way.kinds):
        end = evened[index + 1]
        if kind == "custom":
            posts = _posts_on_free_ground(walk, grid, evened[index], end, sizes)
            stations += posts
            searched += posts
            gaps += ["custom"] * (len(posts) + 1)
        elif kind == "gate":
            stations += gate_holes[way.holes[index + 1]]
            searched += gate_holes[way.holes[index + 1]]
            gaps += ["hinge", "leaf", "latch"]
        else:
            gaps.append("joint" if kind == "joint" else "spacing")
        stations.append(end)
        searched.append(float(nodes[index + 1]))
    return Row(tuple(stations), tuple(gaps), tuple(searched))


def custom_posts(walk: Walk, start: float, end: float, sizes: Measures, extra: int = 0) -> list[float]:
    """Return the stations of a custom panel's inner posts, evenly spaced by chords of at most one post spacing."""
    count = max(1, math.ceil(_chain_of_chords(walk, start, end) / sizes.spacing - EXACT)) + extra
    guess = np.linspace(start, end, count + 1)
    even = _equal_chords(walk, guess, np.zeros(count), np.ones(count))
    return [float(station) for station in even[1:-1]]


def _posts_on_free_ground(walk: Walk, grid: Grid, start: float, end: float, sizes: Measures) -> list[float]:
    """Return a custom panel's inner posts with as few more than needed as keep all of them off forbidden ground.

    Raises
    ------
    LayoutError
        When even `MORE_POSTS` more do not.
    """
    for extra in range(MORE_POSTS + 1):
        posts = custom_posts(walk, start, end, sizes, extra)
        nodes = np.clip(np.searchsorted(grid.stations, posts), 0, len(grid.stations) - 1)
        if not posts or (grid.open_nodes[nodes].all() and grid.open_nodes[np.maximum(nodes - 1, 0)].all()):
            return posts
    x, y = walk.places(np.array([(start + end) / 2]))[0]
    raise hold(
        LayoutError,
        "custom-panel-blocked",
        f"the custom panel about ({x:.2f}, {y:.2f}) m has no even spacing that keeps its posts clear of what lies in the deck",
        why="no hole may meet a joint, drain or pipe",
        do="ask for another setback or gate place, so that the custom panel falls elsewhere",
    )


def _chain_of_chords(walk: Walk, start: float, end: float) -> float:
    stations = np.linspace(start, end, 17)
    return float(walk.chord(stations[:-1], stations[1:]).sum())


def _evened(walk: Walk, grid: Grid, way: Way, sizes: Measures) -> list[float]:
    """Return the way's stations with the give spread evenly over every run of bent spacings.

    Notes
    -----
    A run reaches from one hole that is held (by a straight spacing, a gate, a custom panel or the stretch's end) to the next; its spacings become
    c + t a_k, where a_k is what the grid's best way gave the run in all, shared alike.
    """
    stations = grid.stations[list(way.holes)].astype(np.float64)
    bent = _bent(walk, stations, way)
    for first, last in _runs(way, bent):
        inner = stations[first : last + 1]
        spacing = np.array([kind == "spacing" for kind in way.kinds[first:last]])
        if spacing.any():
            moved = _equal_chords(walk, inner, np.where(spacing, sizes.spacing, sizes.joint), spacing.astype(np.float64))
            if _is_legal(grid, inner, moved, sizes) and _read(walk, moved, spacing, sizes) <= _read(walk, inner, spacing, sizes):
                stations[first : last + 1] = moved
    return [float(station) for station in _settled(walk, grid, way, stations, sizes)]


def _settled(walk: Walk, grid: Grid, way: Way, stations: Floats, sizes: Measures) -> Floats:
    """Return the stations with single posts moved between the grid's nodes where a tape then reads less of the give.

    Notes
    -----
    Of two spacings that meet at a post one comes to read 1/16 in less, the other no more: it stays within its reading, or where it was.  Ends when no post is left that can.
    """
    inner = [index for index in range(1, len(stations) - 1) if way.kinds[index - 1] == way.kinds[index] == "spacing"]
    settled, moved = stations.copy(), True
    while moved:
        moved = False
        for index in inner:
            for side in (-1, 1):
                place = _reading_less(walk, settled, index, side, sizes)
                if place is not None and _is_legal(grid, settled[index : index + 1], np.array([place]), sizes):
                    settled[index], moved = place, True
    return settled


def _reading_less(walk: Walk, stations: Floats, index: int, side: int, sizes: Measures) -> float | None:
    """Return where a post has to stand for the spacing to one side of it to read less [m], None where that is of no use."""
    beside, other = stations[index + side : index + side + 1], stations[index - side : index - side + 1]
    here = stations[index : index + 1]
    off, off_other = (float(walk.chord(end, here)[0]) - sizes.spacing for end in (beside, other))
    read = round(abs(off) / GIVE_UNIT)
    if read == 0:
        return None
    wanted = sizes.spacing + math.copysign((read - 0.5) * GIVE_UNIT - BELOW, off)
    place = walk.station_at_chord(beside, wanted, ahead=side < 0)
    changed = float(walk.chord(other, place)[0]) - sizes.spacing
    spared = round(abs(changed) / GIVE_UNIT) <= round(abs(off_other) / GIVE_UNIT) and abs(changed) <= max(abs(off_other), GIVE_UNIT / 2 - BELOW)
    return float(place[0]) if spared and changed <= sizes.excess + EXACT else None


def _bent(walk: Walk, stations: Floats, way: Way) -> list[bool]:
    _, wiggle = bend_between(walk, stations[:-1], stations[1:])
    return [kind in ("spacing", "joint") and (kind == "joint" or each >= STRAIGHT_TURN) for kind, each in zip(way.kinds, wiggle, strict=True)]


def _runs(way: Way, bent: Sequence[bool]) -> list[tuple[int, int]]:
    """Return (first, last) holes of maximal runs of gaps that may slide."""
    runs, first = [], 0
    for index in range(len(bent) + 1):
        if index == len(bent) or not bent[index]:
            if index - first >= 2:
                runs.append((first, index))
            first = index + 1
    return runs


def _equal_chords(walk: Walk, stations: Floats, nominal: Floats, shares: Floats) -> Floats:
    """Move the inner stations so that chord k is nominal_k + t shares_k with one t for all: Newton's method."""
    moved, count = stations.copy(), len(stations) - 1
    t = float(((walk.chord(moved[:-1], moved[1:]) - nominal) * shares).sum() / max(shares.sum(), 1.0))
    for _ in range(20):
        places, facing = walk.places(moved), walk.heading(moved)
        apart = np.diff(places, axis=0)
        chords = np.hypot(apart[:, 0], apart[:, 1])
        off = chords - nominal - t * shares
        if np.abs(off).max() < EQUAL:
            break
        bearing = np.arctan2(apart[:, 1], apart[:, 0])
        jacobian = np.zeros((count, count))
        rows = np.arange(count - 1)
        jacobian[rows, rows] = np.cos(facing[1:-1] - bearing[:-1])
        jacobian[rows + 1, rows] = -np.cos(facing[1:-1] - bearing[1:])
        jacobian[:, -1] = -shares
        step = np.linalg.solve(jacobian, -off)
        moved[1:-1] += step[:-1]
        t += float(step[-1])
    return moved


def _read(walk: Walk, stations: Floats, spacing: Flags, sizes: Measures) -> int:
    """Return the use of the give as a tape reads it, in units of `grid.GIVE_UNIT`."""
    off = np.abs(walk.chord(stations[:-1], stations[1:])[spacing] - sizes.spacing)
    return int(np.round(off / GIVE_UNIT).sum())


def _is_legal(grid: Grid, before: Floats, after: Floats, sizes: Measures) -> bool:
    """Say whether the moved stations lie by open nodes and within a few steps of where the search put them."""
    nodes = np.clip(np.searchsorted(grid.stations, after), 0, len(grid.stations) - 1)
    return bool(grid.open_nodes[nodes].all() and np.abs(after - before).max() < sizes.spacing / 4 and (np.diff(after) > 0).all())
