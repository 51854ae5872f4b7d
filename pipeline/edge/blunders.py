"""Shots that lie off their line: found because leaving them out makes the description shorter than any feature they could be.

A blunder costs what it takes to name it and to say where it lies; a spike or a bay in the edge costs the pieces it is
made of.  Every run of one to four shots is tried as a blunder: first on pieces by themselves (`passing`), then the likeliest on the whole
adjusted chain, by the same description length the pieces are found by.  Where two readings come out nearly alike, none is taken:
the shots are named as doubtful, and the line is held.  What the pieces absorbed less plainly is found by its standardised
residual after the adjustment (data snooping).

References
----------
W. Baarda, "A testing procedure for use in geodetic networks", Netherlands Geodetic Commission 2/5 (1968) (from memory).
"""

from __future__ import annotations

import functools
import math
from collections.abc import Callable, Collection, Sequence
from statistics import NormalDist
from typing import Final

import msgspec
import numpy as np
from numpy.typing import NDArray

from pipeline.edge.first_shape import turn_at
from pipeline.edge.fit import CLEAR_CORNER, Cut, Shape, description_length
from pipeline.edge.free_form import FreeFit
from pipeline.edge.mixed_line import MixedFit, nearest_parts
from pipeline.edge.passing import savings
from pipeline.edge.search import Searched, bettered, costs_of, first_cut, noise_of, noisier, searched
from pipeline.edge.shots import Shots
from pipeline.geometry.chain import Chain, Piece, Point
from pipeline.geometry.fitting import fit_line, taubin_circle
from pipeline.geometry.projection import project
from pipeline.geometry.segmenting import ARC_PARAMETERS, LINE_PARAMETERS, Prices, Stretch, cut_length

Array = NDArray[np.float64]
Run = tuple[int, ...]

LONGEST_RUN: Final = 4  # shots in a row that may be one blunder (a stretch of the coping taken for the edge)
SMALL_LINE: Final = 4  # shots of a line, or
SMALL_ARC: Final = 7  # of an arc that may hold a blunder,
EVERY_RUN: Final = 120  # in lines of more shots than these; in shorter ones every run is tried
WHOLE: Final = 300  # shots up to which the whole line judges a run; beyond, a
WINDOW: Final = 40  # number of shots on both sides of it
SHORTER: Final = 1.0  # [half nats] by which a line found anew must be shorter
BESIDE: Final = 4  # shots on either side of a run about which the pieces are sought again without it
BLUNDER_PRICE: Final = 12.0  # [half nats] of saying where a blunder lies, at a standard deviation of 4 mm
BLUNDER_REACH: Final = 4.0  # [m] within which a blunder lies anywhere: its place is one of reach / (2.5 sigma)
MOST_UNLIKE: Final = 2  # shots in a row that are each off in a way of their own; more are a feature
RARE: Final = 9.0  # [half nats] of a second shot in a row that is wrong in a way of its own: one in a hundred (own judgement)
ALIKE_PRICE: Final = 2.0  # [half nats] of one that lies outside by the same distance as the others, beside its misfit
COPING: Final = (0.10, 0.65)  # [m] widths a coping may have (common practice)
FEW_ON_COPING: Final = 3  # shots left on a piece that may all have been taken on the coping
ROUNDED: Final = 3  # curves of a line that has but one corner: its corners are rounded
FEW_ON_ARC: Final = 3  # shots that any arc goes through
FEW_ON_JOG: Final = 2  # shots of a jog that nothing checks
FEATURE_PRICE: Final = 8.0  # [half nats] of one more piece, beside its numbers (the search's prices of a piece and its join)
CHECKED: Final = 0.3  # [-] checks per shot below which no shot is proved wrong
LIKELY: Final = -2.0  # [half nats] gained on pieces by themselves, from which a run is tried on the whole chain;
WEAK_LIKELY: Final = -20.0  # [half nats] where pieces hardly check themselves
UNEVEN: Final = 3.09  # normal quantile of 0.1 %: beyond it shots are not off by one and the same width
STRAINED: Final = 2.326  # normal quantile of 1 %: a piece whose misfit is beyond it may follow a blunder
WELL_CHECKED: Final = 1.5  # [-] redundancy of a piece's shots, below which they hardly check each other
UNCHECKED: Final = 0.2  # [-] redundancy of a shot that no other checks
PROVEN: Final = 0.7  # [-] redundancy of the shots left where a run was, below which nothing is proved,
LEAST_CHECKS: Final = 0.05  # [-] below which a piece's misfit tells nothing
WELL_PROVEN: Final = 1.6  # [-] and below which, where there is doubt, they are as doubtful as the run
FAR_OFF: Final = 4.0  # [-] standard deviations off its own piece
MOST_PRICED: Final = 24  # runs tried on pieces by themselves, and
MOST_TRIED: Final = 5  # on the whole chain, at a time,
MOST_ASTRAY: Final = 10  # and of runs where shots lie off their pieces, whatever pieces by themselves say of them
BEHIND: Final = 30.0  # [half nats] none that is so much less likely than the best, whatever the chain adds: twice its doubt
SURE: Final = 6.0  # [half nats] by which one reading must be likelier than another to be the right one: odds of twenty to one,
TOLD_TOO: Final = 2 * SURE  # [half nats] within which readings are told where none is sure,
LIKELIER: Final = 2.0  # [half nats] and a blunder than that nothing is wrong: the shots are named in any case
FAR_APART: Final = 8  # shots between two runs that do not speak of the same place
SLENDER: Final = 8.0  # [half nats] less than nothing wrong: a feature that rests on so little is told
PLAINLY: Final = 6.0  # [-] standard deviations a blunder lies off, and
# Of 222 readings the 55 that weigh anything (gain above -8 half nats) all began farther off than a fifth of it: random sites, seven shapes with blunders.
ON_THE_LINE: Final = 0.1  # [-] of what a blunder lies off at the least: a run nearer to the line first found without it is not followed further
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


