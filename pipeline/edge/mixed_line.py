"""A closed line of straight sides, arcs and free stretches fitted at once: geometric least squares, the parts always meeting.

The unknowns are the vertices where parts meet, the bulges of the arcs, and the nodes between the ends of each free stretch, a
cubic spline (`stretch_solver`).  Joins taken as smooth are exact conditions, met in their null space.

References
----------
H. B. Nielsen, "Damping Parameter in Marquardt's Method", IMM-REP-1999-05, Technical University of Denmark, for how the damping follows the
gain (from memory).
"""

from __future__ import annotations

import functools
import math
from typing import Final

import msgspec
import numpy as np
from numpy.typing import NDArray

from pipeline.edge import stretch_solver
from pipeline.edge.fit import ARC_CORNER_PRICE, ARC_PRICE, CORNER_PRICE, PIECE_PRICE
from pipeline.edge.shots import Shots
from pipeline.edge.stretch import FREE_PRICE, NODE_PRICE
from pipeline.geometry.chain import Chain
from pipeline.geometry.chain_adjustment import distances_to_pieces
from pipeline.geometry.chain_solver import offsets_and_slopes
from pipeline.geometry.propagation import propagated

Array = NDArray[np.float64]
Index = NDArray[np.intp]

STEPS: Final = 40  # of least squares
DAMPED: Final = 8  # times a step is damped more before it is given up,
HARDER: Final = 2.0  # [-] so many times, and each time by twice that
LONGEST_MOVE: Final = 0.5  # [m] of a vertex or node in one step
GAIN_DONE: Final = 1e-4  # [-] of chi-square, relative,
GAIN_SETTLED: Final = 1e-9  # [-] and of the line that is handed on
TIGHT: Final = 1e-4  # [rad] standard deviation of a smooth join, where a move is judged
STEADY: Final = 1e-6  # weight that keeps nodes from drifting along the curve, of the mean information
DAMPING: Final = 1e-2  # [-] of the normal matrix's diagonal, in the first step,
LEAST_DAMPED: Final = 1e-3  # [-] as if that were nowhere less than so much of its mean
REASSIGNMENTS: Final = 6
REMEMBERED: Final = 256  # kinds of lines whose unknowns' places are kept
PATIENCE: Final = 5  # steps before a fit that is far off may be given up
BEYOND: Final = 1.0  # [-] standard deviations by which a shot may lie beyond the end of its part
NEWTON: Final = 4  # steps towards the foot of a shot


class MixedLine(msgspec.Struct, frozen=True, kw_only=True):
    """A closed line of n parts.

    Parameters
    ----------
    vertices : (n, 2) array
        Where each part begins [m].
    bulges : tuple of float
        Of the arcs [-]; 0 of the others.
    curved : tuple of bool
        Which parts are arcs.
    inner : tuple of ((m - 1, 2) array or None)
        The nodes of each free stretch between its ends [m]; None of a line or an arc.
    smooth : tuple of bool
        Of each vertex, whether the part before runs into it without a corner.
    """

    vertices: Array
    bulges: tuple[float, ...]
    curved: tuple[bool, ...]
    inner: tuple[Array | None, ...]
    smooth: tuple[bool, ...]

    def __len__(self) -> int:
        return len(self.curved)

    @property
    def size(self) -> int:
        """How many unknowns."""
        return 2 * len(self) + sum(self.curved) + sum(one.size for one in self.inner if one is not None)

    @property
    def numbers(self) -> int:
        """How many numbers the line is described by: its unknowns less one each smooth join, and one a break."""
        return self.size - sum(self.smooth) + len(self)

    def nodes(self, part: int) -> Array:
        """Return the nodes (m + 1, 2) of a free stretch, its ends among them [m]."""
        inner = self.inner[part]
        if inner is None:
            raise ValueError("no free stretch")
        return np.vstack((self.vertices[part], inner, self.vertices[(part + 1) % len(self)]))

    def columns(self, part: int) -> Index:
        """Return where the coordinates of a part's points stand among the unknowns: start, nodes between, end; (k, 2)."""
        return _columns(self.curved, tuple(0 if one is None else len(one) for one in self.inner))[part]

    @property
    def plain_columns(self) -> Index:
        """Where start, end and bulge of each part stand among the unknowns (parts, 5), as if it were a line or an arc; `size` for a bulge it has not."""
        return _plain_columns(self.curved, self.size)

    def bulge_column(self, part: int) -> int:
        """Return where the bulge of an arc stands among the unknowns."""
        return 2 * len(self) + sum(self.curved[:part])

    def moved(self, move: Array) -> MixedLine:
        """Return the line with its unknowns moved."""
        count, place = len(self), 2 * len(self) + sum(self.curved)
        inner: list[Array | None] = []
        for one in self.inner:
            inner.append(None if one is None else one + move[place : place + one.size].reshape(-1, 2))
            place += 0 if one is None else one.size
        bulges = tuple(bulge + (float(move[self.bulge_column(part)]) if self.curved[part] else 0.0) for part, bulge in enumerate(self.bulges))
        return msgspec.structs.replace(self, vertices=self.vertices + move[: 2 * count].reshape(-1, 2), bulges=bulges, inner=tuple(inner))

    def without(self, part: int) -> MixedLine:
        """Return the line without a part, the one before it reaching to where the next begins, in a corner."""
        kept, after = [one for one in range(len(self)) if one != part], (part + 1) % len(self)
        return MixedLine(
            vertices=self.vertices[kept],
            bulges=tuple(self.bulges[one] for one in kept),
            curved=tuple(self.curved[one] for one in kept),
            inner=tuple(self.inner[one] for one in kept),
            smooth=tuple(self.smooth[one] and one != after for one in kept),
        )

    def plain(self) -> Chain:
        """Return the chain of its lines and arcs, a straight line in place of each free stretch."""
        return Chain(tuple((float(x), float(y)) for x, y in self.vertices), self.bulges, True)

    def five(self, part: int) -> Array:
        """Return start and end [m] and bulge [-] of a line or an arc."""
        return np.array([*self.vertices[part], *self.vertices[(part + 1) % len(self)], self.bulges[part]])


