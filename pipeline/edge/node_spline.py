"""A closed free curve as a cubic spline through few nodes, their number and their places found from the shots.

The curve runs through K nodes with continuous curvature, its parameter the chords between them; all 2 K coordinates are free.
The squared distances square to it, weighted, are least (Levenberg, Marquardt), from several first
divisions of the row of shots; K is the one of least description length, chi-square + 2 K ln N.  Where a curve is no such spline, K
grows until the misfit is below the noise, or the shots end: then the smoothing spline serves.

References
----------
C. de Boor, "A Practical Guide to Splines" (1978), chapter 4, for the conditions of the second derivatives (from memory).
"""

from __future__ import annotations

import functools
import math
from collections.abc import Sequence
from typing import Final

import msgspec
import numpy as np
from numpy.typing import NDArray

from pipeline.edge.shots import Shots

Array = NDArray[np.float64]
Index = NDArray[np.intp]

FEWEST: Final = 5  # nodes
MOST: Final = 24
NODES_PER_SHOT: Final = 0.34  # [-] two numbers a node: a shot and a half for each number
IN_VAIN: Final = 3  # more nodes tried after the best number, before the search ends
DIVISIONS: Final = (0.0, 1 / 3, 2 / 3)  # [-] of the distance of two nodes: where the first of them stands
MOST_STEPS: Final = 25
GAIN_DONE: Final = 3e-4  # [-] of chi-square, relative
HOPELESS: Final = 5.0  # [-] times the description to undercut, beyond which other divisions of so many nodes are not tried
LONGEST_MOVE: Final = 0.5  # [m] of a node in one step
STARTS: Final = 20  # places of a span at which the feet of shots are first sought
REMEMBERED: Final = 512  # first fits kept: whether a line is a free curve is asked before its pieces are sought, and after
STEADY: Final = 1e-6  # weight that keeps nodes from drifting along the curve, of the mean information


