"""A whole chain of lines and arcs fitted at once: geometric least squares with continuity built in.

The unknowns are the chain's own vertices and bulges, so the pieces always meet; what else must hold (a smooth
join, equal radii, parallel or square sides) stands beside them as conditions.  With d the signed distance of a
shot square to its piece, the sum of d² / (nᵀ C n) is least under the conditions; n is the curve's normal at the shot
and C the shot's covariance.  The conditions are met by moving in their null space, so that redundant ones do no harm.
The sums themselves are done in `chain_solver`.

References
----------
E. M. Mikhail, F. Ackermann, "Observations and Least Squares" (1976), chapter 9 (conditions among unknowns; from memory).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Final, Literal

import msgspec
import numpy as np
from numpy.typing import NDArray

from pipeline.geometry import chain_solver
from pipeline.geometry.chain import Chain
from pipeline.geometry.chain_solver import EQUAL_RADIUS, EQUAL_SWEEP, PARALLEL, SQUARE, TANGENT, Problem, Seen, offsets_and_slopes
from pipeline.geometry.propagation import propagated

Array = NDArray[np.float64]
Index = NDArray[np.intp]

FREE_VERTEX: Final = 10.0  # [m] standard deviation of a vertex that no shot holds
FREE_BULGE: Final = 3.0  # [-] likewise of a bulge

TieKind = Literal["tangent", "equal-radius", "equal-sweep", "parallel", "square"]
KINDS: Final[dict[TieKind, int]] = {
    "tangent": TANGENT,
    "equal-radius": EQUAL_RADIUS,
    "equal-sweep": EQUAL_SWEEP,
    "parallel": PARALLEL,
    "square": SQUARE,
}


class Tie(msgspec.Struct, frozen=True, order=True):
    """One condition between two pieces.

    Parameters
    ----------
    kind : TieKind
        `tangent`: the first piece runs into the second without a corner; `equal-radius` and `equal-sweep` of two
        arcs; `parallel` and `square` (right angle) of two lines.
    first, second : int
        Pieces of the chain.
    sigma : float
        Standard deviation to which the condition holds [rad] or [-]; 0: exactly.
    doubt : float
        Standard deviation [rad] or [-] the condition has beside the one it is weighted by: it may not hold at all.
    """

    kind: TieKind
    first: int
    second: int
    sigma: float = 0.0
    doubt: float = 0.0


class Sightings(msgspec.Struct, frozen=True, kw_only=True):
    """The shots a chain is fitted to.

    Parameters
    ----------
    points : (n, 2) array
        [m]
    covariances : (n, 2, 2) array
        [m²]
    pieces : (n,) array
        The piece each shot belongs to.
    corners : (n,) array
        The vertex a shot was taken at, -1 where it lies along its piece.
    """

    points: Array
    covariances: Array
    pieces: Index
    corners: Index


NO_SIGHTINGS: Final = Sightings(
    points=np.zeros((0, 2)), covariances=np.zeros((0, 2, 2)), pieces=np.zeros(0, dtype=np.intp), corners=np.zeros(0, dtype=np.intp)
)


class ChainFit(msgspec.Struct, frozen=True, kw_only=True):
    """A chain as adjusted, with its full covariance.

    Parameters
    ----------
    chain : Chain
    curved : tuple of bool
        Which pieces are arcs (an arc's bulge may be fitted as very small).
    ties : tuple of Tie
    covariance : array
        Of the unknowns (x, y of each vertex, then the bulge of each arc), from the a-priori sigmas.
    offsets, sigmas : (n,) arrays
        Signed distance of each shot, left positive, and its a-priori standard deviation in that direction [m].
    redundancies : (n,) array
        Share of each shot's own error that shows in its residual [-].
    chi_square : float
    degrees_of_freedom : int
    iterations : int
    converged : bool
    tie_tests : tuple of float
        For each exact condition, by how much chi-square would fall without it (to first order, from its multiplier).
    """

    chain: Chain
    curved: tuple[bool, ...]
    ties: tuple[Tie, ...]
    covariance: Array
    offsets: Array
    sigmas: Array
    redundancies: Array
    chi_square: float
    degrees_of_freedom: int
    iterations: int
    converged: bool
    tie_tests: tuple[float, ...] = ()

    @property
    def variance_factor(self) -> float:
        """A-posteriori over a-priori variance [-]; 1 without redundancy."""
        return self.chi_square / self.degrees_of_freedom if self.degrees_of_freedom > 0 else 1.0

    def normal_sigmas(self, stations: Sequence[float]) -> Array:
        """Return the standard deviation of the chain square to itself [m] at stations [m], a-priori sigmas."""
        located = self.chain.locate_all(stations)
        points = np.array([self.chain.piece(index).point_at(distance) for index, distance in located])
        rows = self.normal_rows(points, np.array([index for index, _ in located], dtype=np.intp))
        return np.asarray(np.sqrt(np.maximum(propagated(rows, self.covariance), 0.0)))

    def normal_rows(self, points: Array, pieces: Index) -> Array:
        """Return the derivatives (n, unknowns) of the chain square to itself at places (n, 2) [m] of its pieces."""
        layout = _Layout(len(self.chain.vertices), self.curved, self.chain.closed)
        columns = layout.columns[pieces]
        slopes = offsets_and_slopes(np.append(layout.pack(self.chain), 0.0)[columns], np.ascontiguousarray(points, dtype=np.float64))[1]
        rows = np.zeros((len(points), layout.size + 1))
        for number in range(5):
            rows[np.arange(len(points)), columns[:, number]] += slopes[:, number]
        return rows[:, : layout.size]


class _Layout:
    """Where each piece's five numbers (start, end, bulge) stand among the unknowns."""

    def __init__(self, vertices: int, curved: Sequence[bool], closed: bool) -> None:
        self.vertices, self.curved, self.closed = vertices, tuple(curved), closed
        count = len(self.curved)
        start = np.arange(count)
        end = (start + 1) % vertices
        bulge = np.full(count, -1)
        arcs = np.flatnonzero(np.array(self.curved, dtype=bool))
        bulge[arcs] = 2 * vertices + np.arange(len(arcs))
        self.columns = np.column_stack((2 * start, 2 * start + 1, 2 * end, 2 * end + 1, bulge))
        self.size = 2 * vertices + len(arcs)

    def pack(self, chain: Chain) -> Array:
        x = np.empty(self.size)
        x[: 2 * self.vertices] = np.asarray(chain.vertices).ravel()
        for piece, column in enumerate(self.columns[:, 4]):
            if column >= 0:
                x[column] = chain.bulges[piece]
        return x

    def unpack(self, x: Array) -> Chain:
        vertices = tuple((float(a), float(b)) for a, b in x[: 2 * self.vertices].reshape(-1, 2))
        return Chain(vertices, tuple(float(x[column]) if column >= 0 else 0.0 for column in self.columns[:, 4]), self.closed)

    def pull(self) -> Array:
        """Return the weight (size,) that keeps each unknown in place where no shot holds it."""
        pull = np.full(self.size, 1 / FREE_VERTEX**2)
        pull[2 * self.vertices :] = 1 / FREE_BULGE**2
        return pull

    def problem(self, sightings: Sightings, ties: Sequence[Tie]) -> Problem:
        """Return what a chain so laid out is to be fitted to."""
        numbers = np.array([(KINDS[tie.kind], tie.first, tie.second) for tie in ties], dtype=np.intp).reshape(-1, 3).T
        kinds, firsts, seconds = (np.ascontiguousarray(row) for row in numbers)
        return Problem(
            columns=self.columns,
            vertices=self.vertices,
            points=np.array(sightings.points, dtype=np.float64),
            covariances=np.array(sightings.covariances, dtype=np.float64),
            pieces=np.array(sightings.pieces, dtype=np.intp),
            corners=np.array(sightings.corners, dtype=np.intp),
            kinds=kinds,
            firsts=firsts,
            seconds=seconds,
            looseness=np.array([tie.sigma for tie in ties], dtype=np.float64),
        )


def misses(fit: ChainFit, ties: Sequence[Tie]) -> tuple[Array, Array]:
    """Return by how much a fitted chain misses further conditions, and the standard deviations of that."""
    layout = _Layout(len(fit.chain.vertices), fit.curved, fit.chain.closed)
    missed, rows = chain_solver.misses_and_slopes(layout.problem(NO_SIGHTINGS, ties), layout.pack(fit.chain))
    return missed, np.sqrt(np.maximum(propagated(rows, fit.covariance), 0.0))


def adjust_chain(start: Chain, curved: Sequence[bool], sightings: Sightings, ties: Sequence[Tie] = (), *, hopeless: float = math.inf) -> ChainFit:
    """Fit a chain to shots.

    Parameters
    ----------
    start : Chain
        First values of vertices and bulges.
    curved : sequence of bool
        Which pieces are arcs.
    sightings : Sightings
        The shots, each with its piece.
    ties : sequence of Tie
        Conditions to hold exactly.
    hopeless : float
        Chi-square above which, after `PATIENCE` steps, the fit is given up unsettled: it is only wanted if it comes far below.

    Returns
    -------
    ChainFit
        `converged` is False when `MOST_STEPS` did not settle it.

    Notes
    -----
    Gauss-Newton, damped where a step would be long or would not help.  A direction in which no shot holds the chain (a
    join sliding along a smooth curve) is kept in place by a weak pull towards where it is; the pull moves nothing.
    """
    layout = _Layout(len(start.vertices), curved, start.closed)
    problem, pull = layout.problem(sightings, ties), layout.pull()
    x, seen, chi_square, steps, converged = chain_solver.adjusted(problem, layout.pack(start), pull, hopeless)
    known, covariance, redundancies, freedom, tests = chain_solver.spread(problem, x, seen, pull)
    if not (known and math.isfinite(chi_square)):
        raise np.linalg.LinAlgError("the shots and conditions make no chain")
    in_turn = iter(tests.tolist())
    return ChainFit(
        chain=layout.unpack(x),
        curved=layout.curved,
        ties=tuple(ties),
        covariance=_with_doubts(problem, seen, ties, covariance),
        offsets=seen.offsets,
        sigmas=seen.sigmas,
        redundancies=redundancies,
        chi_square=chi_square,
        degrees_of_freedom=max(round(freedom), 0),
        iterations=steps,
        converged=converged,
        tie_tests=tuple(next(in_turn) if tie.sigma == 0 else 0.0 for tie in ties),
    )


def _with_doubts(problem: Problem, seen: Seen, ties: Sequence[Tie], covariance: Array) -> Array:
    """Return the covariance with the errors of conditions that may not hold, each carried through by its weight."""
    soft = np.flatnonzero(problem.looseness > 0)
    doubts = np.array([tie.doubt for tie in ties])[soft] if len(soft) else np.zeros(0)
    if not doubts.any():
        return covariance
    rows = np.zeros((len(soft), len(covariance) + 1))
    for number in range(10):
        pieces = (problem.firsts if number < 5 else problem.seconds)[soft]
        rows[np.arange(len(soft)), problem.columns[pieces, number % 5]] += seen.tie_rows[soft, number] / problem.looseness[soft]
    moved = covariance @ rows[:, :-1].T * (doubts / problem.looseness[soft])
    return np.asarray(covariance + moved @ moved.T)


def distances_to_pieces(chain: Chain, points: Array, pieces: Index) -> Array:
    """Return the distance [m] of each point to the piece of the same row, ends included."""
    count = len(chain)
    vertices = np.asarray(chain.vertices)
    a, b = vertices[:count][pieces], vertices[(np.arange(count) + 1) % len(vertices)][pieces]
    bulges = np.asarray(chain.bulges)[pieces]
    to_ends = np.minimum(np.hypot(*(points - a).T), np.hypot(*(points - b).T))
    chord = b - a
    length = np.hypot(chord[:, 0], chord[:, 1])
    offset = points - a
    u = (offset * chord).sum(axis=1) / length
    v = (chord[:, 0] * offset[:, 1] - chord[:, 1] * offset[:, 0]) / length
    square = np.abs(offsets_and_slopes(np.column_stack((a, b, bulges)), points)[0])
    return np.where(_over(u, v, length, bulges), square, to_ends)


def _over(u: Array, v: Array, length: Array, bulges: Array) -> NDArray[np.bool_]:
    """Say whether a point's nearest place on the carrier lies within the piece: inside the sector of its arc."""
    straight = np.abs(bulges) < 1e-9
    safe = np.where(straight, 1.0, bulges)
    rise = length * (1 - safe**2) / (4 * safe)  # the centre stands at (length / 2, rise)
    toward = np.arctan2(u - length / 2, (rise - v) * np.sign(safe))
    half = 2 * np.arctan(np.abs(safe))
    return np.where(straight, (u >= 0) & (u <= length), np.abs(toward) <= half)
