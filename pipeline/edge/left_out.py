"""Shots off a line with free stretches, told by leaving them out: the line is sought anew without each of the likeliest few shots.

Shots wrong in a row part a free stretch in two, or make sides and arcs of what lies beside them, and no exchange from there leads back.  So
windows that hold every run of shots are left out of the whole line, roughly first: pieces by themselves, the best of them as one spline.
Without the likeliest windows the whole line is sought; the shots of a window are then given back but for each run in it.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterator, Sequence
from typing import Final, Literal

import msgspec
import numpy as np
from numpy.typing import NDArray

from pipeline.edge.fit import PIECE_PRICE
from pipeline.edge.free_stretch import LEAST_SHOTS, Mixed, free_gain, mixed, without_others
from pipeline.edge.mixed_line import MixedFit, adjusted, nearest_parts, settled
from pipeline.edge.mixed_shape import mixed_chain
from pipeline.edge.passing import savings
from pipeline.edge.search import costs_of
from pipeline.edge.shots import Shots
from pipeline.edge.stretch import LEAST_GAIN, SHIFTS, runs_alone
from pipeline.edge.weighing import (
    ALIKE_PRICE,
    FAR_APART,
    LEAST_OFF,
    LONGEST_RUN,
    MOST_UNLIKE,
    PLAINLY,
    PROVEN,
    SURE,
    UNEVEN,
    Reading,
    Run,
    Told,
    chi_square_limit,
    in_turn,
    place_price,
    price_of,
    runs_of,
    weighed,
)
from pipeline.geometry.projection import project
from pipeline.geometry.segmenting import Prices, cut, cut_length

Array = NDArray[np.float64]

STEP: Final = 2  # shots from a window to the next
LEAST_SAVED: Final = 12.0  # [half nats] of pieces by themselves, for a window to be left out roughly
MOST_ROUGHLY: Final = 12  # windows left out roughly,
MOST_WINDOWS: Final = 3  # of the whole line,
MOST_RUNS: Final = 3  # and runs, where no line is found without those

Leaving = Literal["none", "free", "any"]


class LeftOut(msgspec.Struct, frozen=True, kw_only=True):
    """What is told of a line's shots, and the line with free stretches through the others, where that is known."""

    told: Told
    found: Mixed | None


def left_out(row: Shots, found: Mixed | None, below: float, leaving: Leaving) -> LeftOut:
    """Tell the shots whose leaving out shortens the description of a line with free stretches, the worst run first.

    Parameters
    ----------
    row : Shots
        Of a closed line, in order.
    found : Mixed or None
        The line with free stretches through all of them, if there is one.
    below : float
        Description length [half nats] of what else the line may be.
    leaving : Leaving
        None at all, any, or only where that roughly leaves a free stretch.
    """
    if leaving == "none" or len(row) < LEAST_SHOTS + LONGEST_RUN + STEP - 1:
        return LeftOut(told=Told(), found=found)
    known = {len(row): found}
    starts: list[MixedFit] = []

    def through(rest: Shots) -> Mixed | None:
        if len(rest) not in known:
            known[len(rest)] = mixed(rest, likely=True, start=starts[-1] if starts else None)
        return known[len(rest)]

    def worst(rest: Shots, _: object) -> Told:
        plain = through(rest)
        told, fit = _worst(rest, None if plain is None else plain.best, below, leaving)
        starts.extend([] if fit is None else [fit])
        return told

    told = in_turn(row, worst, near=FAR_APART)
    return LeftOut(told=told, found=through(row.without({*told.aside, *told.doubtful})))


def _worst(row: Shots, plain: MixedFit | None, below: float, leaving: Leaving) -> tuple[Told, MixedFit | None]:
    """Tell the run whose leaving out shortens the description most, and the line without it.

    A window is given up where the line without it is not shorter than the same line was without those shots, by the price of naming one.
    """
    count, windows = len(row), _likely_windows(row, leaving)
    now = below if plain is None else min(below, plain.length)
    runs = runs_of({index for window in windows for index in window}, count, closed=True)
    readings: dict[Run, tuple[Reading, MixedFit]] = {}
    for gone in itertools.chain(windows, _likely_runs(row, runs)):
        rest = row.without(gone)
        same = math.inf if plain is None else min((fit.length for fit in without_others(plain, rest)), default=math.inf)
        without = mixed(rest, same - _least_price(row, 1) - LEAST_GAIN, likely=True)
        if without is None and math.isinf(same):
            continue
        if without is not None and _over(without.best, count) + _least_price(row, 1) < now + SURE:
            for run in runs:
                read = _read(row, without.best, gone, run, now)
                if read is not None and (run not in readings or readings[run][0].gain < read[0].gain):
                    readings[run] = read
        if gone == windows[-1] or max((reading.gain for reading, _ in readings.values()), default=-math.inf) > SURE:
            break
    told = weighed([reading for reading, _ in readings.values()], count)
    return told, max(readings.values(), key=lambda one: one[0].gain)[1] if readings else None