def off_the_line(shots: Shots, *, closed: bool, arcs: bool) -> Told:
    """Tell the shots that no feature of the line explains, by their index, the worst runs first.

    Parameters
    ----------
    shots : Shots
        In order.
    closed : bool
        Whether the line closes.
    arcs : bool
        Whether it may have arcs.
    """
    return in_turn(shots, lambda rest, found: _worst_run(rest, found, closed=closed, arcs=arcs))


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


def unchecked_beside(shape: Shape, shots: Shots, aside: Sequence[int]) -> tuple[str, ...]:
    """Return shots set aside by their residuals beside pieces that nothing checks, with the shots of those pieces; none on a free curve.

    Which of them is wrong such a piece cannot tell: it goes through the others wherever they lie.
    """
    if isinstance(shape.fit, FreeFit):
        return ()
    piece_of = {name: int(piece) for name, piece in zip(shape.shots.names, shape.sightings.pieces, strict=True)}
    told: list[str] = []
    for index in aside:
        foot = shape.chain.locate(float(project(shape.chain, shots.points[index : index + 1])[0][0]))[0]
        beside = {foot, *(piece_of[name] for name in _kept_neighbours(shots, index, piece_of))}
        slight = {piece for piece in beside if _checks(shape, piece) < PROVEN}
        if slight:
            told += [shots.names[index], *(name for name, piece in piece_of.items() if piece in slight)]
    return tuple(dict.fromkeys(told))


def rows_about(shape: Shape, shots: Shots, names: Collection[str]) -> tuple[int, ...]:
    """Return the indices of some shots, of their neighbours, and of the others on pieces of theirs that little checks."""
    count, piece_of = len(shots), {name: int(piece) for name, piece in zip(shape.shots.names, shape.sightings.pieces, strict=True)}
    slight = {piece_of[name] for name in names if _checks(shape, piece_of[name]) < WELL_PROVEN}
    rows = {(shots.names.index(name) + step) % count for name in names for step in (-1, 0, 1)}
    return tuple(sorted(rows | {row for row, name in enumerate(shots.names) if piece_of.get(name) in slight}))


def _kept_neighbours(shots: Shots, index: int, kept: Collection[str]) -> list[str]:
    """Return the nearest shots kept before and behind one."""
    count = len(shots)
    rows = (((index + way * step) % count for step in range(1, count)) for way in (-1, 1))
    names = (next((shots.names[row] for row in some if shots.names[row] in kept), None) for some in rows)
    return [name for name in names if name is not None]


def unproven(shape: Shape, places: Array) -> tuple[str, ...]:
    """Return the shots of those pieces beside some places whose shots hardly check each other; none on a free curve without sides."""
    if isinstance(shape.fit, FreeFit) and isinstance(shape.fit.curve, MixedFit):
        mixed = shape.fit.curve
        few = {part for part in nearest_parts(mixed.line, places).tolist() if mixed.checks[part] < PROVEN}
        return tuple(name for name, part in zip(mixed.shots.names, mixed.parts.tolist(), strict=True) if part in few)
    if isinstance(shape.fit, FreeFit):
        return ()
    across = {shape.chain.locate(float(station))[0] for station in project(shape.chain, places)[0]}
    slight = [piece for piece in across if _checks(shape, piece) < PROVEN]
    return tuple(name for name, piece in zip(shape.shots.names, shape.sightings.pieces, strict=True) if piece in slight)


