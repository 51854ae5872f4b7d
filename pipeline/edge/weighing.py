"""What naming shots as wrong costs, and how readings of a line, each with other shots named, are weighed against each other.

A blunder costs what it takes to name it and to say where it lies.  Where two readings come out nearly alike, none is taken: the shots are named
as doubtful, and the line is held.  What a line absorbed less plainly is found by its standardised residual (data snooping).

References
----------
W. Baarda, "A testing procedure for use in geodetic networks", Netherlands Geodetic Commission 2/5 (1968) (from memory).
"""

from __future__ import annotations

import math
from collections.abc import Callable, Collection
from statistics import NormalDist
from typing import Final

import msgspec
import numpy as np
from numpy.typing import NDArray

from pipeline.edge.fit import Shape
from pipeline.edge.search import Searched
from pipeline.edge.shots import Shots

Array = NDArray[np.float64]
Run = tuple[int, ...]

LONGEST_RUN: Final = 4  # shots in a row that may be one blunder (a stretch of the coping taken for the edge)
BLUNDER_PRICE: Final = 12.0  # [half nats] of saying where a blunder lies, at a standard deviation of 4 mm
BLUNDER_REACH: Final = 4.0  # [m] within which a blunder lies anywhere: its place is one of reach / (2.5 sigma)
MOST_UNLIKE: Final = 2  # shots in a row that are each off in a way of their own; more are a feature
RARE: Final = 9.0  # [half nats] of a second shot in a row that is wrong in a way of its own: one in a hundred (own judgement)
ALIKE_PRICE: Final = 2.0  # [half nats] of one that lies outside by the same distance as the others, beside its misfit
COPING: Final = (0.10, 0.65)  # [m] widths a coping may have (common practice)
UNEVEN: Final = 3.09  # normal quantile of 0.1 %: beyond it shots are not off by one and the same width
LEAST_CHECKS: Final = 0.05  # [-] below which a piece's misfit tells nothing
PROVEN: Final = 0.7  # [-] redundancy of the shots left where a run was, below which nothing is proved
SURE: Final = 6.0  # [half nats] by which one reading must be likelier than another to be the right one: odds of twenty to one,
TOLD_TOO: Final = (
    2 * SURE
)  # [half nats] within which readings are told where none is sure; all likelier than none wrong where nothing proves the best,
LIKELIER: Final = 2.0  # [half nats] and a blunder than that nothing is wrong: the shots are named in any case
FAR_APART: Final = 8  # shots between two runs that do not speak of the same place
SLENDER: Final = 8.0  # [half nats] less than nothing wrong: a feature that rests on so little is told
PLAINLY: Final = 6.0  # [-] standard deviations a blunder lies off, and
LEAST_OFF: Final = 0.06  # [m] at the least: less is how the edge was built, or noise, which residuals tell
TOO_MANY: Final = 0.15  # [-] of a line's shots: with more set aside nothing is proved
FEW: Final = 3  # shots that may be set aside in any case
SNOOPING_SHARE: Final = 0.001  # of good lines in which a good shot is set aside


class Told(msgspec.Struct, frozen=True, kw_only=True):
    """Shots told to be off their line, and what cannot be told, by index.

    Parameters
    ----------
    aside : tuple of int
        Shots that no feature of the line explains.
    doubtful : tuple of int
        Shots some of which are wrong, and it cannot be told which.
    slender : tuple of int
        Shots that alone show a feature of the line: if it is not there, they are wrong.
    found : Searched or None
        The line found without the shots set aside.
    """

    aside: tuple[int, ...] = ()
    doubtful: tuple[int, ...] = ()
    slender: tuple[int, ...] = ()
    found: Searched | None = None


class Reading(msgspec.Struct, frozen=True, kw_only=True):
    """A line read with a run left out: by how much that shortens the description [half nats], and the line so found.

    `proven` says whether shots enough are left where the run was to check each other; `stretch` are the run and those shots.
    `in_corner`: it is one shot within the turn of a corner, as a rounded or cut corner would show it; `alone`: the line has no other corner, but curves.
    `unchecked`: where the run is left in, no other shot checks it.  `found`: the whole line so read.
    """

    run: Run
    gain: float
    proven: bool
    stretch: Run
    in_corner: bool
    unchecked: bool
    alone: bool = False
    found: Searched | None = None


