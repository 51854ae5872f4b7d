"""Shots that lie off their line: found because leaving them out makes the description shorter than any feature they could be.

A blunder costs what it takes to name it and to say where it lies; a spike or a bay in the edge costs the pieces it is
made of.  Shots of small pieces are tried as blunders, singly and in runs, where one piece passes their place with shots enough
on both sides: a corner, rounded or not, is never taken for one.  What the pieces absorbed less plainly is found by its
standardised residual after the adjustment (data snooping).

References
----------
W. Baarda, "A testing procedure for use in geodetic networks", Netherlands Geodetic Commission 2/5 (1968) (from memory).
"""

from __future__ import annotations

import math
from statistics import NormalDist
from typing import Final

import numpy as np
from numpy.typing import NDArray

from pipeline.edge.fit import Cut, Shape
from pipeline.edge.search import costs_of, first_cut, noise_of, noisier
from pipeline.edge.shots import Shots
from pipeline.geometry.fitting import fit_line, taubin_circle
from pipeline.geometry.segmenting import ARC_PARAMETERS, LINE_PARAMETERS, Prices, Stretch, cut_length

Array = NDArray[np.float64]

LONGEST_RUN: Final = 3  # shots in a row that may be one blunder (a stretch of the coping taken for the edge)
SMALL: Final = 4  # shots of a piece that may hold a blunder
WINDOW: Final = 26  # shots on both sides of a run that judge it
BLUNDER_PRICE: Final = 12.0  # [half nats] of saying where a blunder lies: 2 ln(4 m / (2.5 sigma)) at sigma 4 mm
FEATURE_PRICE: Final = 8.0  # [half nats] of one more piece, beside its numbers (the search's prices of a piece and its join)
CHECKED: Final = 0.3  # [-] checks per shot below which no shot is proved wrong
NEXT_PRICE: Final = 8.0  # [half nats] of one more shot in the same run
ENOUGH_LINE: Final = 5  # shots of a side, or
ENOUGH_ARC: Final = 6  # of a curve, that pass the place of a blunder,
BOTH_SIDES: Final = 1  # with so many on either side of it
ENOUGH_BESIDE: Final = 4  # shots of each of two pieces that meet where a single blunder lies
PLAINLY: Final = 6.0  # [-] standard deviations a blunder lies off
COPING: Final = (0.10, 0.65)  # [m] widths a coping may have (common practice)
ALIKE: Final = 0.15  # [-] how much they may differ within a run
TOO_MANY: Final = 0.15  # [-] of a line's shots: with more set aside nothing is proved
FEW: Final = 3  # shots that may be set aside in any case
SNOOPING_SHARE: Final = 0.001  # of good lines in which a good shot is set aside


def most_set_aside(count: int) -> int:
    """Return how many of `count` shots may be set aside before the line itself is in doubt."""
    return max(FEW, math.floor(TOO_MANY * count))


def off_the_line(shots: Shots, *, closed: bool, arcs: bool) -> tuple[int, ...]:
    """Return the shots that no feature of the line explains, by their index, the worst runs first.

    Parameters
    ----------
    shots : Shots
        In order.
    closed : bool
        Whether the line closes.
    arcs : bool
        Whether it may have arcs.
    """
    left = list(range(len(shots)))
    found: list[int] = []
    runs: list[list[int]] = []
    while len(left) > 4 and len(found) <= most_set_aside(len(shots)):
        run = _worst_run(shots.taken(left), closed=closed, arcs=arcs)
        if not run:
            break
        runs.append([left[index] for index in run])
        found += runs[-1]
        left = [index for place, index in enumerate(left) if place not in run]
    return tuple(index for run in runs if not _eats_on(run, runs, len(shots)) for index in run)


def _eats_on(run: list[int], runs: list[list[int]], count: int) -> bool:
    """Say whether a single shot lies beside another run: shot after shot set aside is a feature of the edge, not blunders."""
    beside = {(run[0] - 1) % count, (run[-1] + 1) % count}
    return len(run) == 1 and any(beside & set(other) for other in runs if other is not run)