def _checks(shape: Shape, piece: int) -> float:
    """Return how much the shots of a piece check each other: the sum of their redundancies."""
    return float(shape.fit.redundancies[shape.sightings.pieces == piece].sum())


def jogs_on_few(shape: Shape) -> tuple[str, ...]:
    """Return the shots of jogs that rest on two of them: a straight piece that turns one way at one end and back at the other, beside a short side.

    Shots on the coping beside shots at the water look just like that; nothing checks two shots.  The return of a round bay is no jog.
    """
    chain, names = shape.chain, shape.shots.names
    if isinstance(shape.fit, FreeFit) or not chain.closed:
        return ()
    own = [np.flatnonzero(shape.sightings.pieces == piece) for piece in range(len(chain))]
    told: set[str] = set()
    for piece in range(len(chain)):
        turns = turn_at(chain, piece), turn_at(chain, (piece + 1) % len(chain))
        if shape.curved[piece] or len(own[piece]) > FEW_ON_JOG or turns[0] * turns[1] > 0 or min(map(abs, turns)) < CLEAR_CORNER:
            continue
        beside = [(piece + step) % len(chain) for step in (-1, 1)]
        if any(shape.curved[one] for one in beside):
            continue  # the return of a bay
        runs = [own[one] for one in beside if len(own[one]) <= LONGEST_RUN]
        told |= {names[row] for rows in (own[piece], *runs) for row in rows} if runs else set()
    return tuple(name for name in names if name in told)


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


def _worst_run(shots: Shots, found: Searched | None, *, closed: bool, arcs: bool) -> Told:
    """Tell the run whose leaving out shortens the description most, and whether another reading comes near it."""
    found = found or searched(shots, closed=closed, arcs=arcs)
    likely = _likely_runs(shots, found, closed=closed, arcs=arcs)
    readings = _readings(shots, likely, found, closed=closed, arcs=arcs)
    if readings:
        longer = _longer(max(readings, key=lambda one: one.gain).run, len(shots), closed=closed)
        readings += _readings(shots, [run for run in longer if run not in likely], found, closed=closed, arcs=arcs)
    best = max(readings, key=lambda one: one.gain, default=None)
    again = None if best is None or best.gain < -SURE else _with(shots, best, found, closed=closed, arcs=arcs)
    if again is not None:
        by = _length(found, len(shots)) - _length(again, len(shots))
        found, readings = again, [msgspec.structs.replace(one, gain=one.gain - by) for one in readings]
    told = weighed(readings, len(shots))
    return told if told.aside else msgspec.structs.replace(told, found=found)


def _readings(shots: Shots, runs: Sequence[Run], found: Searched, *, closed: bool, arcs: bool) -> list[Reading]:
    """Return the readings with one of some runs left out, but of runs that lie on the line found without them."""
    tried: list[Reading | None] = []
    for run in runs:
        if len(shots) <= WHOLE:
            tried.append(_read(shots, run, found, closed=closed, arcs=arcs))
            continue
        around = _around(run, len(shots), closed=closed)
        plain = _searched(shots.taken(around), closed=False, arcs=arcs)
        own = tuple(place for place, index in enumerate(around) if index in run)
        reading = None if plain is None else _read(shots.taken(around), own, plain, closed=False, arcs=arcs)
        tried.append(None if reading is None else _renumbered(reading, around))
    return [one for one in tried if one is not None]


def _longer(run: Run, count: int, *, closed: bool) -> list[Run]:
    """Return a run with the shot before it and with the one behind it, where that may be one blunder: pieces by themselves may have taken that for theirs."""
    if len(run) == LONGEST_RUN or len(run) + 2 > count:
        return []
    ends = (run[0] - 1, *run), (*run, run[-1] + 1)
    return [tuple(index % count for index in one) for one in ends if closed or 0 < one[0] <= one[-1] < count - 1]


def _renumbered(reading: Reading, around: list[int]) -> Reading:
    """Return a reading of a part of a line, by the shots' places in the whole of it."""
    run, stretch = (tuple(around[place] for place in places) for places in (reading.run, reading.stretch))
    return msgspec.structs.replace(reading, run=run, stretch=stretch, found=None)


