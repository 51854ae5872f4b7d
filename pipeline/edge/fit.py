"""One row of shots fitted as a chain: the whole chain adjusted, each shot on its piece, joins and kinds settled by tests."""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from typing import Final

import msgspec
import numpy as np
from numpy.typing import NDArray

from pipeline.edge.first_shape import SMOOTH_START, FirstShape, first_shape, turn_at
from pipeline.edge.shots import Shots
from pipeline.geometry.chain import Chain
from pipeline.geometry.chain_adjustment import ChainFit, Sightings, Tie, adjust_chain, distances_to_pieces, misses
from pipeline.geometry.projection import project
from pipeline.geometry.segmenting import Stretch

Array = NDArray[np.float64]
Index = NDArray[np.intp]
Cut = tuple[Stretch, ...]

REASSIGNMENTS: Final = 6
SMOOTH_SPEAKS: Final = 10.83  # chi-square, 1 degree of freedom, 0.1 %: beyond it the shots speak against a smooth join
NEARLY: Final = 4.0  # [-] times its limit: how far off a first-order test may be and the full one is still worth making
PIECE_PRICE: Final = 6.0  # [half nats] of one more piece (own judgement: three to one against it, twice over)
ARC_PRICE: Final = 6.0  # [half nats] of a piece being an arc (own judgement)
FLAT_ARC: Final = math.radians(10)  # sweep below which arcs are as much rarer as they are flatter (own judgement)
LEAST_SWEEP: Final = math.radians(0.1)
CORNER_PRICE: Final = 4.0  # [half nats] of a join being a corner (own judgement)
ARC_CORNER_PRICE: Final = 1.5  # [half nats] more where the corner is at an arc: arcs mostly run on smoothly (own judgement)
AT_CORNER: Final = 6.0  # [half nats] by which a shot must be likelier at a corner than beside it: twenty to one
LEAST_HELD: Final = 1e-6  # [-] of a shot's weight that must hold a corner beside it, for the corner to stand anywhere
CLEAR_CORNER: Final = math.radians(15)  # a lesser turn is not told from the side it belongs to
FAR_OFF: Final = 20.0  # [-] times the hopeless description, at which a fit is not even settled (good ones were below 1 by then)
UNSETTLED: Final = 10.0  # [-] times the hopeless description, up to which shots are given to their nearest pieces before a cut is judged
BEYOND: Final = 6.0  # [-] standard deviations of a shot from the chain, at which its distance from the carrier of its piece tells nothing
STATION_STEP: Final = 0.25  # [m] between stated standard deviations
BEFORE_JOIN: Final = 2e-6  # [m] before a join, where the standard deviation of the piece that ends there is stated


class Shape(msgspec.Struct, frozen=True, kw_only=True):
    """A chain under way: the adjustment, the shots it rests on, and which piece each belongs to."""

    fit: ChainFit
    sightings: Sightings
    shots: Shots
    far: tuple[int, ...] = ()

    @property
    def curved(self) -> tuple[bool, ...]:
        return self.fit.curved

    @property
    def chain(self) -> Chain:
        return self.fit.chain


def shape_of_cut(shots: Shots, cut: Cut, *, closed: bool, noise: float = 1.0, hopeless: float = math.inf) -> Shape | None:
    """Adjust the chain a cut asks for: joins smooth where they turn little, unless the shots speak against it.

    Returns None as soon as the description is longer than `hopeless`.

    Parameters
    ----------
    shots : Shots
        In order.
    cut : tuple of Stretch
        The pieces.
    closed : bool
        Whether the line closes.
    noise : float
        Variance factor the description is judged by.
    hopeless : float
        Description length [half nats] beyond which the cut is given up once its shots lie on their nearest pieces.
    """
    start = first_shape(shots.points, cut, closed=closed)
    sightings = Sightings(points=shots.points, covariances=shots.covariances, pieces=start.pieces, corners=start.corners)
    if math.isfinite(hopeless) and start.far:
        return None
    fit = adjust_chain(start.chain, start.curved, sightings, _smooth_joins(start), hopeless=FAR_OFF * noise * hopeless)
    shape = Shape(fit=fit, sightings=sightings, shots=shots, far=start.far)
    if math.isfinite(hopeless) and description_length(shape, noise=noise) > UNSETTLED * hopeless:
        return None
    shape = settled(shape)
    if math.isfinite(hopeless) and description_length(shape, noise=noise) > hopeless:
        return None
    return _smoothed(_joins_tested(shape))