def snooped(shape: Shape, noise: float) -> int | None:
    """Return the shot with the largest standardised residual, where that is beyond what chance allows."""
    fit = shape.fit
    shown = np.sqrt(np.maximum(fit.redundancies, 1e-6))
    statistic = np.abs(fit.offsets) / (fit.sigmas * shown * math.sqrt(max(1.0, noise)))
    statistic[(fit.redundancies < 0.1) | (shape.sightings.corners >= 0)] = 0.0
    worst = int(np.argmax(statistic))
    return worst if statistic[worst] > residual_limit(len(shape.shots)) else None


def residual_limit(count: int) -> float:
    """Return the standardised residual that a good shot among `count` oversteps in one of a thousand lines."""
    return NormalDist().inv_cdf(1 - SNOOPING_SHARE / (2 * max(count, 1)))


def _worst_run(shots: Shots, *, closed: bool, arcs: bool) -> tuple[int, ...]:
    """Return the run whose leaving out shortens the description most; empty where none does."""
    costs = costs_of(shots, closed=closed, arcs=arcs)
    noise = noise_of(costs)
    costs = noisier(costs, noise)
    now = first_cut(shots, costs, _prices(len(shots)))
    if not _testable(now, len(shots)):
        return ()
    best: tuple[float, tuple[int, ...]] = (0.0, ())
    for run in _runs(now, len(shots), closed=closed):
        gain = _gain(shots, run, noise, closed=closed, arcs=arcs)
        if gain > best[0] + 1e-9:
            best = (gain, run)
    return best[1]


def _prices(count: int) -> Prices:
    """Return what pieces cost here: as in the search on the whole chain, so that a spike is dearer than a blunder."""
    plain = Prices.for_points(count)
    return Prices(line=plain.line + FEATURE_PRICE, arc=plain.arc + FEATURE_PRICE)


def _testable(now: Cut, count: int) -> bool:
    """Say whether shots check each other at all; where a line was shot at its corners only, none does."""
    numbers = sum(ARC_PARAMETERS if one.is_arc else LINE_PARAMETERS for one in now)
    return count + sum(one.shared for one in now) - numbers >= max(3.0, CHECKED * count)


def _runs(now: Cut, count: int, *, closed: bool) -> list[tuple[int, ...]]:
    """Return runs of up to `LONGEST_RUN` shots that lie in small pieces or where pieces meet at a shot."""
    doubtful = set()
    for stretch in now:
        if stretch.count <= SMALL:
            doubtful |= {index % count for index in range(stretch.first, stretch.last + 1)}
        if stretch.shared:
            doubtful.add(stretch.first % count)
    runs = []
    for first in sorted(doubtful):
        for length in range(1, LONGEST_RUN + 1):
            run = [first + step for step in range(length)]
            if not closed and run[-1] >= count:
                continue
            if all(index % count in doubtful for index in run):
                runs.append(tuple(index % count for index in run))
    return runs


def _gain(shots: Shots, run: tuple[int, ...], noise: float, *, closed: bool, arcs: bool) -> float:
    """Return by how much leaving a run out shortens the description of the shots around it; nothing unless it looks like a blunder."""
    count = len(shots)
    if count <= 2 * WINDOW + LONGEST_RUN:
        start = (run[-1] + 1) % count if closed else 0
        around, loop = [(start + step) % count for step in range(count)], closed
    else:
        span = range(run[0] - WINDOW, run[0] + len(run) + WINDOW)
        around, loop = [index % count for index in span if closed or 0 <= index < count], False
    prices = _prices(count)
    with_run = shots.taken(around)
    costs = noisier(costs_of(with_run, closed=loop, arcs=arcs), noise)
    before = cut_length(costs, first_cut(with_run, costs, prices), prices)
    rest = [index for index in around if index not in run]
    without = shots.taken(rest)
    costs = noisier(costs_of(without, closed=loop, arcs=arcs), noise)
    now = first_cut(without, costs, prices)
    off, sigma = shots.points[list(run)], float(shots.sigmas[list(run)].max())
    carrier = _piece_across(now, rest, run, count)
    if carrier is not None:
        alike = _like_a_blunder(_offsets(without, carrier, off), sigma)
    else:
        ends = shots.points[(run[0] - 1) % count], shots.points[(run[-1] + 1) % count]
        beside = [float(_offsets(without, one, off)[0]) for one in _pieces_beside(now, rest, run, count)]
        alike = bool(beside) and min(abs(offset) for offset in beside) > PLAINLY * sigma and not _cuts_the_corner(beside, ends, off[0], sigma)
    if not alike:
        return 0.0
    return before - cut_length(costs, now, prices) - (math.log(count) + BLUNDER_PRICE + NEXT_PRICE * (len(run) - 1))


