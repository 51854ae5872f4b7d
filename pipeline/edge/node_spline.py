"""A closed free curve as a cubic spline through few nodes, their number and their places found from the shots.

The curve runs through K nodes with continuous curvature, its parameter the chords between them; all 2 K coordinates are free.
The squared distances square to it, weighted, are least (Levenberg, Marquardt), from several first
divisions of the row of shots; K is the one of least description length, chi-square + 2 K ln N.  Where a curve is no such spline, K
grows until the misfit is below the noise, or the shots end: then the smoothing spline serves.  The sums are done in `node_solver`.
"""

from __future__ import annotations

import functools
import math
from collections.abc import Sequence
from typing import Final

import msgspec
import numpy as np
from numpy.typing import NDArray

from pipeline.edge import node_solver
from pipeline.edge.node_solver import STEADY, Curve, Seen
from pipeline.edge.shots import Shots
from pipeline.geometry.propagation import propagated

Array = NDArray[np.float64]
Index = NDArray[np.intp]

FEWEST: Final = 5  # nodes
MOST: Final = 24
NODES_PER_SHOT: Final = 0.34  # [-] two numbers a node: a shot and a half for each number
IN_VAIN: Final = 3  # more nodes tried after the best number, before the search ends
DIVISIONS: Final = (0.0, 1 / 3, 2 / 3)  # [-] of the distance of two nodes: where the first of them stands
HOPELESS: Final = 5.0  # [-] times the description to undercut, beyond which other divisions of so many nodes are not tried
STARTS: Final = 20  # places of a span at which the feet of shots are first sought
REMEMBERED: Final = 512  # first fits kept: whether a line is a free curve is asked before its pieces are sought, and after


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
        points, covariances = (np.array(of, dtype=np.float64) for of in (shots.points, shots.covariances))
        return _finished(_settled(points, covariances, self.nodes, nearest // STARTS, nearest % STARTS / STARTS))

    def places(self, t: Array) -> tuple[Array, Array]:
        """Return places [m] and directions of travel (not of unit length) at parameters, a lap of 1."""
        return node_solver.at(node_solver.through(self.nodes), *self._spans(t))

    def sigmas(self, t: Array) -> Array:
        """Return standard deviations [m] square to the curve at parameters."""
        span, share = self._spans(t)
        rows = node_solver.rows(node_solver.through(self.nodes), span, share, _normals(self.places(t)[1]))
        return np.asarray(np.sqrt(np.maximum(propagated(rows, self.covariance), 0.0)))

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


class _State(msgspec.Struct, frozen=True):
    """A curve and the shots as seen from it."""

    curve: Curve
    seen: Seen
    chi_square: float


def _fitted(shots: Shots, count: int, shift: float) -> _State:
    return _fitted_to(shots.points.tobytes(), shots.covariances.tobytes(), count, shift)


@functools.lru_cache(REMEMBERED)
def _fitted_to(points: bytes, covariances: bytes, count: int, shift: float) -> _State:
    places = np.frombuffer(points).reshape(-1, 2).copy()
    return _settled(places, np.frombuffer(covariances).reshape(-1, 2, 2).copy(), *_divided(places, count, shift))


def _settled(points: Array, covariances: Array, nodes: Array, span: Index, share: Array) -> _State:
    return _State(*node_solver.settled(nodes, points, covariances, span, share))


def _finished(state: _State) -> NodeSpline:
    rows = node_solver.weighted_rows(state.curve, state.seen)
    information = rows.T @ rows
    steady = STEADY * float(np.trace(information)) / len(information)
    covariance = np.linalg.inv(information + steady * np.eye(len(information)))
    return NodeSpline(nodes=state.curve.nodes, misfit=state.seen.misfit, rows=rows, covariance=np.asarray(covariance, dtype=np.float64))


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


def _normals(slopes: Array) -> Array:
    """Return unit normals, to the left."""
    return np.asarray(np.column_stack((-slopes[:, 1], slopes[:, 0])) / np.hypot(slopes[:, 0], slopes[:, 1])[:, None])
