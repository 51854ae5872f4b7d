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

import math
from collections.abc import Callable
from statistics import NormalDist
from typing import Final

import msgspec
import numpy as np
from numpy.typing import NDArray

from pipeline.edge.first_shape import turn_at
from pipeline.edge.fit import CLEAR_CORNER, Cut, Shape, description_length
from pipeline.edge.free_form import description_of_free
from pipeline.edge.passing import savings
from pipeline.edge.search import Searched, costs_of, first_cut, noise_of, noisier, searched
from pipeline.edge.shots import Shots
from pipeline.geometry.chain import Chain, Point
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
BLUNDER_PRICE: Final = 12.0  # [half nats] of saying where a blunder lies, at a standard deviation of 4 mm
BLUNDER_REACH: Final = 4.0  # [m] within which a blunder lies anywhere: its place is one of reach / (2.5 sigma)
MOST_UNLIKE: Final = 2  # shots in a row that are each off in a way of their own; more are a feature
ALIKE_PRICE: Final = 2.0  # [half nats] of one that lies outside by the same distance as the others, beside its misfit
COPING: Final = (0.10, 0.65)  # [m] widths a coping may have (common practice)
FEATURE_PRICE: Final = 8.0  # [half nats] of one more piece, beside its numbers (the search's prices of a piece and its join)
CHECKED: Final = 0.3  # [-] checks per shot below which no shot is proved wrong
LIKELY: Final = -2.0  # [half nats] gained on pieces by themselves, from which a run is tried on the whole chain;
WEAK_LIKELY: Final = -20.0  # [half nats] where pieces hardly check themselves
WELL_CHECKED: Final = 1.5  # [-] redundancy of a piece's shots, below which they hardly check each other
UNCHECKED: Final = 0.2  # [-] redundancy of a shot that no other checks
PROVEN: Final = 0.7  # [-] redundancy of the shots left where a run was, below which nothing is proved,
WELL_PROVEN: Final = 1.6  # [-] and below which, where there is doubt, they are as doubtful as the run
FAR_OFF: Final = 4.0  # [-] standard deviations off its own piece
MOST_PRICED: Final = 24  # runs tried on pieces by themselves, and
MOST_TRIED: Final = 5  # on the whole chain, at a time,
BEHIND: Final = 30.0  # [half nats] none that is so much less likely than the best, whatever the chain adds: twice its doubt
SURE: Final = 6.0  # [half nats] by which one run must be likelier than another to be the wrong one: odds of twenty to one,
LIKELIER: Final = 2.0  # [half nats] and than that nothing is wrong: the shots are named in any case
SLENDER: Final = 8.0  # [half nats] less: a feature that rests on so little is told
PLAINLY: Final = 6.0  # [-] standard deviations a blunder lies off
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
    `in_corner`: it is one shot within the turn of a corner, as a rounded or cut corner would show it.
    `unchecked`: where the run is left in, no other shot checks it.
    """

    run: Run
    gain: float
    proven: bool
    stretch: Run
    in_corner: bool
    unchecked: bool


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
    return _in_turn(shots, lambda rest: _worst_run(rest, closed=closed, arcs=arcs))


def off_the_curve(shots: Shots, curve: Callable[[Shots], Shape | None]) -> Told:
    """Tell the shots that lie off a closed free curve, by their index.

    Parameters
    ----------
    shots : Shots
        In order.
    curve : callable
        Fits a free curve to shots; None where they make none.
    """
    return _in_turn(shots, lambda rest: _worst_of_curve(rest, curve))


def _in_turn(shots: Shots, worst_of: Callable[[Shots], Told]) -> Told:
    """Set aside run after run, the worst first, until what is left shows none."""
    left = list(range(len(shots)))
    runs: list[list[int]] = []
    worst, rest, run, beside = Told(), shots, [], []
    while len(left) > 4 and sum(map(len, runs)) <= most_set_aside(len(shots)):
        worst = worst_of(rest)
        run = [left[index] for index in worst.aside]
        beside = [one for one in runs if _touch(run, one, len(shots))]
        if not run or beside:
            break
        runs.append(run)
        rest = rest.without(worst.aside)
        left = [index for place, index in enumerate(left) if place not in worst.aside]
        worst = Told()
    doubtful = [*run, *(index for one in beside for index in one)] if beside else [left[index] for index in worst.doubtful]
    sure = [one for one in runs if one not in beside]
    return Told(
        aside=tuple(index for one in sure for index in one),
        doubtful=tuple(doubtful),
        slender=tuple(left[index] for index in worst.slender),
        found=worst.found if sure == runs else None,
    )


def _touch(run: list[int], other: list[int], count: int) -> bool:
    """Say whether two runs lie side by side: shot after shot set aside is a feature of the edge more likely than blunders."""
    beside = {(index + step) % count for index in run for step in (-1, 1)}
    return bool(beside & set(other))


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


def _worst_run(shots: Shots, *, closed: bool, arcs: bool) -> Told:
    """Tell the run whose leaving out shortens the description most, and whether another reading comes near it."""
    found = searched(shots, closed=closed, arcs=arcs)
    tried: list[Reading | None] = []
    for run in _likely_runs(shots, found, closed=closed, arcs=arcs):
        around, loop = _around(run, shots, found, closed=closed)
        plain = found if loop == closed and len(around) == len(shots) else _searched(shots.taken(around), closed=loop, arcs=arcs)
        if plain is not None:
            tried.append(_read(shots, run, around, plain, closed=loop, arcs=arcs))
    told = _weighed([one for one in tried if one is not None])
    return told if told.aside else msgspec.structs.replace(told, found=found)


def _worst_of_curve(shots: Shots, curve: Callable[[Shots], Shape | None]) -> Told:
    """Tell the run whose leaving out shortens the description as a free curve most."""
    plain = curve(shots)
    if plain is None:
        return Told()
    readings = []
    for run in _likely_runs(shots, None, closed=True, arcs=True):
        shape = curve(shots.without(run))
        if shape is None:
            continue
        offsets, sigmas = project(shape.chain, shots.points[list(run)])[1], shots.sigmas[list(run)]
        if np.abs(offsets).min() > PLAINLY * float(sigmas.max()):
            gain = description_of_free(plain, 1.0) - description_of_free(shape, 1.0) - _price(offsets, sigmas, len(shots))
            readings.append(Reading(run=run, gain=gain, proven=True, stretch=run, in_corner=False, unchecked=False))
    return _weighed(readings)


def _weighed(readings: list[Reading]) -> Told:
    """Tell the likeliest of some readings; the shots concerned are in doubt where another comes near it, or where nothing proves it."""
    best = max(readings, key=lambda one: one.gain, default=None)
    if best is None or best.gain < -SLENDER:
        return Told()
    if best.gain < 0 or (best.in_corner and best.gain < SLENDER):
        return Told(slender=tuple(sorted(best.stretch)) if best.gain > 0 or best.unchecked else ())
    near = [one for one in readings if one.gain > best.gain - SURE]
    if best.gain < LIKELIER or best.in_corner or not best.proven or len(near) > 1:
        return Told(doubtful=tuple(sorted({index for one in near for index in one.stretch})))
    return Told(aside=best.run)


def _likely_runs(shots: Shots, found: Searched | None, *, closed: bool, arcs: bool) -> list[Run]:
    """Return the runs worth a trial on the whole chain, or on a free curve (nothing found), the likeliest first."""
    count = len(shots)
    costs = costs_of(shots, closed=closed, arcs=arcs)
    noise = noise_of(costs)
    costs, prices = noisier(costs, noise), _prices(count)
    now = first_cut(shots, costs, prices)
    if found is not None and not _testable(now, count):
        return []
    weak = set() if found is None else _weak(shots, found)
    among = set(range(count)) if count <= EVERY_RUN else weak | _in_small_pieces(now, count)
    runs = _runs(among, count, closed=closed)
    if not runs:
        return []
    gains = savings(shots, costs, now, prices, runs, noise=noise)
    lengths = np.array([len(run) for run in runs]) - 1
    place = _place_price(float(np.median(shots.sigmas)) * math.sqrt(noise))
    gain = np.maximum(gains[:, 0] - ALIKE_PRICE * lengths, gains[:, 1] - place * lengths) - math.log(count) - place
    least = np.array([WEAK_LIKELY if set(run) <= weak else LIKELY for run in runs])
    order = np.argsort(-gain, kind="stable")
    some = [runs[index] for index in order if gain[index] > least[index]][:MOST_PRICED]
    before = cut_length(costs, now, prices)
    priced = [(_gain_of_pieces(shots, run, before, noise, closed=closed, arcs=arcs), run) for run in some]
    most = max((gain for gain, _ in priced), default=0.0)
    likely = [(gain, run) for gain, run in priced if gain > max(WEAK_LIKELY if set(run) <= weak else LIKELY, most - BEHIND)]
    return [run for _, run in sorted(likely, key=lambda one: (-one[0], one[1]))][:MOST_TRIED]


def _weak(shots: Shots, found: Searched) -> set[int]:
    """Return the shots of pieces whose shots hardly check each other, and shots far off their piece, with their neighbours."""
    shape = found.shape
    place = {name: index for index, name in enumerate(shots.names)}
    own = np.array([place[name] for name in shape.shots.names], dtype=np.intp)
    far = own[np.abs(shape.fit.offsets) > FAR_OFF * shape.fit.sigmas * math.sqrt(found.noise)]
    weak = {int(index + step) % len(shots) for index in far for step in range(-2, 3)}
    for piece in range(len(shape.chain)):
        on_it = shape.sightings.pieces == piece
        if float(shape.fit.redundancies[on_it].sum()) < WELL_CHECKED:
            weak |= {int(index + step) % len(shots) for index in own[on_it] for step in (-1, 0, 1)}
    return weak


def _gain_of_pieces(shots: Shots, run: Run, before: float, noise: float, *, closed: bool, arcs: bool) -> float:
    """Return by how much leaving a run out shortens the description by pieces that stand by themselves, its true price in it."""
    rest, prices = shots.without(run), _prices(len(shots))
    costs = noisier(costs_of(rest, closed=closed, arcs=arcs), noise)
    now = first_cut(rest, costs, prices)
    gap = _kept(len(shots), run).index((run[0] - 1) % len(shots))
    beside = [one for one in now if any((place - one.first) % len(rest) < one.count for place in (gap, (gap + 1) % len(rest)))]
    offsets = min((_offsets(rest, one, shots.points[list(run)]) for one in beside), key=lambda row: float(np.abs(row).min()))
    sigmas = shots.sigmas[list(run)] * math.sqrt(noise)
    if np.abs(offsets).min() < PLAINLY / 2 * float(sigmas.max()):
        return -math.inf
    return before - cut_length(costs, now, prices) - _price(offsets, sigmas, len(shots))


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


def _runs(among: set[int], count: int, *, closed: bool) -> list[Run]:
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


def _around(run: Run, shots: Shots, found: Searched, *, closed: bool) -> tuple[list[int], bool]:
    """Return the shots that judge a run, in order, and whether they close; a loop begins at the break farthest from the run."""
    count = len(shots)
    if count > WHOLE:
        span = range(run[0] - WINDOW, run[0] + len(run) + WINDOW)
        return [index % count for index in span if closed or 0 <= index < count], False
    if not closed:
        return list(range(count)), False
    names, own = found.shape.shots.names, {name: index for index, name in enumerate(shots.names)}
    breaks = [own[names[one.first % len(names)]] for one in found.cut if not one.shared] or [(run[0] + count // 2) % count]
    seam = max(breaks, key=lambda place: min((place - run[-1]) % count, (run[0] - place) % count))
    return [(seam + step) % count for step in range(count)], True


def _read(shots: Shots, run: Run, around: list[int], plain: Searched, *, closed: bool, arcs: bool) -> Reading | None:
    """Return the reading with a run named as a blunder; None where it lies on the line found without it."""
    rest = shots.taken(around).without(place for place, index in enumerate(around) if index in run)
    found = _searched(rest, closed=closed, arcs=arcs, begins=True)
    if found is None:
        return None
    stations, offsets = project(found.shape.chain, shots.points[list(run)])
    sigmas = shots.sigmas[list(run)] * math.sqrt(found.noise)
    if np.abs(offsets).min() < PLAINLY * float(sigmas.max()):
        return None
    shape = found.shape
    across = {shape.chain.locate(float(station))[0] for station in stations}
    checks = {piece: float(shape.fit.redundancies[shape.sightings.pieces == piece].sum()) for piece in range(len(shape.chain))}
    known = {name: int(piece) for name, piece in zip(shape.shots.names, shape.sightings.pieces, strict=True)}
    ends = [place % len(shots) for place in (run[0] - 1, run[-1] + 1)]
    beside = {known[shots.names[place]] for place in ends if shots.names[place] in known}
    slight = {piece for piece in across | beside if checks[piece] < WELL_PROVEN}
    shown = {name: float(part) for name, part in zip(plain.shape.shots.names, plain.shape.fit.redundancies, strict=True)}
    return Reading(
        run=run,
        gain=_length(plain, len(around)) - _length(found, len(around)) - _price(offsets, sigmas, len(shots)),
        proven=min(checks[piece] for piece in across) >= PROVEN,
        stretch=tuple(sorted({*run, *ends, *(index for index in around if known.get(shots.names[index]) in slight)}) if slight else run),
        unchecked=max(shown.get(shots.names[index], 0.0) for index in run) < UNCHECKED,
        in_corner=len(run) == 1 and _cuts_the_corner(shape.chain, _gap(shots, run, shape.chain), shots.points[run[0]], float(sigmas[0])),
    )


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


def _searched(shots: Shots, *, closed: bool, arcs: bool, begins: bool = False) -> Searched | None:
    try:
        return searched(shots, closed=closed, arcs=arcs, begins=begins and closed)
    except (ValueError, np.linalg.LinAlgError):
        return None


def _length(found: Searched, count: int) -> float:
    """Return the description length of a line as if its numbers were given over `count` shots, with the noise's own."""
    shape, chain, own = found.shape, found.shape.chain, len(found.shape.shots)
    smooth = sum(1 for tie in shape.fit.ties if tie.kind == "tangent")
    numbers = 2 * len(chain.vertices) + sum(shape.curved) - smooth + len(chain)
    length = description_length(shape, noise=found.noise) + own * math.log(found.noise)
    return length + numbers * (math.log(count) - math.log(max(own, 3)))


def _place_price(sigma: float) -> float:
    """Return the price [half nats] of saying where one blunder lies."""
    return 2 * math.log(max(BLUNDER_REACH / (2.5 * sigma), 1.0))


def _price(offsets: Array, sigmas: Array, count: int) -> float:
    """Return the price [half nats] of naming a run: each shot's place, or one for all where they lie outside by a coping's width.

    Infinite for more than `MOST_UNLIKE` shots that are not alike.
    """
    place, few = _place_price(float(sigmas.max())), len(offsets) <= MOST_UNLIKE
    each = math.log(count) + place * len(offsets) if few else math.inf
    apart = np.abs(offsets)
    if len(offsets) == 1 or offsets.max() > 0 or apart.min() < COPING[0] or apart.max() > COPING[1]:
        return each
    misfit = float((((offsets - offsets.mean()) / sigmas) ** 2).sum()) / 2  # half of it is the line's own uncertainty
    return min(each, math.log(count) + place + ALIKE_PRICE * (len(offsets) - 1) + misfit)