def most_set_aside(count: int) -> int:
    """Return how many of `count` shots may be set aside before the line itself is in doubt."""
    return max(FEW, math.floor(TOO_MANY * count))


def in_turn(shots: Shots, worst_of: Callable[[Shots, Searched | None], Told], near: int = 1) -> Told:
    """Set aside run after run, the worst first, until what is left shows none; each begins with the line found by the one before.

    Two runs no more than `near` shots apart are in doubt, with all between them.
    """
    left = list(range(len(shots)))
    runs: list[list[int]] = []
    worst, rest, run, beside = Told(), shots, [], []
    while len(left) > 4 and sum(map(len, runs)) <= most_set_aside(len(shots)):
        worst = worst_of(rest, worst.found)
        run = [left[index] for index in worst.aside]
        beside = [one for one in runs if touch(run, one, len(shots), near)]
        if not run or beside:
            break
        runs.append(run)
        rest = rest.without(worst.aside)
        left = [index for place, index in enumerate(left) if place not in worst.aside]
        worst = Told(found=worst.found)
    doubtful = spanned([*run, *(index for one in beside for index in one)], len(shots)) if beside else [left[index] for index in worst.doubtful]
    sure = [one for one in runs if one not in beside]
    return Told(
        aside=tuple(index for one in sure for index in one),
        doubtful=tuple(doubtful),
        slender=tuple(left[index] for index in worst.slender),
        found=worst.found if sure == runs else None,
    )


def touch(run: Collection[int], other: Collection[int], count: int, near: int = 1) -> bool:
    """Say whether two runs lie side by side: shot after shot set aside is a feature of the edge more likely than blunders."""
    beside = {(index + step) % count for index in run for step in range(-near, near + 1)}
    return bool(beside & set(other))


def spanned(rows: Collection[int], count: int) -> list[int]:
    """Return the shots of the shortest stretch of a loop that holds some."""
    known = sorted(set(rows))
    gaps = [(after - before) % count or count for before, after in zip(known, [*known[1:], known[0]], strict=True)]
    widest = int(np.argmax(gaps))
    return [(known[widest] + gaps[widest] + step) % count for step in range(count - gaps[widest] + 1)]


def runs_of(among: set[int], count: int, *, closed: bool) -> list[Run]:
    """Return every run of up to `LONGEST_RUN` shots among some; never one with an end of an open line."""
    runs = []
    for first in sorted(among):
        for length in range(1, LONGEST_RUN + 1):
            run = [first + step for step in range(length)]
            if (closed or (first > 0 and run[-1] < count - 1)) and all(index % count in among for index in run):
                runs.append(tuple(index % count for index in run))
    return runs


def weighed(readings: list[Reading], count: int, *, widely: bool = False) -> Told:
    """Tell the likeliest of some readings; the shots concerned are in doubt where another of the same place comes near it, or where nothing proves it.

    "Nothing is wrong" is one of the readings, with a gain of 0.  Corners cut by one shot each at several places are how the pool was built;
    so is one that may be rounded where all others are.  `widely`: where nothing is sure, less likely readings are told as well.
    """
    cut = [one for one in readings if one.in_corner and one.gain > -SURE]
    if not any(_apart(one, other, count) for one in cut for other in cut):
        cut = [one for one in cut if one.alone and one.gain < SURE]
    readings = [one for one in readings if one not in cut]
    best = max(readings, key=lambda one: one.gain, default=None)
    if best is None or best.gain < -SLENDER:
        return Told()
    if best.gain < (0.0 if best.in_corner else -SURE):
        return Told(slender=tuple(sorted(best.stretch)) if best.unchecked else ())
    near = [one for one in readings if one.gain > best.gain - SURE and not _apart(one, best, count)]
    if best.gain < LIKELIER or best.in_corner or not best.proven or len(near) > 1:
        least = best.gain - TOLD_TOO if best.proven else min(LIKELIER, best.gain - TOLD_TOO)
        told = [one for one in readings if one.gain > least and not _apart(one, best, count)]
        return Told(doubtful=tuple(sorted({index for one in (told if widely else near) for index in one.stretch})))
    return Told(aside=best.run, found=best.found)