def weighed(readings: list[Reading], count: int) -> Told:
    """Tell the likeliest of some readings; the shots concerned are in doubt where another of the same place comes near it, or where nothing proves it.

    "Nothing is wrong" is one of the readings, with a gain of 0.  Corners cut by one shot each at several places are how the pool was built;
    so is one that may be rounded where all others are.
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
        told = [one for one in readings if one.gain > best.gain - TOLD_TOO and not _apart(one, best, count)]
        return Told(doubtful=tuple(sorted({index for one in told for index in one.stretch})))
    return Told(aside=best.run, found=best.found)


def _apart(one: Reading, other: Reading, count: int) -> bool:
    """Say whether two runs lie so far apart that each is right or wrong whatever the other is."""
    ahead, behind = (other.run[0] - one.run[-1]) % count, (one.run[0] - other.run[-1]) % count
    return min(ahead, behind) > FAR_APART and not set(one.run) & set(other.run)


def _likely_runs(shots: Shots, found: Searched, *, closed: bool, arcs: bool) -> list[Run]:
    """Return the runs worth a trial on the whole chain, the likeliest first."""
    count = len(shots)
    costs = costs_of(shots, closed=closed, arcs=arcs)
    noise = noise_of(costs)
    costs, prices = noisier(costs, noise), _prices(count)
    now = first_cut(shots, costs, prices)
    if not _testable(now, count):
        return []
    astray = _astray(shots, found)
    weak = _weak(shots, found) | astray
    among = set(range(count)) if count <= EVERY_RUN else weak | _in_small_pieces(now, count)
    runs = runs_of(among, count, closed=closed)
    if not runs:
        return []
    gains = savings(shots, costs, now, prices, runs, noise=noise)
    lengths = np.array([len(run) for run in runs]) - 1
    place = place_price(float(np.median(shots.sigmas)) * math.sqrt(noise))
    gain = np.maximum(gains[:, 0] - ALIKE_PRICE * lengths, gains[:, 1] - place * lengths) - math.log(count) - place
    least = np.array([WEAK_LIKELY if set(run) <= weak else LIKELY for run in runs])
    order = np.argsort(-gain, kind="stable")
    some = [runs[index] for index in order if gain[index] > least[index]][:MOST_PRICED]
    before = cut_length(costs, now, prices)
    priced = [(_gain_of_pieces(shots, run, before, noise, closed=closed, arcs=arcs), run) for run in some]
    most = max((gain for gain, _ in priced), default=0.0)
    likely = [(gain, run) for gain, run in priced if gain > max(WEAK_LIKELY if set(run) <= weak else LIKELY, most - BEHIND)]
    tried = [run for _, run in sorted(likely, key=lambda one: (-one[0], one[1]))][:MOST_TRIED]
    if not astray:
        return tried
    alike = gains.max(axis=1) - ALIKE_PRICE * lengths - math.log(count) - place
    beside = [
        runs[index] for index in np.argsort(-alike, kind="stable") if alike[index] > LIKELY and set(runs[index]) <= weak and set(runs[index]) & astray
    ]
    return [*tried, *(run for run in beside[:MOST_ASTRAY] if run not in tried)]


def _weak(shots: Shots, found: Searched) -> set[int]:
    """Return the shots of pieces whose shots hardly check each other, with their neighbours."""
    shape = found.shape
    return _on_pieces(shots, shape, [piece for piece in range(len(shape.chain)) if _checks(shape, piece) < WELL_CHECKED])


def _astray(shots: Shots, found: Searched) -> set[int]:
    """Return the shots far off their piece, and those of pieces which they lie off by more than noise, with their neighbours."""
    shape, place = found.shape, {name: index for index, name in enumerate(shots.names)}
    far = np.abs(shape.fit.offsets) > FAR_OFF * shape.fit.sigmas * math.sqrt(found.noise)
    rows = {(place[name] + step) % len(shots) for name, off in zip(shape.shots.names, far, strict=True) if off for step in range(-2, 3)}
    return rows | _on_pieces(shots, shape, [piece for piece in range(len(shape.chain)) if _strained(shape, piece, found.noise)])


def _on_pieces(shots: Shots, shape: Shape, pieces: Collection[int]) -> set[int]:
    place = {name: index for index, name in enumerate(shots.names)}
    own = [place[name] for name, piece in zip(shape.shots.names, shape.sightings.pieces, strict=True) if piece in pieces]
    return {(index + step) % len(shots) for index in own for step in (-1, 0, 1)}


def _strained(shape: Shape, piece: int, noise: float) -> bool:
    """Say whether the shots of a piece lie off it by more than their noise lets them, in one of a hundred."""
    own, checks = shape.sightings.pieces == piece, _checks(shape, piece)
    misfit = float(((shape.fit.offsets[own] / shape.fit.sigmas[own]) ** 2).sum()) / noise
    return misfit > chi_square_limit(checks, STRAINED)


def _gain_of_pieces(shots: Shots, run: Run, before: float, noise: float, *, closed: bool, arcs: bool) -> float:
    """Return by how much leaving a run out shortens the description by pieces that stand by themselves, its true price in it."""
    rest, prices = shots.without(run), _prices(len(shots))
    costs = noisier(costs_of(rest, closed=closed, arcs=arcs), noise)
    now = first_cut(rest, costs, prices)
    gap = _kept(len(shots), run).index((run[0] - 1) % len(shots))
    beside = [one for one in now if any((place - one.first) % len(rest) < one.count for place in (gap, (gap + 1) % len(rest)))]
    sigmas = shots.sigmas[list(run)] * math.sqrt(noise)
    least = max(PLAINLY / 2 * float(sigmas.max()), LEAST_OFF / 2)
    off = [offsets for offsets in (_offsets(rest, one, shots.points[list(run)]) for one in beside) if np.abs(offsets).min() >= least]
    return before - cut_length(costs, now, prices) - min((price_of(offsets, sigmas, len(shots)) for offsets in off), default=math.inf)


def _offsets(shots: Shots, carrier: Stretch, off: Array) -> Array:
    """Return the signed distances [m] of places from the whole line or circle of a piece."""
    own = shots.points[np.arange(carrier.first, carrier.last + 1) % len(shots)]
    if carrier.is_arc:
        x, y, radius = taubin_circle(own, np.ones(len(own)))
        return np.asarray(radius - np.hypot(off[:, 0] - x, off[:, 1] - y))
    line = fit_line(own)
    return np.asarray((off - np.asarray(line.centre)) @ np.array([-math.sin(line.direction), math.cos(line.direction)]))


def _prices(count: int) -> Prices:
    """Return what pieces cost here: as in the search on the whole chain, so that a spike is dearer than a blunder."""
    plain = Prices.for_points(count)
    return Prices(line=plain.line + FEATURE_PRICE, arc=plain.arc + FEATURE_PRICE)


def _testable(now: Cut, count: int) -> bool:
    """Say whether shots check each other at all; where a line was shot at its corners only, none does."""
    numbers = sum(ARC_PARAMETERS if one.is_arc else LINE_PARAMETERS for one in now)
    return count + sum(one.shared for one in now) - numbers >= max(3.0, CHECKED * count)


def runs_of(among: set[int], count: int, *, closed: bool) -> list[Run]:
    """Return every run of up to `LONGEST_RUN` shots among some; never one with an end of an open line."""
    runs = []
    for first in sorted(among):
        for length in range(1, LONGEST_RUN + 1):
            run = [first + step for step in range(length)]
            if (closed or (first > 0 and run[-1] < count - 1)) and all(index % count in among for index in run):
                runs.append(tuple(index % count for index in run))
    return runs


def _in_small_pieces(now: Cut, count: int) -> set[int]:
    doubtful = set()
    for stretch in now:
        if stretch.count <= (SMALL_ARC if stretch.is_arc else SMALL_LINE):
            doubtful |= {index % count for index in range(stretch.first, stretch.last + 1)}
        if stretch.shared:
            doubtful.add(stretch.first % count)
    return doubtful


def _around(run: Run, count: int, *, closed: bool) -> list[int]:
    """Return the shots that judge a run in a line of many, in order."""
    span = range(run[0] - WINDOW, run[0] + len(run) + WINDOW)
    return [index % count for index in span if closed or 0 <= index < count]


def _read(shots: Shots, run: Run, plain: Searched, *, closed: bool, arcs: bool) -> Reading | None:
    """Return the reading with a run named as a blunder; None where it lies on the line found without it."""
    found = _without(shots, run, plain, closed=closed, arcs=arcs)
    if found is None:
        return None
    if _share_of_plainly(shots, run, found.shape, found.noise) < 1:
        return None
    shape, offsets = found.shape, _off(shots, run, found.shape, found.noise)
    stations, sigmas = project(shape.chain, shots.points[list(run)])[0], shots.sigmas[list(run)] * math.sqrt(found.noise)
    across = {shape.chain.locate(float(station))[0] for station in stations}
    checks = {piece: _checks(shape, piece) for piece in range(len(shape.chain))}
    known = {name: int(piece) for name, piece in zip(shape.shots.names, shape.sightings.pieces, strict=True)}
    ends, beside = _ends_of(run, len(shots)), _pieces_beside(shots, run, shape)
    few = {piece for piece in across if shape.curved[piece] and int((shape.sightings.pieces == piece).sum()) <= FEW_ON_ARC}
    turned = {piece for piece in across | beside if _may_be_coping(shape, piece, shots.points[list(run)])}
    slight = {piece for piece in across | beside if checks[piece] < WELL_PROVEN} | turned | few
    uneven = uneven_coping(shape, stations, offsets, sigmas, found.noise)
    in_corner = len(run) == 1 and _cuts_the_corner(shape.chain, _gap(shots, run, shape.chain), shots.points[run[0]], float(sigmas[0]))
    if in_corner:  # where it is not that, it may as well be a short side beside it that lies off
        slight |= {piece for piece in across | beside if int((shape.sightings.pieces == piece).sum()) <= LONGEST_RUN}
    on_slight = [index for index, name in enumerate(shots.names) if known.get(name) in slight]
    shown = {name: float(part) for name, part in zip(plain.shape.shots.names, plain.shape.fit.redundancies, strict=True)}
    return Reading(
        run=run,
        gain=_length(plain, len(shots)) - _length(found, len(shots)) - price_of(offsets, sigmas, len(shots)),
        proven=min(checks[piece] for piece in across) >= PROVEN and not turned and not few and not uneven,
        stretch=tuple(sorted({*run, *ends, *on_slight, *(_beside(on_slight, len(shots)) if turned else ())})) if slight or uneven else run,
        unchecked=max(shown.get(shots.names[index], 0.0) for index in run) < UNCHECKED,
        in_corner=in_corner,
        alone=closed and _one_corner(shape),
        found=found,
    )


def _share_of_plainly(shots: Shots, run: Run, shape: Shape, noise: float) -> float:
    """Return how far off a line the nearest shot of a run lies, as a share of what a blunder lies off at the least [-]."""
    return float(np.abs(_off(shots, run, shape, noise)).min()) / max(PLAINLY * float(shots.sigmas[list(run)].max()) * math.sqrt(noise), LEAST_OFF)


def _off(shots: Shots, run: Run, shape: Shape, noise: float) -> Array:
    """Return the distances [m], inwards positive, of a run from the line found without it, or from what one piece beside it runs on in.

    The latter where they are more alike: of shots of the coping up to an inward corner the last lie off the other side by less, or on it.
    """
    rows = list(run)
    places, sigmas = shots.points[rows], shots.sigmas[rows] * math.sqrt(noise)
    off = [project(shape.chain, places)[1]]
    if len(run) > MOST_UNLIKE:
        off += [_inside(shape.chain.piece(piece), places) for piece in sorted(_pieces_beside(shots, run, shape))]
    return min(off, key=lambda offsets: price_of(offsets, sigmas, len(shots)))


def _ends_of(run: Run, count: int) -> list[int]:
    """Return the shots before and behind a run."""
    return [place % count for place in (run[0] - 1, run[-1] + 1)]


def _pieces_beside(shots: Shots, run: Run, shape: Shape) -> set[int]:
    """Return the pieces of the shots before and behind a run."""
    names = {shots.names[place] for place in _ends_of(run, len(shots))}
    return {int(piece) for name, piece in zip(shape.shots.names, shape.sightings.pieces, strict=True) if name in names}


def _inside(piece: Piece, places: Array) -> Array:
    """Return how far [m] places lie to the left of the whole line or circle of a piece."""
    if piece.is_arc:
        return np.asarray(math.copysign(1.0, piece.sweep) * (piece.radius - np.hypot(*(places - np.asarray(piece.centre)).T)))
    return np.array([_left_of(piece.start, piece.direction_at(0.0), place) for place in places])


def _one_corner(shape: Shape) -> bool:
    """Say whether a closed line has curves and but one corner."""
    corners = sum(abs(turn_at(shape.chain, vertex)) > CLEAR_CORNER for vertex in range(len(shape.chain)))
    return sum(shape.curved) >= ROUNDED and corners == 1


def uneven_coping(shape: Shape, stations: Array, offsets: Array, sigmas: Array, noise: float) -> bool:
    """Say whether shots taken for the coping lie off by more unlike distances than they and the line have noise.

    Then the line runs otherwise across their gap: some piece of it has too few shots left to show.
    """
    if len(offsets) <= MOST_UNLIKE:
        return False
    weights = 1 / (sigmas**2 + shape.fit.normal_sigmas([float(station) for station in stations]) ** 2 * noise)
    apart = offsets - float(weights @ offsets) / float(weights.sum())
    return float(weights @ apart**2) > chi_square_limit(len(offsets) - 1.0, UNEVEN)


def _may_be_coping(shape: Shape, piece: int, places: Array) -> bool:
    """Say whether it may as well be the shots left on a piece that were taken on the coping, and those a coping's width inside of it at the water."""
    if int((shape.sightings.pieces == piece).sum()) > FEW_ON_COPING:
        return False
    inside = _inside(shape.chain.piece(piece), places)
    return float(inside.min()) > COPING[0] and float(inside.max()) < COPING[1]