class NodeSpline(msgspec.Struct, frozen=True, kw_only=True):
    """A fitted curve: its nodes [m], the shots' distances in standard deviations, their rows of derivatives, the nodes' covariance."""

    nodes: Array
    misfit: Array
    rows: Array
    covariance: Array

    @property
    def chi_square(self) -> float:
        return float(self.misfit @ self.misfit)

    @property
    def numbers(self) -> int:
        return int(self.nodes.size)

    @property
    def pieces(self) -> int:
        """How many cubics the curve is made of, evenly by the parameter."""
        return len(self.nodes)

    def on(self, shots: Shots) -> NodeSpline:
        """Return the curve of as many nodes through other shots, in order along it, begun from this one."""
        places = self.places(np.arange(STARTS * len(self.nodes)) / (STARTS * len(self.nodes)))[0]
        nearest = np.argmin(((shots.points[:, None] - places[None]) ** 2).sum(axis=2), axis=1)
        return _finished(_settled(_State(shots, self.nodes, nearest // STARTS, nearest % STARTS / STARTS)))

    def places(self, t: Array) -> tuple[Array, Array]:
        """Return places [m] and directions of travel (not of unit length) at parameters, a lap of 1."""
        return _Curve(self.nodes).at(*self._spans(t))

    def sigmas(self, t: Array) -> Array:
        """Return standard deviations [m] square to the curve at parameters."""
        span, share = self._spans(t)
        rows = _Curve(self.nodes).rows(span, share, _normals(self.places(t)[1]))
        return np.asarray(np.sqrt(np.maximum(np.einsum("ij,jk,ik->i", rows, self.covariance, rows), 0.0)))

    def offsets(self, points: Array) -> Array:
        """Return the distances [m] of points from the curve, left positive, from the nearest of `STARTS` places a span: within 2 mm."""
        t = np.arange(STARTS * len(self.nodes)) / (STARTS * len(self.nodes))
        places, slopes = self.places(t)
        nearest = np.argmin(((points[:, None] - places[None]) ** 2).sum(axis=2), axis=1)
        return np.asarray(((points - places[nearest]) * _normals(slopes[nearest])).sum(axis=1))

    def _spans(self, t: Array) -> tuple[Index, Array]:
        place = (t % 1.0) * len(self.nodes)
        span = np.minimum(np.floor(place).astype(np.intp), len(self.nodes) - 1)
        return span, place - span


def node_spline(shots: Shots, below: float = math.inf) -> NodeSpline | None:
    """Return the spline of least description length through free nodes; None with too few shots for the fewest nodes.

    Parameters
    ----------
    shots : Shots
        Of a closed line, in order.
    below : float
        Description length [half nats] it has to undercut to be of use.
    """
    best: tuple[float, _State] | None = None
    in_vain = 0
    for count in range(FEWEST, MOST + 1):
        numbers = 2 * count * math.log(len(shots))
        if count > NODES_PER_SHOT * len(shots) or in_vain >= IN_VAIN or numbers > below:
            break
        state = _fitted(shots, count, DIVISIONS[0])
        if state.chi_square + numbers < HOPELESS * below:
            state = min((state, *(_fitted(shots, count, shift) for shift in DIVISIONS[1:])), key=lambda one: one.chi_square)
        length = state.chi_square + numbers
        in_vain += 1
        if best is None or length < best[0]:
            best, in_vain = (length, state), 0
    return None if best is None else _finished(best[1])


def roughly_fitted(shots: Shots, below: float, counts: Sequence[int]) -> NodeSpline | None:
    """Return the spline of least description length among some numbers of nodes, from one first division each; None where none is short enough.

    Parameters
    ----------
    shots : Shots
        Of a closed line, in order.
    below : float
        Description length [half nats] to undercut.
    counts : sequence of int
        Numbers of nodes, rising.
    """
    best: _State | None = None
    for count in counts:
        numbers = 2 * count * math.log(len(shots))
        if count > NODES_PER_SHOT * len(shots) or numbers > below:
            break
        state = _fitted(shots, count, DIVISIONS[0])
        if state.chi_square + numbers < below:
            best, below = state, state.chi_square + numbers
    return None if best is None else _finished(best)


class _Seen(msgspec.Struct, frozen=True):
    """What of the shots a curve is fitted to: places (n, 2) [m] and covariances (n, 2, 2) [m²]."""

    points: Array
    covariances: Array


class _State:
    """Everything evaluated at one set of nodes: the feet of the shots, their distances, the normals there."""

    def __init__(self, shots: Shots | _Seen, nodes: Array, span: Index, share: Array) -> None:
        self.curve = _Curve(nodes)
        self.nodes, self.shots = nodes, shots
        self.span, self.share = self.curve.feet(shots.points, span, share)
        places, slopes = self.curve.at(self.span, self.share)
        self.normals = _normals(slopes)
        self.sigmas = np.sqrt(np.einsum("ij,ijk,ik->i", self.normals, shots.covariances, self.normals))
        self.misfit = ((places - shots.points) * self.normals).sum(axis=1) / self.sigmas
        self.chi_square = float(self.misfit @ self.misfit)

    def rows(self) -> Array:
        return np.asarray(self.curve.rows(self.span, self.share, self.normals) / self.sigmas[:, None])


def _fitted(shots: Shots, count: int, shift: float) -> _State:
    return _fitted_to(shots.points.tobytes(), shots.covariances.tobytes(), count, shift)


@functools.lru_cache(REMEMBERED)
def _fitted_to(points: bytes, covariances: bytes, count: int, shift: float) -> _State:
    seen = _Seen(np.frombuffer(points).reshape(-1, 2), np.frombuffer(covariances).reshape(-1, 2, 2))
    return _settled(_State(seen, *_divided(seen.points, count, shift)))


def _settled(state: _State) -> _State:
    damping = 1e-3
    for _ in range(MOST_STEPS):
        better, damping = _improved(state, damping)
        if better is None:
            break
        gained = state.chi_square - better.chi_square
        state = better
        if gained < GAIN_DONE * better.chi_square:
            break
    return state


def _improved(state: _State, damping: float) -> tuple[_State | None, float]:
    """Return the state after a move that lowers chi-square, damped until one does, and the damping to go on with."""
    rows = state.rows()
    normal, gradient = rows.T @ rows, rows.T @ state.misfit
    diagonal = np.repeat(np.diag(normal).reshape(-1, 2).mean(axis=1), 2)  # the same damping however the axes lie
    steady = STEADY * float(diagonal.mean())
    for _ in range(6):
        move = np.linalg.solve(normal + np.diag(damping * diagonal + steady), -gradient).reshape(-1, 2)
        move *= min(1.0, LONGEST_MOVE / max(float(np.hypot(move[:, 0], move[:, 1]).max()), 1e-12))
        moved = _State(state.shots, state.nodes + move, state.span, state.share)
        if moved.chi_square < state.chi_square + 1e-9:
            return moved, max(damping / 10, 1e-9)
        damping *= 10
    return None, damping


def _finished(state: _State) -> NodeSpline:
    rows = state.rows()
    information = rows.T @ rows
    steady = STEADY * float(np.trace(information)) / len(information)
    covariance = np.linalg.inv(information + steady * np.eye(len(information)))
    return NodeSpline(nodes=state.nodes, misfit=state.misfit, rows=rows, covariance=np.asarray(covariance, dtype=np.float64))


def _divided(points: Array, count: int, shift: float) -> tuple[Array, Index, Array]:
    """Return nodes evenly along the row of shots, and the span and share of it each shot lies at."""
    steps = np.hypot(*np.diff(np.vstack((points, points[:1])), axis=0).T)
    stations = np.concatenate(([0.0], np.cumsum(steps)))
    length = float(stations[-1])
    marks = (np.arange(count) + shift) * length / count
    nodes = np.column_stack([np.interp(marks, stations, np.append(points[:, axis], points[0, axis])) for axis in range(2)])
    place = ((stations[:-1] - marks[0]) % length) * count / length
    span = np.minimum(np.floor(place).astype(np.intp), count - 1)
    return nodes, span, place - span


class _Curve:
    """The periodic cubic spline through nodes (K, 2) [m]: its chords (K,) [m], and its second derivatives (K, 2) by chord length [1/m]."""

    def __init__(self, nodes: Array) -> None:
        step = np.concatenate((nodes[1:], nodes[:1])) - nodes
        self.count, self.nodes = len(nodes), nodes
        self.chords = np.sqrt((step * step).sum(axis=1))
        self.along = step / self.chords[:, None]
        back, index = np.append(self.chords[-1:], self.chords[:-1]), np.arange(self.count)
        self.matrix = np.zeros((self.count, self.count))
        self.matrix[index, index] = 2 * (back + self.chords)
        self.matrix[index, index - 1] = back
        self.matrix[index, index - self.count + 1] = self.chords
        self.bends = np.linalg.solve(self.matrix, 6 * (self.along - np.concatenate((self.along[-1:], self.along[:-1]))))
        self.table = np.concatenate((nodes, self.bends), axis=1)
        self.table_after = np.concatenate((self.table[1:], self.table[:1]))
        self.chords_after, self.chords_before = np.append(self.chords[1:], self.chords[:1]), back

    def at(self, span: Index, share: Array) -> tuple[Array, Array]:
        """Return places [m] and the derivatives by the parameter of chords [-]."""
        here, after, chord, share = self.table[span], self.table_after[span], self.chords[span][:, None], share[:, None]
        rest, bend, bend_after = 1 - share, here[:, 2:], after[:, 2:]
        rest_squared, squared = rest * rest, share * share
        bent = (rest_squared - 1) * rest * bend + (squared - 1) * share * bend_after
        places = rest * here[:, :2] + share * after[:, :2] + chord * chord / 6 * bent
        bent = (1 - 3 * rest_squared) * bend + (3 * squared - 1) * bend_after
        return places, (after[:, :2] - here[:, :2]) / chord + chord / 6 * bent

    def feet(self, points: Array, span: Index, share: Array) -> tuple[Index, Array]:
        """Return the places of the curve nearest to points, two Newton steps from given ones; a step may lead into the span beside."""
        for _ in range(2):
            places, slope = self.at(span, share)
            chord = self.chords[span]
            step = ((points - places) * slope).sum(axis=1) / (slope * slope).sum(axis=1) / chord
            share = share + np.minimum(np.maximum(step, -0.5), 0.5)
            ahead, behind = share > 1, share < 0
            longer = (share - 1) * chord / self.chords_after[span]
            shorter = 1 + share * chord / self.chords_before[span]
            share = np.minimum(np.maximum(np.where(ahead, longer, np.where(behind, shorter, share)), 0.0), 1.0)
            span = (span + ahead - behind) % self.count
        return span, share

    def rows(self, span: Index, share: Array, normals: Array) -> Array:
        """Return the derivatives (n, 2 K) of the curve square to itself by the nodes' coordinates, at parameters that stay as they are."""
        index, after, rest = np.arange(len(span)), (span + 1) % self.count, 1 - share
        chord, begin, end = self.chords[span], rest**3 - rest, share**3 - share
        bends = self._bends_by_steps()
        bent = np.einsum("nc,nkac->nka", normals * (begin * chord**2 / 6)[:, None], bends[span])
        bent += np.einsum("nc,nkac->nka", normals * (end * chord**2 / 6)[:, None], bends[after])
        swing = ((begin[:, None] * self.bends[span] + end[:, None] * self.bends[after]) * normals).sum(axis=1)
        bent[index, span] += (swing * chord / 3)[:, None] * self.along[span]
        rows = np.concatenate((bent[:, -1:], bent[:, :-1]), axis=1) - bent  # a node ends one step and begins the next
        rows[index, span] += rest[:, None] * normals
        rows[index, after] += share[:, None] * normals
        return np.asarray(rows.reshape(len(span), 2 * self.count))

    def _bends_by_steps(self) -> Array:
        """Return the derivatives (K, K, 2, 2) of the second derivatives by the steps between nodes: [node, step, its axis, component]."""
        index, following = np.arange(self.count), np.append(np.arange(1, self.count), 0)
        turned = 6 * (np.eye(2) - self.along[:, :, None] * self.along[:, None, :]) / self.chords[:, None, None]
        here, there = 2 * self.bends + self.bends[following], 2 * self.bends[following] + self.bends
        sides = np.zeros((self.count, self.count, 2, 2))
        sides[index, index] += turned - self.along[:, :, None] * here[:, None, :]
        sides[following, index] += -turned - self.along[:, :, None] * there[:, None, :]
        return np.asarray(np.linalg.solve(self.matrix, sides.reshape(self.count, -1)).reshape(sides.shape), dtype=np.float64)


def _normals(slopes: Array) -> Array:
    """Return unit normals, to the left."""
    return np.asarray(np.column_stack((-slopes[:, 1], slopes[:, 0])) / np.hypot(slopes[:, 0], slopes[:, 1])[:, None])
