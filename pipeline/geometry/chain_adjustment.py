"""A whole chain of lines and arcs fitted at once: geometric least squares with continuity built in.

The unknowns are the chain's own vertices and bulges, so the pieces always meet; what else must hold (a smooth
join, equal radii, parallel or square sides) stands beside them as conditions.  With d the signed distance of a
shot square to its piece, the sum of d² / (nᵀ C n) is least under the conditions; n is the curve's normal at the shot
and C the shot's covariance.  The conditions are met by moving in their null space, so that redundant ones do no harm.

Distances are written so that they stay regular when an arc flattens into a line:  with F = κ/2 (u² - u L + v²) -
v cos(σ/2) in the frame of the chord,  d = -2 F / (1 + √(1 + 2 κ F)).  Derivatives are exact, in closed form or by complex steps.

References
----------
E. M. Mikhail, F. Ackermann, "Observations and Least Squares" (1976), chapter 9 (conditions among unknowns; from memory).
W. Squire, G. Trapp, "Using complex variables to estimate derivatives of real functions", SIAM Review 40 (1998), 110-112
(from memory).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Final, Literal

import msgspec
import numpy as np
from numpy.typing import NDArray

from pipeline.geometry.chain import Chain

Array = NDArray[np.float64]
Index = NDArray[np.intp]

COMPLEX_STEP: Final = 1e-30
MOST_STEPS: Final = 40
PATIENCE: Final = 8  # steps before a fit that is far off may be given up
MOVE_DONE: Final = 1e-8  # [m], [-] an iteration has converged when nothing moves by more,
GAIN_DONE: Final = 1e-5  # [-] or chi-square changes by less (a join may slide along a smooth curve for ever),
MISS_DONE: Final = 1e-9  # [rad], [-] while every condition is met
DAMPINGS: Final = (
    0.0,
    1e-7,
    1e-5,
    1e-3,
    1e-2,
    0.03,
    0.1,
    0.3,
    1.0,
    3.0,
    10.0,
)  # [-] of the normal matrix's diagonal, until a move helps (Levenberg, Marquardt)
FREE_VERTEX: Final = 10.0  # [m] standard deviation of a vertex that no shot holds
FREE_BULGE: Final = 3.0  # [-] likewise of a bulge
RANK: Final = 1e-4  # relative singular value below which a condition repeats others (exactly only where all are met)

TieKind = Literal["tangent", "equal-radius", "equal-sweep", "parallel", "square"]


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
        located = [self.chain.locate(station) for station in stations]
        points = np.array([self.chain.piece(index).point_at(distance) for index, distance in located])
        rows = self.normal_rows(points, np.array([index for index, _ in located], dtype=np.intp))
        return np.asarray(np.sqrt(np.maximum(np.einsum("ij,jk,ik->i", rows, self.covariance, rows), 0.0)))

    def normal_rows(self, points: Array, pieces: Index) -> Array:
        """Return the derivatives (n, unknowns) of the chain square to itself at places (n, 2) [m] of its pieces."""
        layout = _Layout(len(self.chain.vertices), self.curved, self.chain.closed)
        return layout.offset_rows(layout.pack(self.chain), points, pieces)[1]


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

    def five(self, x: Array) -> Array:
        """Return (pieces, 5): start, end and bulge of every piece."""
        wide = np.append(x, 0.0)
        return np.asarray(wide[self.columns])

    def offset_rows(self, x: Array, points: Array, pieces: Index) -> tuple[Array, Array, Array]:
        """Return signed distances (n,), their derivatives to the unknowns (n, size) and to the shots (n, 2)."""
        offsets, slopes, normals = offsets_and_slopes(self.five(x)[pieces], points)
        rows = np.zeros((len(points), self.size + 1))
        each, columns = np.arange(len(points)), self.columns[pieces]
        for number in range(5):
            rows[each, columns[:, number]] += slopes[:, number]
        return offsets, rows[:, : self.size], normals

    def tie_rows(self, x: Array, ties: Sequence[Tie]) -> tuple[Array, Array]:
        """Return how far each condition is missed, and its derivatives."""
        missed, rows = np.zeros(len(ties)), np.zeros((len(ties), self.size + 1))
        values = self.five(x)
        for kind in sorted({tie.kind for tie in ties}):
            own = np.array([row for row, tie in enumerate(ties) if tie.kind == kind])
            sides = np.array([[ties[row].first, ties[row].second] for row in own])
            missed[own], slopes = _corners_and_slopes(values[sides]) if kind == "tangent" else _misses_and_slopes(kind, values[sides])
            for number in range(10):
                rows[own, self.columns[sides[:, number // 5], number % 5]] += slopes[:, number]
        return missed, rows[:, : self.size]


def misses(fit: ChainFit, ties: Sequence[Tie]) -> tuple[Array, Array]:
    """Return by how much a fitted chain misses further conditions, and the standard deviations of that."""
    layout = _Layout(len(fit.chain.vertices), fit.curved, fit.chain.closed)
    missed, rows = layout.tie_rows(layout.pack(fit.chain), ties)
    return missed, np.sqrt(np.maximum(np.einsum("ij,jk,ik->i", rows, fit.covariance, rows), 0.0))


def offsets_and_slopes(five: Array, points: Array) -> tuple[Array, Array, Array]:
    """Return signed distances (n,) [m], left positive, of points from the line or circle that carries each piece, and their derivatives.

    Parameters
    ----------
    five : (n, 5) array
        Start and end [m] and bulge [-] of each point's piece.
    points : (n, 2) array
        [m]

    Returns
    -------
    offsets : (n,) array
    slopes : (n, 5) array
        Derivatives to start, end and bulge.
    normals : (n, 2) array
        Derivatives to the point.
    """
    dx, dy, bulge = five[:, 2] - five[:, 0], five[:, 3] - five[:, 1], five[:, 4]
    length = np.hypot(dx, dy)
    ex, ey = dx / length, dy / length
    px, py = points[:, 0] - five[:, 0], points[:, 1] - five[:, 1]
    u, v = px * ex + py * ey, py * ex - px * ey
    wide = 1 + bulge**2
    curvature, cosine = 4 * bulge / (length * wide), (2 - wide) / wide
    apart = u * u - u * length + v * v
    f = curvature / 2 * apart - v * cosine
    root = np.sqrt(1 + 2 * curvature * f)
    offsets = -2 * f / (1 + root)
    by_f = (offsets * curvature / root + 2) / -(1 + root)
    by_curvature = by_f * apart / 2 - offsets * f / (root * (1 + root))
    by_u, by_v = by_f * curvature * (u - length / 2), by_f * (curvature * v - cosine)
    by_length = -by_f * curvature * u / 2 - (by_curvature * curvature + by_u * u + by_v * v) / length
    by_bulge = by_curvature * 4 * (2 - wide) / (length * wide**2) + by_f * v * 4 * bulge / wide**2
    normals = np.column_stack((by_u * ex - by_v * ey, by_u * ey + by_v * ex))
    ends = np.column_stack(((by_u * px + by_v * py) / length + by_length * ex, (by_u * py - by_v * px) / length + by_length * ey))
    return offsets, np.column_stack((-ends - normals, ends, by_bulge)), normals


def _corners_and_slopes(pairs: Array) -> tuple[Array, Array]:
    """Return the sine of the corner between pairs (n, 2, 5) of pieces, and its derivatives (n, 10) to the numbers of both."""
    dx, dy, bulge = pairs[:, :, 2] - pairs[:, :, 0], pairs[:, :, 3] - pairs[:, :, 1], pairs[:, :, 4]
    half = 2 * np.arctan(bulge)  # an arc leaves its chord by half its sweep at either end
    corner = np.arctan2(dy[:, 1], dx[:, 1]) - half[:, 1] - np.arctan2(dy[:, 0], dx[:, 0]) - half[:, 0]
    squared = dx * dx + dy * dy
    turned = np.stack((dy / squared, -dx / squared, -dy / squared, dx / squared, -2 / (1 + bulge * bulge)), axis=2)
    turned[:, 0, :4] *= -1
    return np.sin(corner), np.cos(corner)[:, None] * turned.reshape(-1, 10)


def _misses_and_slopes(kind: TieKind, pairs: Array) -> tuple[Array, Array]:
    """Return by how much a condition is missed by pairs (n, 2, 5) of pieces, and the derivatives (n, 10) by complex steps."""
    moved = np.tile(pairs.astype(complex), (10, 1, 1, 1))
    for number in range(10):
        moved[number, :, number // 5, number % 5] += 1j * COMPLEX_STEP
    all_at_once = _missed(kind, moved.reshape(-1, 2, 5)).reshape(10, len(pairs))
    return all_at_once[0].real, all_at_once.imag.T / COMPLEX_STEP


def _missed(kind: TieKind, pairs: NDArray[np.complex128]) -> NDArray[np.complex128]:
    """Return by how much a condition is missed by pairs (n, 2, 5), scaled to about the angle [rad] or relative difference [-]."""
    dx, dy = pairs[:, :, 2] - pairs[:, :, 0], pairs[:, :, 3] - pairs[:, :, 1]
    length = np.sqrt(dx * dx + dy * dy)
    ex, ey, b = dx / length, dy / length, pairs[:, :, 4]
    if kind == "parallel":
        return np.asarray(ex[:, 0] * ey[:, 1] - ey[:, 0] * ex[:, 1])
    if kind == "square":
        return np.asarray(ex[:, 0] * ex[:, 1] + ey[:, 0] * ey[:, 1])
    if kind == "equal-sweep":
        return np.asarray(b[:, 0] - b[:, 1])
    radius = length * (1 + b * b) / (4 * b)
    return np.asarray(radius[:, 0] / radius[:, 1] - np.sign((radius[:, 0] / radius[:, 1]).real))


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
    x = layout.pack(start)
    pull = np.full(layout.size, 1 / FREE_VERTEX**2)
    pull[2 * layout.vertices :] = 1 / FREE_BULGE**2
    state = _State(layout, sightings, ties, x)
    converged = False
    steps = 0
    while steps < MOST_STEPS:
        steps += 1
        size, following = _improved(state, pull)
        if following is None:
            converged = state.miss < MISS_DONE
            break
        gained = state.chi_square - following.chi_square
        state = following
        if steps >= PATIENCE and state.chi_square > hopeless:
            break
        if state.miss < MISS_DONE and (size <= MOVE_DONE or abs(gained) <= GAIN_DONE):
            converged = True
            break
    return _finish(layout, state, ties, pull, steps, converged)


class _State:
    """Everything evaluated at one set of unknowns."""

    def __init__(self, layout: _Layout, sightings: Sightings, ties: Sequence[Tie], x: Array) -> None:
        self.x = x
        along = sightings.corners < 0
        offsets, rows, normals = layout.offset_rows(x, sightings.points, sightings.pieces)
        variances = np.einsum("ij,ijk,ik->i", normals, sightings.covariances, normals)
        self.offsets, self.sigmas, self.along = offsets, np.sqrt(variances), along
        weighted = rows[along] / self.sigmas[along, None]
        misfit = offsets[along] / self.sigmas[along]
        at = np.flatnonzero(~along)
        corner_rows = np.zeros((2 * len(at), layout.size))
        corner_misfit = np.zeros(2 * len(at))
        for number, shot in enumerate(at):
            vertex = int(sightings.corners[shot])
            whiten = np.linalg.inv(np.linalg.cholesky(sightings.covariances[shot]))
            corner_rows[2 * number : 2 * number + 2, 2 * vertex : 2 * vertex + 2] = whiten
            corner_misfit[2 * number : 2 * number + 2] = whiten @ (x[2 * vertex : 2 * vertex + 2] - sightings.points[shot])
        missed, conditions = layout.tie_rows(x, ties)
        loose = np.array([tie.sigma for tie in ties])
        soft = loose > 0
        self.rows = np.vstack((weighted, corner_rows, conditions[soft] / loose[soft, None]))
        self.misfit = np.concatenate((misfit, corner_misfit, missed[soft] / loose[soft]))
        self.missed, self.conditions = missed[~soft], conditions[~soft]
        self.chi_square = float(self.misfit @ self.misfit)
        self.miss = float(np.abs(self.missed).max()) if len(self.missed) else 0.0
        self.layout, self.sightings, self.ties = layout, sightings, ties


def _improved(state: _State, pull: Array) -> tuple[float, _State | None]:
    """Return the size of a move [m] and the state after it, damped until it is short enough and lowers chi-square or the misses."""
    longest = _longest_moves(state.layout, state.x)
    steps = _Steps(state, pull)
    size = 0.0
    for damping in DAMPINGS:
        move = steps.damped(damping)
        size = _size(state.layout, move)
        shrink = min(1.0, float((longest / np.maximum(_sizes(state.layout, move), 1e-300)).min()))
        if shrink < 1 and damping < DAMPINGS[-1]:
            continue
        moved = _State(state.layout, state.sightings, state.ties, state.x + shrink * move)
        if math.isfinite(moved.chi_square) and (
            moved.chi_square <= state.chi_square * (1 + 1e-12) + 1e-9 or (state.miss > MISS_DONE and moved.miss < state.miss)
        ):
            return size, moved
    return size, None


def _size(layout: _Layout, move: Array) -> float:
    """Return the longest move of a vertex [m] or a bulge [-]: the same however the axes lie."""
    places = move[: 2 * layout.vertices].reshape(-1, 2)
    return float(max(np.hypot(places[:, 0], places[:, 1]).max(), np.abs(move[2 * layout.vertices :]).max(initial=0.0)))


def _sizes(layout: _Layout, move: Array) -> Array:
    places = move[: 2 * layout.vertices].reshape(-1, 2)
    return np.concatenate((np.hypot(places[:, 0], places[:, 1]), np.abs(move[2 * layout.vertices :])))


def _longest_moves(layout: _Layout, x: Array) -> Array:
    """Return how far every vertex [m] and bulge [-] may go in one step: a part of the shortest chord that ends at it."""
    five = layout.five(x)
    chords = np.hypot(five[:, 2] - five[:, 0], five[:, 3] - five[:, 1])
    near = np.full(layout.vertices, np.inf)
    start = np.arange(len(chords))
    near[start] = np.minimum(near[start], chords)
    end = (start + 1) % layout.vertices
    near[end] = np.minimum(near[end], chords)
    return np.maximum(0.3 * np.concatenate((near, chords[np.array(layout.curved, dtype=bool)])), 0.02)


def _null_space(conditions: Array, size: int) -> tuple[Array, Array]:
    """Return (basis of all moves that keep the conditions, pseudo-inverse of the conditions)."""
    if len(conditions) == 0:
        return np.eye(size), np.zeros((size, 0))
    u, s, vt = np.linalg.svd(conditions)
    rank = int((s > RANK * s[0]).sum())
    return vt[rank:].T, (vt[:rank].T / s[:rank]) @ u[:, :rank].T


class _Steps:
    """The moves from one state, by their damping: what they share is computed once."""

    def __init__(self, state: _State, pull: Array) -> None:
        self.basis, inverse = _null_space(state.conditions, len(state.x))
        self.back = -inverse @ state.missed if len(state.missed) else np.zeros(len(state.x))
        normal = state.rows.T @ state.rows
        self.diagonal = np.diag(normal) + pull
        places = self.diagonal[: 2 * state.layout.vertices].reshape(-1, 2)
        places[:] = places.mean(axis=1, keepdims=True)  # the same damping however the axes lie
        normal[np.diag_indices_from(normal)] += pull
        self.gradient = self.basis.T @ (state.rows.T @ state.misfit + normal @ self.back)
        self.normal = self.basis.T @ normal @ self.basis
        self.brake, self.pushed = (self.basis.T * self.diagonal) @ self.basis, self.basis.T @ (self.diagonal * self.back)

    def damped(self, damping: float) -> Array:
        normal, gradient = self.normal + damping * self.brake, self.gradient + damping * self.pushed
        return np.asarray(self.back - self.basis @ np.linalg.solve(normal, gradient))


def _finish(layout: _Layout, state: _State, ties: Sequence[Tie], pull: Array, steps: int, converged: bool) -> ChainFit:
    basis, _ = _null_space(state.conditions, layout.size)
    normal = state.rows.T @ state.rows
    normal[np.diag_indices_from(normal)] += pull
    covariance = basis @ np.linalg.inv(basis.T @ normal @ basis) @ basis.T
    leverage = np.einsum("ij,jk,ik->i", state.rows, covariance, state.rows)
    redundancies = np.ones(len(state.offsets))
    count = int(state.along.sum())
    redundancies[state.along] = np.clip(1 - leverage[:count], 0.0, 1.0)
    pairs = leverage[count : count + 2 * int((~state.along).sum())].reshape(-1, 2)
    redundancies[~state.along] = np.clip(1 - pairs.mean(axis=1), 0.0, 1.0)
    # the trace of the hat matrix counts the unknowns that shots hold; those held by the pull alone do not count
    freedom = round(len(state.misfit) - float(leverage.sum()))
    covariance = _with_doubts(state, ties, covariance)
    return ChainFit(
        chain=layout.unpack(state.x),
        curved=layout.curved,
        ties=tuple(ties),
        covariance=covariance,
        offsets=state.offsets,
        sigmas=state.sigmas,
        redundancies=redundancies,
        chi_square=state.chi_square,
        degrees_of_freedom=max(freedom, 0),
        iterations=steps,
        converged=converged,
        tie_tests=_tie_tests(state, normal),
    )


def _with_doubts(state: _State, ties: Sequence[Tie], covariance: Array) -> Array:
    """Return the covariance with the errors of conditions that may not hold, each carried through by its weight."""
    soft = [tie for tie in ties if tie.sigma > 0]
    if not any(tie.doubt for tie in soft):
        return covariance
    moved = covariance @ state.rows[len(state.rows) - len(soft) :].T * [tie.doubt / tie.sigma for tie in soft]
    return np.asarray(covariance + moved @ moved.T)


def _tie_tests(state: _State, normal: Array) -> tuple[float, ...]:
    """Return each condition's squared multiplier over its variance: the fall of chi-square were it let go alone."""
    if not len(state.missed):
        return (0.0,) * len(state.ties)
    push = np.linalg.solve(normal, state.conditions.T)
    stiffness = state.conditions @ push
    floor = 1e-12 * float(np.trace(stiffness))
    inverse = np.linalg.inv(stiffness + floor * np.eye(len(stiffness)))
    multipliers = inverse @ (push.T @ (state.rows.T @ state.misfit))
    tests = iter((multipliers**2 / np.diag(inverse)).tolist())
    return tuple(next(tests) if tie.sigma == 0 else 0.0 for tie in state.ties)


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