def _beside(rows: Collection[int], count: int) -> set[int]:
    """Return the shots before and behind some: on a piece that was shot on the coping one at its end may pass for the neighbour's."""
    return {(row + step) % count for row in rows for step in (-1, 1)}


def _without(shots: Shots, run: Run, plain: Searched, *, closed: bool, arcs: bool) -> Searched | None:
    """Return the line found without a run: the pieces found with it, bettered about its place, where that can be done."""
    rest, count = shots.without(run), len(shots)
    gap = sum(index < run[0] for index in range(count) if index not in run)
    near = {(gap + step) % len(rest) for step in range(-BESIDE, BESIDE)}
    if plain.shape.shots.names == shots.names:
        start = _cut_without(plain.cut, run, count)
        whole = first_cut(rest, noisier(costs_of(rest, closed=closed, arcs=arcs), plain.noise), Prices.for_points(len(rest)))
        starts = {start, whole, _cut_again(rest, start, near, closed=closed, arcs=arcs)}
        on_it = functools.partial(_lies_on, shots, run, plain.noise)
        found = _bettered(rest, sorted(starts, key=len), plain.noise, near, closed=closed, arcs=arcs, done=on_it)
        if found is not None:
            return found
    return _searched(rest, closed=closed, arcs=arcs)


def _lies_on(shots: Shots, run: Run, noise: float, shape: Shape) -> bool:
    """Say whether a run lies so near the line without it that no bettering would put it off."""
    return _share_of_plainly(shots, run, shape, noise) < ON_THE_LINE