@functools.lru_cache(REMEMBERED)
def _columns(curved: tuple[bool, ...], between: tuple[int, ...]) -> tuple[Index, ...]:
    """Return where the coordinates of the points of each part stand among the unknowns, of lines with so many nodes between the ends of their parts."""
    count, begin, found = len(curved), 2 * len(curved) + sum(curved), []
    for part, nodes in enumerate(between):
        after = (part + 1) % count
        inner = begin + np.arange(2 * nodes).reshape(-1, 2)
        found.append(np.vstack(([[2 * part, 2 * part + 1]], inner, [[2 * after, 2 * after + 1]])).astype(np.intp))
        begin += 2 * nodes
    return tuple(found)


@functools.lru_cache(REMEMBERED)
def _plain_columns(curved: tuple[bool, ...], size: int) -> Index:
    count = len(curved)
    ends = np.arange(2 * count).reshape(-1, 2)
    bulges = np.where(curved, 2 * count + np.cumsum(curved) - 1, size)
    return np.column_stack((ends, np.roll(ends, -1, axis=0), bulges)).astype(np.intp)


class Seen(msgspec.Struct, frozen=True, kw_only=True):
    """Shots as seen from a line: places of the feet on free stretches [-], distances [m], left positive, their sigmas [m], derivatives of both's ratio (n, size)."""

    feet: Array
    offsets: Array
    sigmas: Array
    rows: Array

    @property
    def misfit(self) -> Array:
        return self.offsets / self.sigmas

    @property
    def chi_square(self) -> float:
        return float(self.misfit @ self.misfit)


