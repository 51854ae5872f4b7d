"""Shots that lie off a line with free stretches: off a stretch every run weighed by leaving it out, off the rest as off any open line.

A spline with nodes enough follows a blunder, as a closed free curve does (`off_curve`): so the number and the places of its nodes are chosen anew
without the shots in question.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import Final

import numpy as np
from numpy.typing import NDArray

from pipeline.edge import stretch_solver
from pipeline.edge.blunders import off_the_line
from pipeline.edge.free_stretch import free_parts, in_order, parts_in_order, without_shots
from pipeline.edge.mixed_line import MixedFit
from pipeline.edge.mixed_shape import mixed_chain
from pipeline.edge.shots import Shots
from pipeline.edge.stretch import FEWEST, Lone, begun_alone, length_alone, most_spans
from pipeline.edge.weighing import (
    FAR_APART,
    LEAST_OFF,
    LONGEST_RUN,
    MOST_UNLIKE,
    PLAINLY,
    SURE,
    UNEVEN,
    Reading,
    Run,
    Told,
    chi_square_limit,
    in_turn,
    price_of,
    runs_of,
    weighed,
)
from pipeline.geometry.projection import project
from pipeline.geometry.propagation import propagated

Array = NDArray[np.float64]

FEWER: Final = 3  # spans fewer than the best with all shots that one without some may have
BEST_WINDOWS: Final = 3  # in which runs are tried one by one
LEAST_TOLD: Final = 6  # shots of a row of which some may be told to be off
NEWTON: Final = 4  # steps towards the foot of a shot


def off_mixed(fit: MixedFit) -> Told:
    """Tell the shots that lie off a line with free stretches, by their index.

    Parameters
    ----------
    fit : MixedFit
        The line as adjusted to all of them.
    """
    aside: list[int] = []
    doubtful: list[int] = []
    slender: list[int] = []
    for rows, free in parts_in_order(fit):
        own = fit.shots.taken(rows)
        if len(rows) < LEAST_TOLD:
            continue
        told = (
            in_turn(own, lambda rest, _: _worst_of_stretch(rest), near=FAR_APART)
            if free
            else off_the_line(own, closed=False, arcs=True, widely=False)
        )
        aside += [rows[index] for index in told.aside]
        doubtful += [rows[index] for index in told.doubtful]
        slender += [rows[index] for index in told.slender]
    doubtful += [row for part in free_parts(fit) for row in _ends_in_doubt(fit, part) if row not in (*aside, *doubtful)]
    return Told(aside=tuple(aside), doubtful=tuple(doubtful), slender=tuple(slender))


def _ends_in_doubt(fit: MixedFit, part: int) -> Iterator[int]:
    """Yield the shots at an end of a free stretch that may be wrong: the line without them is hardly longer, them named, and runs elsewhere.

    A stretch has its own way to a shot at its end, for one span more; no shot beyond checks it.
    """
    own, count = in_order(fit.parts, part).tolist(), len(fit.shots)
    for run in [end for many in range(1, MOST_UNLIKE + 1) for end in (own[:many], own[-many:])]:
        rest = without_shots(fit, part, run)
        if rest is not None:
            offsets, sigmas = project(mixed_chain(rest), fit.shots.points[run])[1], fit.shots.sigmas[run]
            plainly = np.abs(offsets).min() > max(PLAINLY * float(sigmas.max()), LEAST_OFF)
            if plainly and fit.length - rest.length - price_of(offsets, sigmas, count) > -SURE:
                yield from run


def _worst_of_stretch(shots: Shots) -> Told:
    """Tell the run whose leaving out shortens the description as one spline most."""
    count = len(shots)
    now, spans = _shortest(shots, count, range(FEWEST, most_spans(count) + 1))
    among = range(max(FEWEST, spans - FEWER), spans + 1)
    windows = sorted((_shortest(shots.without(window), count, among)[0], window) for window in _windows(count))[:BEST_WINDOWS]
    within = {index for _, window in windows for index in window}
    readings = [_read(shots, run, now, among) for run in runs_of(within, count, closed=False)]
    return weighed([one for one in readings if one is not None], count)


def _windows(count: int) -> list[Run]:
    """Return windows that hold every run of up to `LONGEST_RUN` shots but the ends."""
    width = LONGEST_RUN + 1
    return [tuple(range(first, min(first + width, count - 1))) for first in range(1, max(count - width, 2), 2)]


def _shortest(shots: Shots, count: int, among: range) -> tuple[float, int]:
    """Return the description length [half nats] of the shortest spline among some numbers of spans, its numbers given over `count` shots; and its spans."""
    best = (math.inf, among.start)
    for spans in among:
        if length_alone(0.0, spans, count) > best[0]:
            break
        best = min(best, (length_alone(min(begun_alone(shots, spans), key=_chi_square)[0], spans, count), spans))
    return best


def _read(shots: Shots, run: Run, now: float, among: range) -> Reading | None:
    """Return the reading with a run named; None where it lies on the spline found without it."""
    rest, count, rows = shots.without(run), len(shots), list(run)
    length, spans = _shortest(rest, count, among)
    nodes = min(begun_alone(rest, spans), key=_chi_square)[1]
    points, sigmas = np.ascontiguousarray(shots.points[rows]), shots.sigmas[rows]
    feet = stretch_solver.feet(nodes, points, stretch_solver.nearest(nodes, points), NEWTON)
    there, normals = _normals(nodes, feet)
    offsets = ((points - there) * normals).sum(axis=1)
    if np.abs(offsets).min() < max(PLAINLY * float(sigmas.max()), LEAST_OFF):
        return None
    gain = now - length - price_of(offsets, sigmas, count)
    uneven = len(rows) > MOST_UNLIKE and _uneven(offsets, sigmas, _sigmas(nodes, rest, feet))
    return Reading(run=run, gain=gain, proven=not uneven, stretch=run, in_corner=False, unchecked=False)


def _uneven(offsets: Array, sigmas: Array, known: Array) -> bool:
    """Say whether shots lie off by more unlike distances than they and the spline have noise: then it runs otherwise across their gap."""
    weights = 1 / (sigmas**2 + known**2)
    apart = offsets - float(weights @ offsets) / float(weights.sum())
    return float(weights @ apart**2) > chi_square_limit(len(offsets) - 1.0, UNEVEN)


def _sigmas(nodes: Array, shots: Shots, places: Array) -> Array:
    """Return standard deviations [m] square to a spline at places, from shots by themselves."""
    points = np.ascontiguousarray(shots.points)
    feet = stretch_solver.feet(nodes, points, stretch_solver.nearest(nodes, points), NEWTON)
    rows = np.asarray(_rows(nodes, feet) / shots.sigmas[:, None], dtype=np.float64)
    information = rows.T @ rows
    steady = stretch_solver.STEADY * float(np.trace(information)) / len(information)
    covariance = np.asarray(np.linalg.inv(information + steady * np.eye(len(information))), dtype=np.float64)
    return np.asarray(np.sqrt(np.maximum(propagated(_rows(nodes, places), covariance), 0.0)))


def _rows(nodes: Array, places: Array) -> Array:
    return np.asarray(np.einsum("ij,ijk->ik", _normals(nodes, places)[1], stretch_solver.derivatives(nodes, places)[0]))


def _normals(nodes: Array, places: Array) -> tuple[Array, Array]:
    there, along = stretch_solver.at(nodes, places)
    return there, np.column_stack((-along[:, 1], along[:, 0])) / np.hypot(along[:, 0], along[:, 1])[:, None]


def _chi_square(one: Lone) -> float:
    return one[0]
