"""One line of shots fitted as a chain: cut into pieces, adjusted as a whole, joins and kinds settled by tests."""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from statistics import NormalDist
from typing import Final

import msgspec
import numpy as np
from numpy.typing import NDArray

from pipeline.edge.first_shape import SMOOTH_START, FirstShape, first_shape, turn_at
from pipeline.edge.shots import Shots
from pipeline.geometry.chain import Chain
from pipeline.geometry.chain_adjustment import ChainFit, Sightings, Tie, adjust_chain, distances_to_pieces
from pipeline.geometry.segmenting import Prices, cut, piece_costs

Array = NDArray[np.float64]
Index = NDArray[np.intp]

REASSIGNMENTS: Final = 6
SMOOTH_SPEAKS: Final = 10.83  # chi-square, 1 degree of freedom, 0.1 %: beyond it the shots speak against a smooth join
STRAIGHT_SPEAKS: Final = 10.83  # likewise against a straight piece
AT_CORNER: Final = 9.21  # chi-square, 2 degrees of freedom, 1 %: within it a shot may have been taken at the corner
CLEAR_CORNER: Final = math.radians(15)  # a lesser turn is not told from the side it belongs to
STATION_STEP: Final = 0.25  # [m] between stated standard deviations


class Shape(msgspec.Struct, frozen=True, kw_only=True):
    """A chain under way: the adjustment, the shots it rests on, and which piece each belongs to."""

    fit: ChainFit
    sightings: Sightings
    shots: Shots

    @property
    def curved(self) -> tuple[bool, ...]:
        return self.fit.curved

    @property
    def chain(self) -> Chain:
        return self.fit.chain


def shape_of(shots: Shots, *, closed: bool, arcs: bool) -> tuple[Shape, tuple[str, ...]]:
    """Fit one line.

    Parameters
    ----------
    shots : Shots
        In order; a closed line counter-clockwise.
    closed, arcs : bool
        Whether the line closes, and whether it may have arcs.

    Returns
    -------
    Shape
    tuple of str
        What was decided, and why.
    """
    start = _first(shots, closed=closed, arcs=arcs)
    sightings = Sightings(points=shots.points, covariances=shots.covariances, pieces=start.pieces, corners=start.corners)
    shape = settled(Shape(fit=adjust_chain(start.chain, start.curved, sightings, _smooth_joins(start)), sightings=sightings, shots=shots))
    shape, straight = _straightened(shape)
    shape, joins = _joins_tested(shape)
    return cornered(shape), straight + joins


def _first(shots: Shots, *, closed: bool, arcs: bool) -> FirstShape:
    """Cut and join; where a join would lie far from any shot, bar it and cut again."""
    costs = piece_costs(shots.points, shots.sigmas, closed=closed, arcs=arcs)
    prices = Prices.for_points(len(shots))
    barred: set[int] = set()
    while True:
        start = first_shape(shots.points, cut(costs, prices, barred=sorted(barred)), closed=closed)
        fresh = set(start.far) - barred
        if not fresh:
            return start
        barred |= fresh


def _smooth_joins(start: FirstShape) -> list[Tie]:
    chain = start.chain
    first = 0 if chain.closed else 1
    ties = []
    for vertex in range(first, len(chain)):
        before = (vertex - 1) % len(chain)
        if (start.curved[before] or start.curved[vertex]) and abs(turn_at(chain, vertex)) < SMOOTH_START:
            ties.append(Tie("tangent", before, vertex))
    return ties


def settled(shape: Shape) -> Shape:
    """Give each shot to the nearer of its piece and that piece's neighbours, and adjust again, until none changes."""
    for _ in range(REASSIGNMENTS):
        pieces = _nearest_pieces(shape)
        if np.array_equal(pieces, shape.sightings.pieces):
            break
        shape = refitted(shape, pieces=pieces)
    return shape


def _nearest_pieces(shape: Shape) -> Index:
    own, count = shape.sightings.pieces, len(shape.chain)
    best = own.copy()
    least = distances_to_pieces(shape.chain, shape.shots.points, own)
    for side in (-1, 1):
        other = own + side
        other = other % count if shape.chain.closed else np.clip(other, 0, count - 1)
        distance = distances_to_pieces(shape.chain, shape.shots.points, other)
        nearer = (distance < least - 1e-9) & (shape.sightings.corners < 0)
        best, least = np.where(nearer, other, best), np.where(nearer, distance, least)
    return _none_starved(shape, best)


def _none_starved(shape: Shape, pieces: Index) -> Index:
    """Return an assignment in which no piece keeps fewer shots than hold it: those gave theirs away take them back."""
    own, corners = shape.sightings.pieces, shape.sightings.corners
    for piece, curved in enumerate(shape.curved):
        needed = 3 if curved else 2
        held = int((pieces == piece).sum()) + int(np.isin(corners, (piece, (piece + 1) % len(shape.chain.vertices))).sum())
        if held < needed:
            pieces = np.where(own == piece, own, pieces)
    return pieces