class MixedFit(msgspec.Struct, frozen=True, kw_only=True):
    """A line adjusted: the shots as seen from it, the part each belongs to, and the covariance of its unknowns."""

    line: MixedLine
    shots: Shots
    parts: Index
    seen: Seen
    covariance: Array
    converged: bool

    @property
    def chi_square(self) -> float:
        return self.seen.chi_square

    @property
    def redundancies(self) -> Array:
        """Share of each shot's own error that shows in its residual (n,) [-]."""
        return np.clip(1 - propagated(self.seen.rows, self.covariance), 0.0, 1.0)

    @property
    def checks(self) -> Array:
        """How much the shots of each part check each other (parts,): the sum of their redundancies [-]."""
        return np.asarray(np.bincount(self.parts, weights=self.redundancies, minlength=len(self.line)), dtype=np.float64)

    @property
    def length(self) -> float:
        """Description length [half nats]; at a free stretch a corner and a smooth join have one price: the one is built as often as the other (own judgement)."""
        line, count = self.line, len(self.line)
        free = [inner is not None for inner in line.inner]
        bent = [curved or one for curved, one in zip(line.curved, free, strict=True)]
        joins = [vertex for vertex in range(count) if not line.smooth[vertex] or free[vertex - 1] or free[vertex]]
        prices = PIECE_PRICE * count + ARC_PRICE * sum(line.curved) + sum(FREE_PRICE + NODE_PRICE * len(one) for one in line.inner if one is not None)
        prices += CORNER_PRICE * len(joins) + ARC_CORNER_PRICE * sum(bent[vertex - 1] or bent[vertex] for vertex in joins)
        return self.chi_square + line.numbers * math.log(max(len(self.shots), 3)) + prices

    def beyond_parts(self) -> float:
        """Return by how many of its standard deviations a shot lies farther from its own part than from what that part runs on in, at most."""
        away = np.zeros(len(self.shots))
        for part in range(len(self.line)):
            own = self.parts == part
            away[own] = distances(self.line, self.shots.points[own], part)
        return float(((away - np.abs(self.seen.offsets)) / self.seen.sigmas).max())

    def sigmas(self, part: int, places: Array) -> Array:
        """Return standard deviations [m] square to a part at places: of a free stretch (n,) [-], points of a line or arc (n, 2) [m]."""
        line = self.line
        if line.inner[part] is None:
            rows = _plain_rows(line, np.full(len(places), part, dtype=np.intp), places)[0]
        else:
            rows = np.zeros((len(places), line.size))
            _put_rows(rows, np.arange(len(places)), line.columns(part), stretch_solver.rows(line.nodes(part), np.ascontiguousarray(places))[0])
        return np.asarray(np.sqrt(np.maximum(propagated(rows, self.covariance), 0.0)))


def adjusted(line: MixedLine, shots: Shots, parts: Index, hopeless: float = math.inf, done: float = GAIN_DONE) -> MixedFit:
    """Move the unknowns until the squared distances of the shots, weighted, are least under the smooth joins.

    Parameters
    ----------
    line : MixedLine
        First values.
    shots : Shots
        In order.
    parts : (n,) array
        The part each shot belongs to.
    hopeless : float
        Chi-square above which, after `PATIENCE` steps, it is given up.
    done : float
        Gain of a step below which no other is made, of chi-square [-].

    Raises
    ------
    numpy.linalg.LinAlgError
        When the shots do not hold the line, or it is given up.
    """
    line, feet, converged = _settled(line, shots, parts, _first_feet(line, shots.points, parts), hopeless, done)
    seen = _see(line, shots, parts, feet)
    free = _free_directions(line)[0]
    information = free.T @ (seen.rows.T @ seen.rows) @ free
    information += STEADY * float(np.trace(information)) / len(information) * np.eye(len(information))
    covariance = free @ np.linalg.inv(information) @ free.T
    if not (np.isfinite(covariance).all() and math.isfinite(seen.chi_square)):
        raise np.linalg.LinAlgError("the shots make no such line")
    return MixedFit(line=line, shots=shots, parts=parts, seen=seen, covariance=covariance, converged=converged)


def settled(fit: MixedFit) -> MixedFit:
    """Give each shot to the nearer of its part and that part's neighbours, and adjust again, until none changes or that helps no more.

    A shot that lies beyond the end of its part goes to the neighbour in any case.
    """
    for _ in range(REASSIGNMENTS):
        parts = _nearest_parts(fit)
        if np.array_equal(parts, fit.parts):
            break
        again = adjusted(fit.line, fit.shots, parts)
        if again.chi_square > fit.chi_square and fit.beyond_parts() < BEYOND:
            break
        fit = again
    return fit


def nearest_parts(line: MixedLine, points: Array) -> Index:
    """Return the part (n,) nearest to each of some points (n, 2) [m]."""
    return np.asarray(np.argmin([distances(line, points, part) for part in range(len(line))], axis=0))


def distances(line: MixedLine, points: Array, part: int) -> Array:
    """Return the distances (n,) [m] of points from one part, its ends included."""
    if line.inner[part] is None:
        return distances_to_pieces(line.plain(), points, np.full(len(points), part, dtype=np.intp))
    nodes = line.nodes(part)
    feet = np.clip(feet_on(line, part, points), 0.0, len(nodes) - 1.0)
    away = points - stretch_solver.at(nodes, feet)[0]
    return np.asarray(np.hypot(away[:, 0], away[:, 1]))


