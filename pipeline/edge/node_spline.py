"""A closed free curve as a cubic spline through few nodes, their number and their places found from the shots.

The curve runs through K nodes with continuous curvature, its parameter the chords between them; all 2 K coordinates are free.
The squared distances square to it, weighted, are least (Levenberg, Marquardt; derivatives by complex steps), from several first
divisions of the row of shots; K is the one of least description length, chi-square + 2 K ln N.  Where a curve is no such spline, K
grows until the misfit is below the noise, or the shots end: then the smoothing spline serves.

References
----------
C. de Boor, "A Practical Guide to Splines" (1978), chapter 4, for the conditions of the second derivatives (from memory).
"""

from __future__ import annotations

import math
from typing import Any, Final

import msgspec
import numpy as np
from numpy.typing import NDArray

from pipeline.edge.shots import Shots

Array = NDArray[np.float64]
Index = NDArray[np.intp]
Numbers = NDArray[Any]  # real, or complex while derivatives are taken

FEWEST: Final = 5  # nodes
MOST: Final = 24
NODES_PER_SHOT: Final = 0.34  # [-] two numbers a node: a shot and a half for each number
IN_VAIN: Final = 3  # more nodes tried after the best number, before the search ends
DIVISIONS: Final = (0.0, 1 / 3, 2 / 3)  # [-] of the distance of two nodes: where the first of them stands
COMPLEX_STEP: Final = 1e-30
MOST_STEPS: Final = 25
GAIN_DONE: Final = 3e-4  # [-] of chi-square, relative
HOPELESS: Final = 5.0  # [-] times the description to undercut, beyond which other divisions of so many nodes are not tried
LONGEST_MOVE: Final = 0.5  # [m] of a node in one step
STARTS: Final = 20  # places of a span at which the feet of shots are first sought
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
        span, share = self._spans(t)
        chords, bends = _bends(self.nodes)
        return _places(self.nodes, chords, bends, span, share), _slopes(self.nodes, chords, bends, span, share)

    def sigmas(self, t: Array) -> Array:
        """Return standard deviations [m] square to the curve at parameters."""
        span, share = self._spans(t)
        rows = _rows(self.nodes, span, share, _normals(self.places(t)[1]))
        return np.asarray(np.sqrt(np.maximum(np.einsum("ij,jk,ik->i", rows, self.covariance, rows), 0.0)))

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


def spline_of(shots: Shots, count: int) -> NodeSpline | None:
    """Return the spline through so many nodes; None with too few shots for them."""
    return _finished(_fitted(shots, count, DIVISIONS[0])) if count <= NODES_PER_SHOT * len(shots) else None


class _State:
    """Everything evaluated at one set of nodes: the feet of the shots, their distances, the normals there."""

    def __init__(self, shots: Shots, nodes: Array, span: Index, share: Array) -> None:
        chords, bends = _bends(nodes)
        self.nodes, self.shots = nodes, shots
        self.span, self.share = _feet(nodes, chords, bends, shots.points, span, share)
        self.normals = _normals(_slopes(nodes, chords, bends, self.span, self.share))
        away = _places(nodes, chords, bends, self.span, self.share) - shots.points
        self.sigmas = np.sqrt(np.einsum("ij,ijk,ik->i", self.normals, shots.covariances, self.normals))
        self.misfit = (away * self.normals).sum(axis=1) / self.sigmas
        self.chi_square = float(self.misfit @ self.misfit)

    def rows(self) -> Array:
        return np.asarray(_rows(self.nodes, self.span, self.share, self.normals) / self.sigmas[:, None])


def _fitted(shots: Shots, count: int, shift: float) -> _State:
    return _settled(_State(shots, *_divided(shots.points, count, shift)))


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


def _bends(nodes: Numbers) -> tuple[Numbers, Numbers]:
    """Return chords (..., K) [m] and second derivatives (..., K, 2) by chord length [1/m] of the periodic cubic spline through nodes."""
    count = nodes.shape[-2]
    step = np.roll(nodes, -1, axis=-2) - nodes
    chords = np.sqrt((step * step).sum(axis=-1))
    back, index = np.roll(chords, 1, axis=-1), np.arange(count)
    matrix = np.zeros((*chords.shape, count), dtype=nodes.dtype)
    matrix[..., index, index] = 2 * (back + chords)
    matrix[..., index, (index - 1) % count] = back
    matrix[..., index, (index + 1) % count] = chords
    slope = step / chords[..., None]
    return chords, np.linalg.solve(matrix, 6 * (slope - np.roll(slope, 1, axis=-2)))


def _places(nodes: Numbers, chords: Numbers, bends: Numbers, span: Index, share: Array) -> Numbers:
    after, rest = (span + 1) % nodes.shape[-2], 1 - share
    straight = rest[:, None] * nodes[..., span, :] + share[:, None] * nodes[..., after, :]
    bent = (rest**3 - rest)[:, None] * bends[..., span, :] + (share**3 - share)[:, None] * bends[..., after, :]
    return np.asarray(straight + chords[..., span, None] ** 2 / 6 * bent)


def _slopes(nodes: Array, chords: Array, bends: Array, span: Index, share: Array) -> Array:
    """Return the curve's derivatives by its parameter of chords [-]."""
    after, chord = (span + 1) % len(nodes), chords[span][:, None]
    bent = (1 - 3 * (1 - share) ** 2)[:, None] * bends[span] + (3 * share**2 - 1)[:, None] * bends[after]
    return np.asarray((nodes[after] - nodes[span]) / chord + chord / 6 * bent)


def _normals(slopes: Array) -> Array:
    """Return unit normals, to the left."""
    return np.asarray(np.column_stack((-slopes[:, 1], slopes[:, 0])) / np.hypot(slopes[:, 0], slopes[:, 1])[:, None])


def _feet(nodes: Array, chords: Array, bends: Array, points: Array, span: Index, share: Array) -> tuple[Index, Array]:
    """Return the places of the curve nearest to points, two Newton steps from given ones; a step may lead into the span beside."""
    count = len(nodes)
    for _ in range(2):
        away = points - _places(nodes, chords, bends, span, share)
        slope = _slopes(nodes, chords, bends, span, share)
        step = (away * slope).sum(axis=1) / (slope * slope).sum(axis=1) / chords[span]
        share = share + np.clip(step, -0.5, 0.5)
        ahead, behind = share > 1, share < 0
        longer = (share - 1) * chords[span] / chords[(span + 1) % count]
        shorter = 1 + share * chords[span] / chords[(span - 1) % count]
        share = np.clip(np.where(ahead, longer, np.where(behind, shorter, share)), 0.0, 1.0)
        span = np.where(ahead, (span + 1) % count, np.where(behind, (span - 1) % count, span))
    return span, share


def _rows(nodes: Array, span: Index, share: Array, normals: Array) -> Array:
    """Return the derivatives (n, 2 K) of the curve square to itself by the nodes' coordinates."""
    size = nodes.size
    varied = np.tile(nodes.astype(complex), (size, 1, 1))
    varied.reshape(size, size)[np.diag_indices(size)] += 1j * COMPLEX_STEP
    chords, bends = _bends(varied)
    moved = _places(varied, chords, bends, span, share).imag / COMPLEX_STEP
    return np.asarray((moved * normals[None]).sum(axis=-1).T)