def _least_price(row: Shots, many: int) -> float:
    """Return the least price [half nats] of naming so many shots in a row."""
    return math.log(len(row)) + place_price(float(np.median(row.sigmas))) + ALIKE_PRICE * (many - 1)


def _likely_windows(row: Shots, leaving: Leaving) -> list[Run]:
    """Return the windows without which the line is roughly much shorter, the likeliest first."""
    count = len(row)
    costs, prices = costs_of(row, closed=True, arcs=True), Prices.for_points(count)
    now = cut(costs, prices)
    windows = [tuple((first + step) % count for step in range(LONGEST_RUN + STEP - 1)) for first in range(0, count, STEP)]
    saved = savings(row, costs, now, prices, windows, noise=1.0).max(axis=1)
    some = [windows[index] for index in np.argsort(-saved, kind="stable")[:MOST_ROUGHLY] if saved[index] > LEAST_SAVED]
    limit = _roughly(row, SHIFTS)[0] - _least_price(row, 1)
    lengths = sorted((*_roughly(row.without(window)), window) for window in some)
    return [window for length, free, window in lengths if (free or leaving == "any") and length < min(limit, lengths[0][0] + 2 * SURE)][:MOST_WINDOWS]


def _likely_runs(row: Shots, runs: Sequence[Run]) -> Iterator[Run]:
    """Yield the few runs without which the line is roughly shortest, the likeliest first."""
    priced = sorted((_roughly(row.without(run))[0] + _least_price(row, len(run)), run) for run in runs)
    yield from (run for length, run in priced[:MOST_RUNS] if length < priced[0][0] + 2 * SURE)


def _roughly(row: Shots, shifts: Sequence[float] = SHIFTS[:1]) -> tuple[float, bool]:
    """Return the description length [half nats] by pieces by themselves, some of them as free stretches where that is shorter, and whether any are."""
    costs, prices = costs_of(row, closed=True, arcs=True), Prices.for_points(len(row))
    pieces = cut(costs, prices)
    gain = free_gain(runs_alone(row, costs, pieces, shifts=shifts))
    return cut_length(costs, pieces, prices) + PIECE_PRICE * len(pieces) - gain, gain > 0


def _over(fit: MixedFit, count: int) -> float:
    """Return the description length [half nats] of a line as if its numbers were given over `count` shots."""
    return fit.length + fit.line.numbers * (math.log(count) - math.log(len(fit.shots)))


def _read(row: Shots, without: MixedFit, gone: Run, run: Run, now: float) -> tuple[Reading, MixedFit] | None:
    """Return the reading with a run named, from a line without another one; None where it lies on the line then, or that does not settle."""
    kept = [index for index in range(len(row)) if index not in run]
    parts = np.empty(len(row), dtype=np.intp)
    parts[[index for index in range(len(row)) if index not in gone]] = without.parts
    parts[list(gone)] = nearest_parts(without.line, row.points[list(gone)])
    try:
        fit = without if run == gone else settled(adjusted(without.line, row.without(run), parts[kept]))
    except (ValueError, ZeroDivisionError, np.linalg.LinAlgError):
        return None
    points, sigmas = row.points[list(run)], row.sigmas[list(run)]
    offsets = project(mixed_chain(fit), points)[1]
    if np.abs(offsets).min() < max(PLAINLY * float(sigmas.max()), LEAST_OFF):
        return None
    gain = now - _over(fit, len(row)) - price_of(offsets, sigmas, len(row))
    proven = min(fit.checks[part] for part in nearest_parts(fit.line, points)) >= PROVEN and not _uneven(offsets, sigmas)
    return Reading(run=run, gain=gain, proven=proven, stretch=run, in_corner=False, unchecked=False), fit


def _uneven(offsets: Array, sigmas: Array) -> bool:
    """Say whether more shots than may be wrong each in its own way lie off by more unlike distances than they and the line have noise."""
    apart = (offsets - offsets.mean()) / (math.sqrt(2) * sigmas)
    return len(offsets) > MOST_UNLIKE and float(apart @ apart) > chi_square_limit(len(offsets) - 1.0, UNEVEN)