def feet_on(line: MixedLine, part: int, points: Array) -> Array:
    """Return the places (n,) [-] of a free stretch, or a little beyond its ends, nearest to points (n, 2) [m]."""
    nodes = line.nodes(part)
    points = np.ascontiguousarray(points)
    return stretch_solver.feet(nodes, points, stretch_solver.nearest(nodes, points), NEWTON)


def _first_feet(line: MixedLine, points: Array, parts: Index) -> Array:
    feet = np.zeros(len(points))
    for part, inner in enumerate(line.inner):
        if inner is not None:
            feet[parts == part] = feet_on(line, part, points[parts == part])
    return feet


def _settled(line: MixedLine, shots: Shots, parts: Index, feet: Array, hopeless: float, done: float) -> tuple[MixedLine, Array, bool]:
    """Return the line moved (Levenberg, Marquardt, in the null space of the smooth joins), the feet of the shots on it, and whether it settled."""
    seen, damping, harder = _see(line, shots, parts, feet), DAMPING, HARDER
    worth = seen.chi_square + _missed(line)
    for step in range(STEPS):
        if step >= PATIENCE and worth > hopeless:
            raise np.linalg.LinAlgError("the line is far off the shots")
        free, back = _free_directions(line)
        normal, push = seen.rows.T @ seen.rows, seen.rows.T @ seen.misfit
        mean, gained = float(np.trace(normal)) / len(normal), -1.0
        for _ in range(DAMPED):
            braked = normal + np.diag(damping * np.maximum(np.diag(normal), LEAST_DAMPED * mean) + STEADY * mean)
            move = back - free @ np.linalg.solve(free.T @ braked @ free, free.T @ (push + braked @ back))
            move *= min(1.0, LONGEST_MOVE / max(_longest(line, move), 1e-12))
            trial = line.moved(move)
            then = _see(trial, shots, parts, seen.feet)
            gained = worth - then.chi_square - _missed(trial)
            if gained >= 0:
                hoped = -float(move @ (2 * push + normal @ move))
                share = min(max(gained / max(hoped, 1e-300), 0.0), 1.0)
                line, seen, worth = trial, then, worth - gained
                damping, harder = max(damping * max(1 / 3, 1 - (2 * share - 1) ** 3), 1e-9), HARDER
                break
            damping, harder = damping * harder, 2 * harder
        if gained < done * worth:  # nor is it a number where it failed
            break
    else:
        return line, seen.feet, False
    return line, seen.feet, math.isfinite(worth)


def _longest(line: MixedLine, move: Array) -> float:
    """Return how far a vertex or a node goes at the most [m]."""
    first, last = 2 * len(line), 2 * len(line) + sum(line.curved)
    moves = np.concatenate((move[:first], move[last:])).reshape(-1, 2)
    return float(np.hypot(moves[:, 0], moves[:, 1]).max())


def _missed(line: MixedLine) -> float:
    """Return how far smooth joins are from it, as a chi-square: what a move may miss more by it has to gain in the shots."""
    return sum((turn_at(line, vertex) / TIGHT) ** 2 for vertex in range(len(line)) if line.smooth[vertex])


def _see(line: MixedLine, shots: Shots, parts: Index, feet: Array) -> Seen:
    count = len(shots)
    offsets, normals, rows, feet = np.zeros(count), np.zeros((count, 2)), np.zeros((count, line.size)), feet.copy()
    free = np.array([inner is not None for inner in line.inner])
    plain = np.flatnonzero(~free[parts])
    rows[plain], offsets[plain], normals[plain] = _plain_rows(line, parts[plain], shots.points[plain])
    for part in np.flatnonzero(free).tolist():
        own = np.flatnonzero(parts == part)
        nodes, points = line.nodes(part), shots.points[own]
        feet[own] = stretch_solver.feet(nodes, points, feet[own], 2)
        slopes, places, normals[own] = stretch_solver.rows(nodes, feet[own])
        offsets[own] = ((points - places) * normals[own]).sum(axis=1)
        _put_rows(rows, own, line.columns(part), slopes)
    sigmas = np.sqrt(np.einsum("ij,ijk,ik->i", normals, shots.covariances, normals))
    return Seen(feet=feet, offsets=offsets, sigmas=sigmas, rows=rows / sigmas[:, None])