def _apart(one: Reading, other: Reading, count: int) -> bool:
    """Say whether two runs lie so far apart that each is right or wrong whatever the other is."""
    ahead, behind = (other.run[0] - one.run[-1]) % count, (one.run[0] - other.run[-1]) % count
    return min(ahead, behind) > FAR_APART and not set(one.run) & set(other.run)


def price_of(offsets: Array, sigmas: Array, count: int) -> float:
    """Return the price [half nats] of naming a run: each shot's place, or one for all where they lie outside by a coping's width.

    Infinite for more than `MOST_UNLIKE` shots that are not alike.
    """
    place, few = place_price(float(sigmas.max())), len(offsets) <= MOST_UNLIKE
    each = math.log(count) + place * len(offsets) + RARE * (len(offsets) - 1) if few else math.inf
    apart = np.abs(offsets)
    if len(offsets) == 1 or offsets.max() > 0 or apart.min() < COPING[0] or apart.max() > COPING[1]:
        return each
    misfit = float((((offsets - offsets.mean()) / sigmas) ** 2).sum()) / 2  # half of it is the line's own uncertainty
    return min(each, alike_price(sigmas, count) + misfit)


def alike_price(sigmas: Array, count: int) -> float:
    """Return the price [half nats] of naming a run of `sigmas` (n,) [m] that lies off by one distance."""
    return math.log(count) + place_price(float(sigmas.max())) + ALIKE_PRICE * (len(sigmas) - 1)


def along_both(before: Array, behind: Array) -> list[Array]:
    """Return what a run of n shots may lie off: the piece before it up to some shot, the one behind it from there on, by their distances (n,) [m].

    Of shots of the coping up to an inward corner, or round any, one piece alone has unlike distances.
    """
    return [np.concatenate((before[:shot], behind[shot:])) for shot in range(len(before) + 1)]


def place_price(sigma: float) -> float:
    """Return the price [half nats] of saying where one blunder lies."""
    return 2 * math.log(max(BLUNDER_REACH / (2.5 * sigma), 1.0))


def uneven_coping(shape: Shape, stations: Array, offsets: Array, sigmas: Array, noise: float) -> bool:
    """Say whether shots taken for the coping lie off by more unlike distances than they and the line have noise.

    Then the line runs otherwise across their gap: some piece of it has too few shots left to show.
    """
    if len(offsets) <= MOST_UNLIKE:
        return False
    weights = 1 / (sigmas**2 + shape.fit.normal_sigmas([float(station) for station in stations]) ** 2 * noise)
    apart = offsets - float(weights @ offsets) / float(weights.sum())
    return float(weights @ apart**2) > chi_square_limit(len(offsets) - 1.0, UNEVEN)


def snooped(shape: Shape, noise: float) -> int | None:
    """Return the shot with the largest standardised residual, where that is beyond what chance allows."""
    fit = shape.fit
    shown = np.sqrt(np.maximum(fit.redundancies, 1e-6))
    statistic = np.abs(fit.offsets) / (fit.sigmas * shown * math.sqrt(max(1.0, noise)))
    statistic[(fit.redundancies < 0.1) | (shape.sightings.corners >= 0)] = 0.0
    worst = int(np.argmax(statistic))
    return worst if statistic[worst] > residual_limit(len(shape.shots)) else None


def chi_square_limit(freedom: float, quantile: float) -> float:
    """Return chi-square at a normal quantile, by Wilson and Hilferty's cube root; `freedom` need be no whole number."""
    part = 2 / (9 * max(freedom, LEAST_CHECKS))
    return freedom * max(1 - part + quantile * math.sqrt(part), 0.0) ** 3


def residual_limit(count: int) -> float:
    """Return the standardised residual that a good shot among `count` oversteps in one of a thousand lines."""
    return NormalDist().inv_cdf(1 - SNOOPING_SHARE / (2 * max(count, 1)))