def description_length(shape: Shape, *, noise: float) -> float:
    """Return the description length of a shape [half nats], chi-square taken over `noise` (a variance factor).

    As in `segmenting`, but for the whole chain: two numbers a vertex, one an arc, less one each smooth join; one a break.
    Beside that each piece has a price, each arc and each corner one more, and an arc that hardly bends yet another.
    """
    chain = shape.chain
    first = 0 if chain.closed else 1
    smooth = sum(1 for tie in shape.fit.ties if tie.kind == "tangent")
    numbers = 2 * len(chain.vertices) + sum(shape.curved) - smooth + len(chain)
    at_arcs = sum(1 for vertex in range(first, len(chain)) if shape.curved[vertex - 1] or shape.curved[vertex])
    prices = PIECE_PRICE * len(chain) + ARC_PRICE * sum(shape.curved)
    flat = [abs(piece.sweep) for piece, curved in zip(chain.pieces(), shape.curved, strict=True) if curved]
    prices += sum(2 * math.log(FLAT_ARC / max(sweep, LEAST_SWEEP)) for sweep in flat if sweep < FLAT_ARC)
    prices += CORNER_PRICE * (len(chain) - first - smooth) + ARC_CORNER_PRICE * (at_arcs - smooth)
    return shape.fit.chi_square / noise + numbers * math.log(max(len(shape.shots), 3)) + prices


def astray(shape: Shape, *, noise: float) -> float:
    """Return by how much chi-square over `noise` is too small, where shots lie near the carrier of their piece but far from the chain itself.

    A shot inside the pool may lie on the circle of a rounded corner, on the far side of it: the adjustment takes it for a good one.
    """
    far = BEYOND * shape.fit.sigmas * math.sqrt(noise)
    away = distances_to_pieces(shape.chain, shape.shots.points, shape.sightings.pieces)
    rows = np.flatnonzero((away > far) & (shape.sightings.corners < 0))
    if not len(rows):
        return 0.0
    true = np.abs(project(shape.chain, shape.shots.points[rows])[1])
    excess = (true**2 - shape.fit.offsets[rows] ** 2) / shape.fit.sigmas[rows] ** 2
    return float(excess[true > far[rows]].clip(min=0.0).sum()) / noise


def _smooth_joins(start: FirstShape) -> list[Tie]:
    chain = start.chain
    first = 0 if chain.closed else 1
    ties = []
    for vertex in range(first, len(chain)):
        before = (vertex - 1) % len(chain)
        turns_little = vertex in start.smooth or abs(turn_at(chain, vertex)) < SMOOTH_START
        if (start.curved[before] or start.curved[vertex]) and turns_little:
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
    own, at_corners = shape.sightings.pieces, shape.sightings.corners[shape.sightings.corners >= 0].tolist()
    held = np.bincount(pieces, minlength=len(shape.chain)).tolist()
    for piece, curved in enumerate(shape.curved):
        needed = 3 if curved else 1 if _smooth_both(shape, piece) else 2
        ends = {piece, (piece + 1) % len(shape.chain.vertices)}
        if held[piece] + sum(corner in ends for corner in at_corners) < needed:
            pieces = np.where(own == piece, own, pieces)
            held = np.bincount(pieces, minlength=len(shape.chain)).tolist()
    return pieces


def _smooth_both(shape: Shape, piece: int) -> bool:
    """Say whether a piece runs smoothly into both its neighbours, so that a single shot holds it."""
    return sum(1 for tie in shape.fit.ties if tie.kind == "tangent" and piece in (tie.first, tie.second)) == 2


def refitted(shape: Shape, *, ties: Sequence[Tie] | None = None, pieces: Index | None = None) -> Shape:
    """Return the shape adjusted again with other conditions or another assignment."""
    sightings = shape.sightings if pieces is None else msgspec.structs.replace(shape.sightings, pieces=pieces)
    fit = adjust_chain(shape.chain, shape.curved, sightings, shape.fit.ties if ties is None else ties)
    return msgspec.structs.replace(shape, fit=fit, sightings=sightings)


def _joins_tested(shape: Shape) -> Shape:
    """Let go each smooth join the shots speak against, the worst first."""
    kept: set[Tie] = set()
    while True:
        doubtful = [
            (test, tie) for test, tie in zip(shape.fit.tie_tests, shape.fit.ties, strict=True) if tie not in kept and test > SMOOTH_SPEAKS / 2
        ]
        if not doubtful:
            return shape
        _, worst = max(doubtful)
        free = settled(refitted(shape, ties=[tie for tie in shape.fit.ties if tie != worst]))
        if shape.fit.chi_square - free.fit.chi_square > SMOOTH_SPEAKS * scale_of(free):
            shape = free
        else:
            kept.add(worst)


def _smoothed(shape: Shape) -> Shape:
    """Make smooth each corner at an arc that the shots do not speak for, the least first."""
    refused: set[Tie] = set()
    while True:
        chain = shape.chain
        joins = [Tie("tangent", (vertex - 1) % len(chain), vertex) for vertex in range(0 if chain.closed else 1, len(chain))]
        open_joins = [
            tie
            for tie in joins
            if (shape.curved[tie.first] or shape.curved[tie.second])
            and tie not in shape.fit.ties
            and tie not in refused
            and abs(turn_at(chain, tie.second)) < SMOOTH_START
        ]
        if not open_joins:
            return shape
        missed, sigmas = misses(shape.fit, open_joins)
        statistic, tie = min(zip(((missed / np.maximum(sigmas, 1e-9)) ** 2).tolist(), open_joins, strict=True))
        if statistic > NEARLY * SMOOTH_SPEAKS:
            return shape
        smooth = settled(refitted(shape, ties=[*shape.fit.ties, tie]))
        if smooth.fit.converged and smooth.fit.chi_square - shape.fit.chi_square < SMOOTH_SPEAKS * scale_of(shape):
            shape = smooth
        else:
            refused.add(tie)


