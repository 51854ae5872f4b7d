"""Shots that lie off a free curve: every run weighed by leaving it out and fitting the same kind of curve to the others.

A curve with nodes enough follows a blunder, and bends about it wherever its nodes stand: neither residuals nor their first-order
forecast then point at the right shots.  So the number of nodes is chosen anew without the shots in question: first without each of
some windows that hold every run, then without each run in the windows that save most, last by the best curve of all for the likeliest.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Final

import msgspec
import numpy as np
from numpy.typing import NDArray

from pipeline.edge.fit import Shape
from pipeline.edge.free_form import FreeFit
from pipeline.edge.node_spline import roughly_fitted
from pipeline.edge.shots import Shots
from pipeline.edge.weighing import (
    FAR_APART,
    LEAST_OFF,
    LONGEST_RUN,
    PLAINLY,
    SURE,
    Reading,
    Run,
    Told,
    in_turn,
    price_of,
    runs_of,
    uneven_coping,
    weighed,
)
from pipeline.geometry.projection import project

Array = NDArray[np.float64]

STEP: Final = 2  # shots from a window to the next,
MOST_WINDOWS: Final = 30  # and at the most so many of them
BEST_WINDOWS: Final = 4  # in which runs are tried one by one
COARSE: Final = (7, 8, 10, 12, 15, 19)  # nodes tried without a window
MOST_CURVES: Final = 6  # runs tried by the best curve
ROUGHLY: Final = 6.0  # [half nats] by which one first division of the shots falls short of the best


def off_the_curve(shots: Shots, curve: Callable[[Shots], Shape | None], below: float) -> Told:
    """Tell the shots that lie off a closed free curve, by their index.

    Parameters
    ----------
    shots : Shots
        In order.
    curve : callable
        Fits a free curve to shots; None where they make none.
    below : float
        Description length [half nats] no curve above which is worth a trial.
    """
    return in_turn(shots, lambda rest, _: _worst_of_curve(rest, curve, below), near=FAR_APART)


def least_without(shots: Shots, below: float) -> float:
    """Return about how short the description as a free curve may become by naming one run [half nats]; infinite beyond `below`."""
    return min((window.length for window in _windows(shots, below)), default=math.inf)


def description_over(shape: Shape, count: int) -> float:
    """Return the description length [half nats] of a free curve as if its numbers were given over `count` shots."""
    numbers = shape.fit.numbers if isinstance(shape.fit, FreeFit) else math.inf
    return shape.fit.chi_square + numbers * math.log(count)


def _worst_of_curve(shots: Shots, curve: Callable[[Shots], Shape | None], below: float) -> Told:
    """Tell the run whose leaving out shortens the description as a free curve most."""
    plain, count = curve(shots), len(shots)
    if plain is None:
        return Told()
    now = description_over(plain, count)
    likely = _likely(shots, min(now, below))
    readings = [one for one in (_read(shots, run, curve, now) for run in likely[:MOST_CURVES]) if one is not None]
    return weighed(readings, count)


def _read(shots: Shots, run: Run, curve: Callable[[Shots], Shape | None], now: float) -> Reading | None:
    """Return the reading with a run named; None where it lies on the curve found without it."""
    shape = curve(shots.without(run))
    if shape is None:
        return None
    stations, offsets = project(shape.chain, shots.points[list(run)])
    sigmas = shots.sigmas[list(run)]
    if np.abs(offsets).min() < max(PLAINLY * float(sigmas.max()), LEAST_OFF):
        return None
    gain = now - description_over(shape, len(shots)) - price_of(offsets, sigmas, len(shots))
    proven = not uneven_coping(shape, stations, offsets, sigmas, max(1.0, shape.fit.variance_factor))
    return Reading(run=run, gain=gain, proven=proven, stretch=run, in_corner=False, unchecked=False)


class _Window(msgspec.Struct, frozen=True, kw_only=True):
    """Shots left out together: the description length without them [half nats], and the nodes of that curve."""

    length: float
    nodes: int
    shots: Run


def _likely(shots: Shots, below: float) -> list[Run]:
    """Return the runs within the best windows that rough curves without them make likely, the likeliest first."""
    count, best = len(shots), sorted(_windows(shots, below + ROUGHLY), key=lambda one: (one.length, one.shots))[:BEST_WINDOWS]
    within = {index for window in best for index in window.shots}
    nodes = sorted({window.nodes + step for window in best for step in (-1, 0, 1)})
    lengths = []
    for run in runs_of(within, count, closed=True):
        rows, rest, sigmas = list(run), shots.without(run), shots.sigmas[list(run)]
        curve = roughly_fitted(rest, below + SURE + ROUGHLY, nodes)
        offsets = None if curve is None else curve.offsets(shots.points[rows])
        if curve is not None and offsets is not None and np.abs(offsets).min() > max(PLAINLY * float(sigmas.max()), LEAST_OFF) / 2:
            lengths.append((curve.chi_square + curve.numbers * math.log(count) + price_of(offsets, sigmas, count), run))
    return [run for length, run in sorted(lengths) if length < below + SURE + ROUGHLY]


def _windows(shots: Shots, below: float) -> list[_Window]:
    """Return windows that hold every run of up to `LONGEST_RUN` shots, each with the length of a curve without it where that is below a limit."""
    count = len(shots)
    step = max(STEP, math.ceil(count / MOST_WINDOWS))
    found = []
    for first in range(0, count, step):
        row = tuple((first + place) % count for place in range(LONGEST_RUN + step - 1))
        curve = roughly_fitted(shots.without(row), below, COARSE)
        if curve is not None:
            found.append(_Window(length=curve.chi_square + curve.numbers * math.log(count), nodes=curve.pieces, shots=row))
    return found