def _with(shots: Shots, reading: Reading, plain: Searched, *, closed: bool, arcs: bool) -> Searched | None:
    """Return the line found by putting a run back on the pieces found without it, where that is shorter than the line found before."""
    if reading.found is None or reading.found.noise != plain.noise:
        return None
    near = {(index + step) % len(shots) for index in reading.run for step in range(-BESIDE, BESIDE + 1)}
    start = _cut_with(reading.found.cut, reading.run, len(shots))
    again = _bettered(shots, [start], plain.noise, near, closed=closed, arcs=arcs)
    return again if again is not None and again.length < plain.length - SHORTER else None


def _bettered(
    shots: Shots, starts: Sequence[Cut], noise: float, near: set[int], *, closed: bool, arcs: bool, done: Callable[[Shape], bool] = lambda _: False
) -> Searched | None:
    try:
        return bettered(shots, [start for start in starts if start], closed=closed, arcs=arcs, noise=noise, near=near, done=done)
    except (ValueError, np.linalg.LinAlgError):
        return None


def _cut_with(now: Cut, run: Run, count: int) -> Cut:
    """Return a cut with the shots of a run put back: on the piece that passes their place, or the one that ends before it."""
    kept = _kept(count, run)
    pieces = [msgspec.structs.replace(one, first=_lapped(one.first, kept, count), last=_lapped(one.last, kept, count)) for one in now]
    follows = [*(one.first for one in pieces[1:]), pieces[0].first + count]
    return tuple(
        msgspec.structs.replace(one, last=max(one.last, after - 1) if after > one.last + 1 else one.last)
        for one, after in zip(pieces, follows, strict=True)
    )