def cornered(shape: Shape) -> Shape:
    """Let a shot that was taken at a corner of two straight sides hold both of them.

    It was where that is likelier by `AT_CORNER` than that it lies anywhere along a side, a spacing of the shots long.  A corner shot
    is good for both sides, and where sides are shot at their corners only, it is all there is; a shot beside a blunt corner, whose
    place along the sides is poorly known, tells nothing of it.  Nor does one that alone makes the corner stand where it does: a side
    through two shots passes each of them anyhow.
    """
    chain, corners = shape.chain, shape.sightings.corners.copy()
    steps = np.diff(shape.shots.points, axis=0)
    spacing = float(np.median(np.hypot(steps[:, 0], steps[:, 1])))
    for vertex in range(0 if chain.closed else 1, len(chain)):
        if vertex in corners or shape.curved[vertex - 1] or shape.curved[vertex] or abs(turn_at(chain, vertex)) < CLEAR_CORNER:
            continue
        away = shape.shots.points - np.asarray(chain.vertices[vertex])
        shot = int(np.argmin((away**2).sum(axis=1)))
        if corners[shot] < 0 and _at_corner(shape, vertex, shot, spacing) > AT_CORNER:
            corners[shot] = vertex
    if np.array_equal(corners, shape.sightings.corners):
        return shape
    while True:
        sightings = msgspec.structs.replace(shape.sightings, corners=corners)
        bound = refitted(msgspec.structs.replace(shape, sightings=sightings))
        own = [shot for shot in np.flatnonzero(corners >= 0).tolist() if shape.sightings.corners[shot] < 0]
        least, shot = min(((_stands_without(bound, shot, spacing), shot) for shot in own), default=(math.inf, -1))
        if least >= 0:
            return settled(bound)
        corners = np.where(np.arange(len(corners)) == shot, -1, corners)


def _at_corner(shape: Shape, vertex: int, shot: int, spacing: float) -> float:
    """Return by how much likelier [half nats] a shot was taken at a corner than anywhere within a spacing [m] along the nearer of its sides."""
    both = slice(2 * vertex, 2 * vertex + 2)
    return _likelier(shape, vertex, shot, spacing, np.asarray(shape.chain.vertices[vertex]), shape.fit.covariance[both, both])


def _stands_without(shape: Shape, shot: int, spacing: float) -> float:
    """Return the same [half nats] of a shot that holds its corner, from where the corner would stand without it; minus infinity where nothing else holds it."""
    vertex = int(shape.sightings.corners[shot])
    both = slice(2 * vertex, 2 * vertex + 2)
    weight, own = np.linalg.inv(shape.fit.covariance[both, both]), np.linalg.inv(shape.shots.covariances[shot])
    rest = weight - own
    if float(np.linalg.eigvalsh(rest)[0]) < LEAST_HELD * float(np.trace(own)):
        return -math.inf
    spread = np.linalg.inv(rest)
    place = spread @ (weight @ np.asarray(shape.chain.vertices[vertex]) - own @ shape.shots.points[shot])
    return _likelier(shape, vertex, shot, spacing, place, spread)


def _likelier(shape: Shape, vertex: int, shot: int, spacing: float, place: Array, known: Array) -> float:
    """Return by how much likelier [half nats] a shot lies at a corner, known so well [m, m²], than within a spacing [m] along the nearer of its sides."""
    away, spread = shape.shots.points[shot] - place, known + shape.shots.covariances[shot]
    there = float(away @ np.linalg.solve(spread, away)) + math.log(float(np.linalg.det(spread)))
    sides = (shape.chain.piece((vertex - 1) % len(shape.chain)), shape.chain.piece(vertex))
    normals = [np.array([-math.sin(side.direction_at(0.0)), math.cos(side.direction_at(0.0))]) for side in sides]
    across = [float(normal @ spread @ normal) for normal in normals]
    beside = min(float(normal @ away) ** 2 / variance + math.log(variance) for normal, variance in zip(normals, across, strict=True))
    return beside - there + 2 * math.log(spacing) - math.log(2 * math.pi)


def scale_of(shape: Shape) -> float:
    """Return the variance factor tests are scaled by: never below one, so that luck sharpens nothing."""
    return max(1.0, shape.fit.variance_factor)


def stations_of(chain: Chain) -> tuple[float, ...]:
    """Return stations [m] close enough to interpolate between: every join from both its sides, and about every `STATION_STEP`."""
    stations: list[float] = []
    for start, end in itertools.pairwise(chain.piece_stations()):
        last = end - min(BEFORE_JOIN, (end - start) / 4)
        count = max(2, math.ceil((last - start) / STATION_STEP))
        stations.extend(start + (last - start) * step / count for step in range(count + 1))
    return tuple(stations)