def refitted(shape: Shape, *, ties: Sequence[Tie] | None = None, pieces: Index | None = None, curved: tuple[bool, ...] | None = None) -> Shape:
    """Return the shape adjusted again with other conditions, another assignment or other kinds."""
    sightings = shape.sightings if pieces is None else msgspec.structs.replace(shape.sightings, pieces=pieces)
    kinds = shape.curved if curved is None else curved
    fit = adjust_chain(shape.chain, kinds, sightings, shape.fit.ties if ties is None else ties)
    return msgspec.structs.replace(shape, fit=fit, sightings=sightings)


def _straightened(shape: Shape) -> tuple[Shape, tuple[str, ...]]:
    """Take each arc back to a straight line unless the shots speak against it."""
    notes = []
    for piece in range(len(shape.chain)):
        if not shape.curved[piece] or abs(shape.chain.bulges[piece]) > 0.2:
            continue
        kinds = tuple(kind and index != piece for index, kind in enumerate(shape.curved))
        ties = [tie for tie in shape.fit.ties if kinds[tie.first] or kinds[tie.second]]
        straight = refitted(shape, curved=kinds, ties=ties)
        rise = (straight.fit.chi_square - shape.fit.chi_square) / scale_of(shape)
        if straight.fit.converged and rise < STRAIGHT_SPEAKS:
            shape = settled(straight)
            notes.append(f"piece {piece + 1} is straight: test {rise:.1f} < {STRAIGHT_SPEAKS}")
    return shape, tuple(notes)


def _joins_tested(shape: Shape) -> tuple[Shape, tuple[str, ...]]:
    """Test each smooth join against a corner, the worst first."""
    notes: list[str] = []
    kept: set[Tie] = set()
    while True:
        trials = []
        for tie in shape.fit.ties:
            if tie.kind != "tangent" or tie in kept:
                continue
            free = refitted(shape, ties=[other for other in shape.fit.ties if other != tie])
            gain = (shape.fit.chi_square - free.fit.chi_square) / scale_of(shape)
            trials.append((gain, tie, free))
            if gain < SMOOTH_SPEAKS / 3:
                kept.add(tie)
        trials.sort(key=lambda trial: (-trial[0], trial[1]))
        if not trials or trials[0][0] < SMOOTH_SPEAKS:
            return shape, tuple(notes)
        gain, tie, free = trials[0]
        shape = settled(free)
        notes.append(f"corner between pieces {tie.first + 1} and {tie.second + 1}: test {gain:.1f} > {SMOOTH_SPEAKS}")


def cornered(shape: Shape) -> Shape:
    """Let a shot that may well have been taken at a corner of two straight sides hold both of them.

    It may where it agrees with the corner within `AT_CORNER`; a corner shot is good for both sides, and where sides are
    shot at their corners only, it is all there is.
    """
    chain, corners = shape.chain, shape.sightings.corners.copy()
    first = 0 if chain.closed else 1
    for vertex in range(first, len(chain)):
        if vertex in corners or shape.curved[vertex - 1] or shape.curved[vertex] or abs(turn_at(chain, vertex)) < CLEAR_CORNER:
            continue
        away = shape.shots.points - np.asarray(chain.vertices[vertex])
        shot = int(np.argmin((away**2).sum(axis=1)))
        own = shape.fit.covariance[2 * vertex : 2 * vertex + 2, 2 * vertex : 2 * vertex + 2]
        if corners[shot] < 0 and away[shot] @ np.linalg.solve(own + shape.shots.covariances[shot], away[shot]) < AT_CORNER:
            corners[shot] = vertex
    if np.array_equal(corners, shape.sightings.corners):
        return shape
    sightings = msgspec.structs.replace(shape.sightings, corners=corners)
    return settled(refitted(msgspec.structs.replace(shape, sightings=sightings)))


def scale_of(shape: Shape) -> float:
    """Return the variance factor tests are scaled by: never below one, so that luck sharpens nothing."""
    return max(1.0, shape.fit.variance_factor)


def test_limit(count: int, share: float = 0.001) -> float:
    """Return the limit of a standardised residual that is overstepped once in 1/share lines of `count` good shots."""
    return NormalDist().inv_cdf(1 - share / (2 * max(count, 1)))


def stations_of(chain: Chain) -> tuple[float, ...]:
    """Return stations [m] close enough to interpolate between: every join and about every `STATION_STEP`."""
    marks = chain.piece_stations()
    stations: list[float] = []
    for start, end in itertools.pairwise(marks):
        count = max(2, math.ceil((end - start) / STATION_STEP))
        stations.extend(start + (end - start) * step / count for step in range(count))
    stations.append(marks[-1])
    return tuple(stations)