def _lapped(place: int, kept: list[int], count: int) -> int:
    laps, index = divmod(place, len(kept))
    return laps * count + kept[index]


def _cut_again(shots: Shots, now: Cut, near: set[int], *, closed: bool, arcs: bool) -> Cut:
    """Return a cut with the pieces about some shots, and one more on either side, cut anew by themselves."""
    count, pieces = len(shots), len(now)
    touched = [index for index, one in enumerate(now) if any((place - one.first) % count < one.count for place in near)]
    if closed and len(touched) + 3 > pieces:
        return first_cut(shots, costs_of(shots, closed=True, arcs=arcs), Prices.for_points(count))
    if not touched:
        return now
    turned = next((index for index in touched if closed and (index - 1) % pieces not in touched), touched[0])
    length = len(touched) + 2
    first = (turned - 1) % pieces if closed else max(turned - 1, 0)
    length = length if closed else min(length, pieces - first)
    own = [now[(first + step) % pieces] for step in range(length)]
    start, end = own[0].first, own[-1].last + (count if first + length > pieces else 0)
    row = shots.taken(index % count for index in range(start, end + 1))
    again = first_cut(row, costs_of(row, closed=False, arcs=arcs), Prices.for_points(count))
    moved = [msgspec.structs.replace(one, first=one.first + start, last=one.last + start) for one in again]
    moved[0] = msgspec.structs.replace(moved[0], shared=own[0].shared)
    rest = [now[(first + length + step) % pieces] for step in range(pieces - length)]
    if not closed:
        return (*now[:first], *moved, *now[first + length :])
    laps = [count if one.first <= end - count or one.first < start else 0 for one in rest]
    rest = [msgspec.structs.replace(one, first=one.first + lap, last=one.last + lap) for one, lap in zip(rest, laps, strict=True)]
    return _from_first((*moved, *rest), count)