def _piece_across(now: Cut, rest: list[int], run: tuple[int, ...], count: int) -> Stretch | None:
    """Return the one piece that passes the place of a run with shots enough on both sides; None where pieces meet there."""
    places = {index: place for place, index in enumerate(rest)}
    before, after = places.get((run[0] - 1) % count), places.get((run[-1] + 1) % count)
    if before is None or after is None:
        return None
    total = len(rest)
    for stretch in now:
        back = (before - stretch.first) % total
        if back < stretch.count and back + (after - before) % total < stretch.count:
            enough = ENOUGH_ARC if stretch.is_arc else ENOUGH_LINE
            beyond = stretch.count - back - 1
            return stretch if min(back + 1, beyond) >= BOTH_SIDES and stretch.count >= enough else None
    return None


def _pieces_beside(now: Cut, rest: list[int], run: tuple[int, ...], count: int) -> tuple[Stretch, ...]:
    """Return the two well-shot pieces that meet at the place of a single shot; none where they are not that."""
    if len(run) > 1:
        return ()
    places = {index: place for place, index in enumerate(rest)}
    found = []
    for index in ((run[0] - 1) % count, (run[0] + 1) % count):
        place = places.get(index)
        holds = [one for one in now if place is not None and (place - one.first) % len(rest) < one.count]
        if not holds or min(one.count for one in holds) < ENOUGH_BESIDE:
            return ()
        found.append(holds[0])
    return tuple(found)


def _cuts_the_corner(beside: list[float], ends: tuple[Array, Array], place: Array, sigma: float) -> bool:
    """Say whether a shot lies between a corner and the straight way past it: then the corner is rounded or cut, and the shot right."""
    way, away = ends[1] - ends[0], place - ends[0]
    past = float(way[0] * away[1] - way[1] * away[0]) / float(np.hypot(*way))
    return beside[0] * beside[1] > 0 and (past * beside[0] < 0 or abs(past) < PLAINLY * sigma)


def _offsets(shots: Shots, carrier: Stretch, off: Array) -> Array:
    """Return the signed distances [m], left of the way along it positive, of places from the whole line or circle of a piece."""
    own = shots.points[np.arange(carrier.first, carrier.last + 1) % len(shots)]
    if carrier.is_arc:
        x, y, radius = taubin_circle(own, np.ones(len(own)))
        into, out = own[len(own) // 2] - own[0], own[-1] - own[len(own) // 2]
        sense = 1.0 if into[0] * out[1] - into[1] * out[0] > 0 else -1.0
        return np.asarray(sense * (radius - np.hypot(off[:, 0] - x, off[:, 1] - y)))
    line = fit_line(own)
    return np.asarray((off - np.asarray(line.centre)) @ np.array([-math.sin(line.direction), math.cos(line.direction)]))


def _like_a_blunder(offsets: Array, sigma: float) -> bool:
    """Say whether shots lie off a piece as blunders do: plainly, and if several, all by the distance a coping is wide."""
    if len(offsets) == 1:
        return bool(abs(offsets[0]) > PLAINLY * sigma)
    least, most = float(np.abs(offsets).min()), float(np.abs(offsets).max())
    one_side = bool((np.sign(offsets) == np.sign(offsets[0])).all())
    return one_side and least > max(COPING[0], PLAINLY * sigma) and most < COPING[1] and most - least < ALIKE * most + 3 * sigma