def _plain_rows(line: MixedLine, parts: Index, points: Array) -> tuple[Array, Array, Array]:
    """Return the derivatives (n, size) of the distances of points from their lines or arcs, those distances [m], and normals."""
    ends = np.hstack((line.vertices, np.roll(line.vertices, -1, axis=0), np.array(line.bulges)[:, None]))
    offsets, slopes, normals = offsets_and_slopes(ends[parts], points)
    rows = np.zeros((len(points), line.size + 1))  # the last for the bulges that lines have not
    rows[np.arange(len(points))[:, None], line.plain_columns[parts]] = slopes
    return rows[:, :-1], offsets, normals


def _put_rows(rows: Array, own: Index, columns: Index, slopes: Array) -> None:
    """Put the derivatives by the nodes of a free stretch, its ends among them, where its unknowns stand."""
    between, count = columns[1:-1].ravel(), len(columns)
    rows[own[:, None], between] = slopes[:, 2 : 2 * count - 2]
    for end, side in ((columns[0], slopes[:, :2]), (columns[-1], slopes[:, 2 * count - 2 :])):  # of a lone stretch both ends are one vertex
        rows[own, end[0]] += side[:, 0]
        rows[own, end[1]] += side[:, 1]


def _heading(line: MixedLine, part: int, *, end: bool) -> float:
    """Return the direction of travel at an end of a part [rad]."""
    if line.inner[part] is not None:
        along = stretch_solver.direction(line.nodes(part), end)
        return math.atan2(along[1], along[0])
    (x0, y0), (x1, y1) = line.vertices[part].tolist(), line.vertices[(part + 1) % len(line)].tolist()
    return math.atan2(y1 - y0, x1 - x0) + (2 if end else -2) * math.atan(line.bulges[part])


def _heading_by(line: MixedLine, part: int, *, end: bool) -> Array:
    """Return the derivatives (size,) of the direction of travel at an end of a part."""
    row, columns = np.zeros(line.size), line.columns(part).ravel()
    if line.inner[part] is None:
        (x0, y0), (x1, y1) = line.vertices[part].tolist(), line.vertices[(part + 1) % len(line)].tolist()
        dx, dy = x1 - x0, y1 - y0
        row[columns] = np.array([dy, -dx, -dy, dx]) / (dx * dx + dy * dy)
        if line.curved[part]:
            row[line.bulge_column(part)] = (2 if end else -2) / (1 + line.bulges[part] ** 2)
    else:
        np.add.at(row, columns, stretch_solver.direction_by(line.nodes(part), end))  # both ends of a lone stretch are one vertex
    return row


def turn_at(line: MixedLine, vertex: int) -> float:
    """Return the change of direction [rad] at a vertex, left positive, within half a turn."""
    return math.remainder(_heading(line, vertex, end=False) - _heading(line, (vertex - 1) % len(line), end=True), 2 * math.pi)


def _free_directions(line: MixedLine) -> tuple[Array, Array]:
    """Return the directions (size, free) in which the smooth joins stay as they are, and the move (size,) that meets them."""
    joins = [vertex for vertex in range(len(line)) if line.smooth[vertex]]
    if not joins:
        return np.eye(line.size), np.zeros(line.size)
    rows, missed = np.zeros((len(joins), line.size)), np.zeros(len(joins))
    for place, vertex in enumerate(joins):
        rows[place] = _heading_by(line, vertex, end=False) - _heading_by(line, (vertex - 1) % len(line), end=True)
        missed[place] = turn_at(line, vertex)
    _, sizes, directions = np.linalg.svd(rows)
    rank = int((sizes > 1e-9 * sizes[0]).sum())
    return np.asarray(directions[rank:].T, dtype=np.float64), np.asarray(-np.linalg.lstsq(rows, missed, rcond=1e-9)[0], dtype=np.float64)


def _nearest_parts(fit: MixedFit) -> Index:
    line, points, own = fit.line, fit.shots.points, fit.parts
    count = len(line)
    apart = np.column_stack([distances(line, points, part) for part in range(count)])
    best, rows = own.copy(), np.arange(len(points))
    for side in (-1, 1):
        other = (own + side) % count
        best = np.where(apart[rows, other] < apart[rows, best] - 1e-9, other, best)
    return _none_starved(line, own, best)


def _none_starved(line: MixedLine, own: Index, parts: Index) -> Index:
    """Return an assignment in which no part keeps fewer shots than hold it: those gave theirs away take them back."""
    for part in range(len(line)):
        inner = line.inner[part]
        needed = len(inner) + 2 if inner is not None else 3 if line.curved[part] else 2
        if int((parts == part).sum()) < needed:
            parts = np.where(own == part, own, parts)
    return parts