def _from_first(now: Cut, count: int) -> Cut:
    """Return a loop's cut with its first piece begun within the first lap."""
    laps = math.floor(now[0].first / count) * count
    return tuple(msgspec.structs.replace(one, first=one.first - laps, last=one.last - laps) for one in now)


def _cut_without(now: Cut, run: Run, count: int) -> Cut:
    """Return a cut with the shots of a run taken out; pieces that have no other go with them."""
    before = [sum(index in run for index in range(place)) for place in range(count + 1)]

    def place_of(index: int) -> int:
        laps, place = divmod(index, count)
        return laps * (count - len(run)) + place - before[place]

    left = []
    for one in now:
        own = [index for index in range(one.first, one.last + 1) if index % count not in run]
        if own and not (one.shared and len(own) == 1 and one.first % count not in run):
            shared = one.shared and one.first % count not in run
            is_arc = one.is_arc and len(own) > 2
            left.append(msgspec.structs.replace(one, first=place_of(own[0]), last=place_of(own[-1]), is_arc=is_arc, shared=shared))
    return tuple(left)


def _gap(shots: Shots, run: Run, chain: Chain) -> tuple[float, float]:
    """Return the stations [m] of the shots on either side of a run; the second is the greater."""
    ends = [(run[0] - 1) % len(shots), (run[-1] + 1) % len(shots)]
    before, after = (float(station) for station in project(chain, shots.points[ends])[0])
    return before, after if after > before else after + chain.length


def _cuts_the_corner(chain: Chain, gap: tuple[float, float], place: Array, sigma: float) -> bool:
    """Say whether a shot lies between a corner and the straight way past it, no other shot nearer: it may be rounded or cut."""
    marks = chain.piece_stations()
    (x0, y0), (x1, y1) = (chain.point_at(station % chain.length) for station in gap)
    past = _left_of((x0, y0), math.atan2(y1 - y0, x1 - x0), place)
    for vertex in range(0 if chain.closed else 1, len(chain)):
        turn = turn_at(chain, vertex)
        if abs(turn) < CLEAR_CORNER or not any(gap[0] < marks[vertex] + lap < gap[1] for lap in (0.0, chain.length)):
            continue
        sides = (chain.piece((vertex - 1) % len(chain)), chain.piece(vertex))
        inner = [_left_of(side.point_at(end), side.direction_at(end), place) for side, end in zip(sides, (sides[0].length, 0.0), strict=True)]
        side = math.copysign(1.0, turn)
        if min(offset * side for offset in inner) > 0 and past * side < PLAINLY * sigma:
            return True
    return False


def _left_of(point: Point, bearing: float, place: Array) -> float:
    """Return the signed distance [m] of a place from a line, left positive."""
    return math.cos(bearing) * (float(place[1]) - point[1]) - math.sin(bearing) * (float(place[0]) - point[0])


def _kept(count: int, run: Run) -> list[int]:
    return [index for index in range(count) if index not in run]


def _searched(shots: Shots, *, closed: bool, arcs: bool) -> Searched | None:
    try:
        return searched(shots, closed=closed, arcs=arcs)
    except (ValueError, np.linalg.LinAlgError):
        return None


def _length(found: Searched, count: int) -> float:
    """Return the description length of a line as if its numbers were given over `count` shots, with the noise's own."""
    shape, chain, own = found.shape, found.shape.chain, len(found.shape.shots)
    smooth = sum(1 for tie in shape.fit.ties if tie.kind == "tangent")
    numbers = 2 * len(chain.vertices) + sum(shape.curved) - smooth + len(chain)
    length = description_length(shape, noise=found.noise) + own * math.log(found.noise)
    return length + numbers * (math.log(count) - math.log(max(own, 3)))


def place_price(sigma: float) -> float:
    """Return the price [half nats] of saying where one blunder lies."""
    return 2 * math.log(max(BLUNDER_REACH / (2.5 * sigma), 1.0))


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
    return min(each, math.log(count) + place + ALIKE_PRICE * (len(offsets) - 1) + misfit)
