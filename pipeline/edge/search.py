"""The search for the pieces: the best cut by dynamic programming, then bettered on the whole chain.

Dynamic programming finds the cut of least description length when each piece stands by itself.  It cannot know that pieces
meet, smoothly or not, so the cut is then bettered by exchanges (two pieces made one, a line made an arc, a small piece shared
out among its neighbours) judged by the description length of the whole adjusted chain, until none shortens it.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Collection, Iterator
from typing import Final

import msgspec
import numpy as np
from numpy.typing import NDArray

from pipeline.edge.first_shape import first_shape
from pipeline.edge.fit import ARC_PRICE, PIECE_PRICE, Cut, Shape, astray, description_length, shape_of_cut
from pipeline.edge.shots import Shots
from pipeline.geometry.segmenting import Costs, Prices, Stretch, cut, cut_length, piece_costs

Array = NDArray[np.float64]
Change = tuple[frozenset[Stretch], frozenset[Stretch]]

BAD_JOIN: Final = 2.5  # [-] standard deviations of a residual that shows a join to be wrong, in one of
NEAR_JOIN: Final = 3  # shots on either side of it
SHORT: Final = 4  # shots of a line that may be a bit of a longer arc
SMALL: Final = 3  # shots of a piece that may be a corner overshot, a blunder, or nothing
BENT_AWAY: Final = ((1, 2), (2, 1), (2, 2))  # shots an arc put between two pieces takes from the one before and the one after
MOST_TRIALS: Final = 300  # exchanges after which no further round is begun: a line that needs more is no row of lines and arcs
MOST_ROUNDS: Final = 60
WORTH: Final = 0.5  # [half nats] a lesser gain is no gain
GROWN: Final = ((0, 0), (1, 0), (0, 1), (1, 1), (2, 1), (1, 2), (2, 2))  # shots a rounded corner takes from the sides before and after it
NO_LINE: Final = 1e6  # [half nats] more of a chain that does not settle or whose joins lie far from any shot: still told from worse ones
SAVED_BY_MERGING: Final = 16.0  # [half nats] beside numbers, that one piece fewer can save: itself, a corner, an arc
DOUBTFUL: Final = 15.0  # [half nats] by which the costs of pieces alone may be off for pieces in a chain
WORSE_SHARE: Final = (
    60.0  # [half nats] of misfit by which one way to share out a piece's shots may be worse than another, for pieces in a chain to tell them apart
)
ALIKE: Final = 1e-4  # [half nats] two exchanges that differ by less lead to the same shape
HOPELESS: Final = 80.0  # [half nats] an exchange that makes the description longer by so much at first is given up
RIVAL: Final = 12.0  # [half nats] within which another shape is a rival: two numbers and a corner
MOST_RIVALS: Final = 6
NOISE_FACTORS: Final = (1.0, 2.0, 4.0, 8.0, 16.0, 32.0)  # variance factors the shots may ask for
NOISE_SPEAKS: Final = 12.0  # [half nats] gain for which the a-priori sigma is given up


class Searched(msgspec.Struct, frozen=True, kw_only=True):
    """The shape found, the cut it came from, and the noise it was judged by (a variance factor).

    `rivals` are other shapes whose description is hardly longer: what is known of pools beside the shots may yet prefer one.
    `strictly`: shots that lie near the carrier of their piece but far from the chain were counted by their distance from the chain.
    """

    shape: Shape
    cut: Cut
    length: float
    noise: float
    rivals: tuple[Shape, ...] = ()
    strictly: bool = False


def searched(shots: Shots, *, closed: bool, arcs: bool, begins: bool = False) -> Searched:
    """Find the pieces of a row of shots and adjust the chain of them.

    Parameters
    ----------
    shots : Shots
        In order; a closed line counter-clockwise.
    closed : bool
        Whether the line closes.
    arcs : bool
        Whether it may have arcs.
    begins : bool
        Whether a closed line is known to begin a piece at its first shot: then the first cut takes a hundredth of the time.

    Raises
    ------
    ValueError
        When the shots make no line at all.
    """
    costs = costs_of(shots, closed=closed, arcs=arcs)
    row = _opened(costs) if begins else costs
    noise = noise_of(row)
    costs, row = noisier(costs, noise), noisier(row, noise)
    first = first_cut(shots, row, Prices.for_points(len(shots)))
    start = _tried(shots, first, closed=closed, noise=noise)
    cuts = () if start is not None else _merges(first, costs)
    starts = [one for one in (start, *(_tried(shots, other, closed=closed, noise=noise) for other in cuts)) if one is not None]
    if not starts:
        raise ValueError("the shots make no line")
    return _best_from(starts, shots, costs)


def bettered(
    shots: Shots,
    starts: Collection[Cut],
    *,
    closed: bool,
    arcs: bool,
    noise: float,
    near: Collection[int],
    done: Callable[[Shape], bool] = lambda _: False,
) -> Searched | None:
    """Better the best of some cuts by exchanges about some shots alone, where it is known to be the best elsewhere.

    None where the shots speak of another noise.

    Parameters
    ----------
    shots : Shots
        In order.
    starts : collection of cuts
        Those to choose from.
    closed : bool
        Whether the line closes.
    arcs : bool
        Whether it may have arcs.
    noise : float
        Variance factor the cut was found by.
    near : collection of int
        Shots of which an exchange must put one on another piece.
    done : function
        Says of the best start's shape whether it need not be bettered.
    """
    costs = costs_of(shots, closed=closed, arcs=arcs)
    if noise_of(costs) != noise:
        return None
    tried = [one for one in (_tried(shots, start, closed=closed, noise=noise) for start in starts) if one is not None]
    if not tried:
        return None
    start = min(tried, key=lambda one: one.length)
    if done(start.shape):
        return start
    return _best_from(tried, shots, noisier(costs, noise), near)


def _best_from(starts: list[Searched], shots: Shots, costs: Costs, near: Collection[int] | None = None) -> Searched:
    """Return what the best of some starts comes to, with its rivals; found strictly where a shot is far from what was found without.

    On the way a shot may well lie beyond the end of its piece: to count that from the beginning would bar many a way.
    """
    tried = list(starts)
    best = _descended(shots, min(tried, key=lambda one: one.length), costs, tried, near)
    if astray(best.shape, noise=best.noise):
        tried = [_strict(one) for one in starts]
        best = _descended(shots, min(tried, key=lambda one: one.length), costs, tried, near)
    return msgspec.structs.replace(best, rivals=_rivals(best, tried))


def _strict(one: Searched) -> Searched:
    """Return what was tried with its length counted strictly."""
    return one if one.strictly else msgspec.structs.replace(one, length=one.length + astray(one.shape, noise=one.noise), strictly=True)


def _descended(shots: Shots, best: Searched, costs: Costs, tried: list[Searched], near: Collection[int] | None = None) -> Searched:
    """Return what is left when no exchange shortens the description any more; each time the best exchange of all is made.

    Whatever heading or hand the line was shot in, the same exchanges are then made.
    """
    seen: dict[Change, float] = {}
    for _ in range(MOST_ROUNDS):
        better = _best_exchange(shots, best, costs, seen, tried, near) if len(tried) <= MOST_TRIALS else None
        if better is None:
            break
        best = better
    tried.extend(_nearly_as_good(shots, best, costs, seen))
    return best


def _nearly_as_good(shots: Shots, best: Searched, costs: Costs, seen: dict[Change, float]) -> Iterator[Searched]:
    """Yield what exchanges that did not help when they were seen, but nearly, make of the best cut."""
    for exchange in _exchanges(best, costs):
        if seen.get(_change(best.cut, exchange, costs.points), math.inf) < RIVAL:
            trial = _tried(shots, exchange, closed=costs.closed, noise=best.noise, hopeless=best.length + HOPELESS)
            if trial is not None:
                yield _strict(trial) if best.strictly else trial


def _rivals(best: Searched, tried: list[Searched]) -> tuple[Shape, ...]:
    """Return the shapes tried that are nearly as short as the best, each chain once, the shortest first."""
    known = {likeness(best.shape)}
    rivals: list[Shape] = []
    for one in sorted(tried, key=lambda one: one.length):
        if one.length > best.length + RIVAL or len(rivals) == MOST_RIVALS:
            break
        if likeness(one.shape) not in known and not astray(one.shape, noise=one.noise):
            known.add(likeness(one.shape))
            rivals.append(one.shape)
    return tuple(rivals)


def likeness(shape: Shape) -> tuple[object, ...]:
    """Return what is the same for two shapes that are one: ties and misfit, whatever cut they came from."""
    return (len(shape.chain), sum(shape.curved), len(shape.fit.ties), round(shape.fit.chi_square, 1))


def _best_exchange(
    shots: Shots, best: Searched, costs: Costs, seen: dict[Change, float], tried: list[Searched], near: Collection[int] | None
) -> Searched | None:
    """Return the exchange that shortens the description most; None where none does.  Those seen not to help are not tried again."""
    better: Searched | None = None
    for exchange in _exchanges(best, costs):
        key = _change(best.cut, exchange, costs.points)
        if key in seen or (near is not None and not _touches(key[1], near, costs.points)):
            continue
        trial = _tried(shots, exchange, closed=costs.closed, noise=best.noise, hopeless=best.length + HOPELESS)
        trial = _strict(trial) if trial is not None and best.strictly else trial
        if trial is None or trial.length >= best.length - WORTH:
            seen[key] = math.inf if trial is None else trial.length - best.length
        if trial is not None:
            tried.append(trial)
            if trial.length < min(best.length - WORTH, math.inf if better is None else better.length - ALIKE):
                better = trial
    return better


def costs_of(shots: Shots, *, closed: bool, arcs: bool) -> Costs:
    """Return the cost of every run; a run with shots coded as lying on a curve is no line."""
    gapped = [row for row, name in enumerate(shots.names) if name in shots.beside_gaps]
    costs = piece_costs(shots.points, shots.sigmas, closed=closed, arcs=arcs, gapped=gapped)
    if not arcs or not (shots.curved == 1).any():
        return costs
    count = len(shots)
    index = (np.arange(count)[:, None] + np.arange(count)[None, :]) % count
    bent = np.cumsum((shots.curved == 1)[index], axis=1) > 0
    return msgspec.structs.replace(costs, line=np.where(bent, np.inf, costs.line))


def _opened(costs: Costs) -> Costs:
    """Return the costs of the same shots in a row that does not close."""
    index = np.arange(costs.points)
    beyond = index[:, None] + index[None, :] >= costs.points
    line, arc, bent = (np.where(beyond, np.inf, table) for table in (costs.line, costs.arc, costs.bent))
    return Costs(line=line, arc=arc, closed=False, bent=bent)


def noise_of(costs: Costs) -> float:
    """Return the variance factor that makes the whole description shortest; 1 unless the shots plainly ask for more.

    A wider noise costs ln(factor) a shot and saves pieces that only chase it.
    """
    prices = Prices.for_points(costs.points)
    best, least = 1.0, math.inf
    for factor in NOISE_FACTORS:
        scaled = noisier(costs, factor)
        length = cut_length(scaled, cut(scaled, prices, exact=False), prices) + costs.points * math.log(factor)
        if length < least - (NOISE_SPEAKS if best == 1.0 else 0.0):
            best, least = factor, length
        elif factor > 2 * best:
            break
    return best


def noisier(costs: Costs, factor: float) -> Costs:
    """Return the costs under a variance larger by `factor`."""
    return costs if factor == 1.0 else msgspec.structs.replace(costs, line=costs.line / factor, arc=costs.arc / factor, bent=costs.bent / factor)


def first_cut(shots: Shots, costs: Costs, prices: Prices) -> Cut:
    """Return the best cut by dynamic programming; where a join would lie far from any shot, bar it and cut again."""
    barred: set[int] = set()
    while True:
        found = cut(costs, prices, barred=sorted(barred))
        fresh = set(first_shape(shots.points, found, closed=costs.closed).far) - barred
        if not fresh:
            return found
        barred |= fresh


def _tried(shots: Shots, trial: Cut, *, closed: bool, noise: float, hopeless: float = math.inf) -> Searched | None:
    """Return the adjusted shape of a cut; None where it is hopeless or makes no chain (a straight run called an arc).

    A loop's first cut may begin at any of its breaks: their lengths are the same but for rounding.
    """
    trial = _normal(trial, len(shots)) if closed else trial
    try:
        shape = shape_of_cut(shots, trial, closed=closed, noise=noise, hopeless=hopeless)
    except (ValueError, ZeroDivisionError, np.linalg.LinAlgError):
        return None
    if shape is None:
        return None
    length = description_length(shape, noise=noise) + (0.0 if shape.fit.converged and not shape.far else NO_LINE)
    return Searched(shape=shape, cut=trial, length=length, noise=noise)


def _change(now: Cut, then: Cut, points: int) -> Change:
    """Return what an exchange takes out, what it puts in, and the pieces beside: where all that is the same, so is its worth."""
    old = [_lapless(one, points) for one in now]
    new = [_lapless(one, points) for one in then]
    out = [index for index, one in enumerate(old) if one not in new]
    near = {(index + step) % len(old) for index in out for step in (-1, 0, 1)}
    return frozenset(old[index] for index in near), frozenset(one for one in new if one not in old)


def _touches(pieces: Collection[Stretch], near: Collection[int], points: int) -> bool:
    return any((place - one.first) % points < one.count for one in pieces for place in near)


def _lapless(one: Stretch, points: int) -> Stretch:
    laps = math.floor(one.first / points)
    return msgspec.structs.replace(one, first=one.first - laps * points, last=one.last - laps * points) if laps else one


def _exchanges(best: Searched, costs: Costs) -> Iterator[Cut]:
    yield from _merges(best.cut, costs)
    yield from _bends(best.cut, costs)
    yield from _shared_out(best.cut, costs)
    yield from _straights_between(best, costs)
    yield from _arcs_between(best, costs)
    yield from _splits(best, costs)


def _arcs_between(best: Searched, costs: Costs) -> Iterator[Cut]:
    """A flat arc put where two pieces meet badly in a corner: its few shots hardly show it by themselves."""
    now, count = best.cut, len(best.cut)
    smooth = {tie.second for tie in best.shape.fit.ties if tie.kind == "tangent"}
    bad = _badly_met(best, costs)
    for index in range(0 if costs.closed else 1, count):
        if index in smooth or not bad[index]:
            continue
        for back, ahead in BENT_AWAY:
            arc = _between(now, index, back, ahead, costs.points, is_arc=True)
            if _spares(now[index - 1], back) and _spares(now[index], ahead) and math.isfinite(_cost(costs, arc, True)):
                yield _put_between(now, index, back, ahead, arc, costs.points)


def _between(now: Cut, index: int, back: int, ahead: int, points: int, *, is_arc: bool) -> Stretch:
    """Return a piece of the last `back` shots of the piece before one, and the first `ahead` of that one."""
    laps = points if index == 0 else 0
    return Stretch(first=now[index - 1].last + 1 - back - laps, last=now[index].first - 1 + ahead, is_arc=is_arc, smooth=True)


def _put_between(now: Cut, index: int, back: int, ahead: int, new: Stretch, points: int) -> Cut:
    parts = list(now)
    parts[index - 1] = msgspec.structs.replace(now[index - 1], last=now[index - 1].last - back)
    parts[index] = msgspec.structs.replace(now[index], first=now[index].first + ahead, shared=False)
    parts.insert(index, new)
    return _normal(tuple(parts), points)


def _badly_met(best: Searched, costs: Costs) -> list[bool]:
    """Say of each piece whether a shot near its beginning lies far off the chain."""
    fit = best.shape.fit
    bad = np.abs(fit.offsets) > BAD_JOIN * fit.sigmas * math.sqrt(best.noise)
    near = [[(before.last + step) % costs.points for step in range(-NEAR_JOIN, NEAR_JOIN + 2)] for before in (best.cut[-1], *best.cut[:-1])]
    return [bool(bad[rows].any()) for rows in near]


def _straights_between(best: Searched, costs: Costs) -> Iterator[Cut]:
    """A short straight put between two curves, or where a curve meets its neighbour badly: too few shots lie on it to be found by itself."""
    now, count = best.cut, len(best.cut)
    bad = _badly_met(best, costs)
    for index in range(0 if costs.closed else 1, count):
        before, after = now[index - 1], now[index]
        if not (before.is_arc or after.is_arc):
            continue
        badly = bad[index]
        if not badly and not (before.is_arc and after.is_arc):
            continue
        for back, ahead in ((1, 1), (1, 0), (0, 1), (2, 1), (1, 2), (2, 2))[: 6 if badly else 3]:
            if before.count - back < SMALL or after.count - ahead < SMALL:
                continue
            straight = _between(now, index, back, ahead, costs.points, is_arc=False)
            if straight.count >= 1:
                yield _put_between(now, index, back, ahead, straight, costs.points)


def _splits(best: Searched, costs: Costs) -> Iterator[Cut]:
    """One piece, or two neighbours, parted into one more: at the best places by themselves, where the chain misfits there by more than that costs."""
    now, count = best.cut, len(best.cut)
    squares = (best.shape.fit.offsets / best.shape.fit.sigmas) ** 2 / best.noise
    price = 2 * math.log(max(costs.points, 3)) + PIECE_PRICE
    for run in (1, 2):
        for first in range(count if costs.closed else count - run + 1):
            if count <= run:
                break
            laps = costs.points if first + run > count else 0
            start, end = now[first].first, now[(first + run - 1) % count].last + laps
            if not 2 * SMALL <= end - start + 1 < costs.points:
                continue
            shots = np.arange(start, end + 1) % costs.points
            parts, misfit = _parted(costs, start, end, run + 1)
            if float(squares[shots].sum()) - misfit > price:
                smooth = [msgspec.structs.replace(part, shared=part.shared or (place == 0 and now[first].shared)) for place, part in enumerate(parts)]
                yield _normal(_replaced(now, first, run, tuple(smooth)), costs.points)


def _parted(costs: Costs, start: int, end: int, count: int) -> tuple[tuple[Stretch, ...], float]:
    """Return the best two or three pieces from one shot to another, each by itself and no smaller than `SMALL`, and their misfit."""
    middles = np.arange(start + (count - 1) * SMALL, end - SMALL + 2)
    if not len(middles):
        return (), math.inf
    last, last_is_arc = _cheaper(costs, middles, end - middles)
    rests = [_parted(costs, start, int(middle) - 1, 2) for middle in middles] if count > 2 else []
    first, first_is_arc = (
        (np.array([misfit for _, misfit in rests]), None) if rests else _cheaper(costs, np.full_like(middles, start), middles - 1 - start)
    )
    totals = last + first
    best = int(np.argmin(totals))
    if not math.isfinite(totals[best]):
        return (), math.inf
    middle = int(middles[best])
    before = rests[best][0] if first_is_arc is None else (Stretch(first=start, last=middle - 1, is_arc=bool(first_is_arc[best])),)
    return (*before, Stretch(first=middle, last=end, is_arc=bool(last_is_arc[best]))), float(totals[best])


def _cheaper(costs: Costs, firsts: NDArray[np.intp], lengths: NDArray[np.intp]) -> tuple[Array, NDArray[np.bool_]]:
    """Return the lesser misfit (n,) of runs as a line and as an arc, an arc's one number and its price among it, and whether it is the arc's."""
    line = costs.line[firsts % costs.points, lengths]
    arc = costs.bent[firsts % costs.points, lengths] + (math.log(max(costs.points, 3)) + ARC_PRICE)
    return np.minimum(line, arc), arc < line


def _merges(now: Cut, costs: Costs) -> Iterator[Cut]:
    """Two or three neighbours made one piece, where the misfit does not rise beyond hope."""
    count = len(now)
    price = math.log(max(costs.points, 3))
    for run in (2, 3):
        if count <= run:
            return
        for first in range(count if costs.closed else count - run + 1):
            parts = [now[(first + step) % count] for step in range(run)]
            laps = sum(1 for step in range(1, run) if first + step == count) * costs.points
            whole = Stretch(first=parts[0].first, last=parts[-1].last + laps, is_arc=False, shared=parts[0].shared)
            if whole.count > costs.points:
                continue
            before = sum(_cost(costs, part, part.is_arc) for part in parts)
            for is_arc in (False, True):
                rise = _cost(costs, whole, is_arc) - before
                if rise < (run - 1) * (3 * price + SAVED_BY_MERGING) + DOUBTFUL:
                    yield _normal(_replaced(now, first, run, (msgspec.structs.replace(whole, is_arc=is_arc),)), costs.points)


def _bends(now: Cut, costs: Costs) -> Iterator[Cut]:
    """A line made an arc, where that would make a join smooth; an arc made a line, where it hardly misfits."""
    price = math.log(max(costs.points, 3))
    for index, stretch in enumerate(now):
        other = msgspec.structs.replace(stretch, is_arc=not stretch.is_arc)
        if stretch.is_arc and _cost(costs, other, False) - _cost(costs, stretch, True) > price + HOPELESS:
            continue
        if stretch.is_arc or _cost(costs, stretch, False) - _cost(costs, other, True) > price:
            yield _replaced(now, index, 1, (other,))
        if other.is_arc and _bends_on(stretch, costs):
            yield from _rounded(now, index, costs)


def _bends_on(line: Stretch, costs: Costs) -> bool:
    """Say whether a line with the next shot on either side may well be an arc: else no smooth arc stands in its place."""
    wide = msgspec.structs.replace(line, first=line.first - 1, last=line.last + 1)
    if line.count <= SHORT or wide.count > costs.points or (not costs.closed and (wide.first < 0 or wide.last >= costs.points)):
        return True
    return _cost(costs, wide, True) - _cost(costs, line, False) < 2 * DOUBTFUL


def _rounded(now: Cut, index: int, costs: Costs) -> Iterator[Cut]:
    """A line made an arc that runs smoothly into both neighbours; a short one grows into them."""
    stretch, count = now[index], len(now)
    if count < 3 or (not costs.closed and index in (0, count - 1)):
        return
    before, after = now[index - 1], now[(index + 1) % count]
    for back, ahead in GROWN if stretch.count <= SHORT else GROWN[:1]:
        if stretch.count + back + ahead < SMALL or not (_spares(before, back) and _spares(after, ahead)):
            continue
        parts = list(now)
        parts[index - 1] = msgspec.structs.replace(before, last=before.last - back)
        parts[index] = msgspec.structs.replace(
            stretch, first=stretch.first - back, last=stretch.last + ahead, is_arc=True, smooth=True, shared=stretch.shared and not back
        )
        parts[(index + 1) % count] = msgspec.structs.replace(after, first=after.first + ahead, shared=after.shared and not ahead)
        if math.isfinite(_cost(costs, parts[index], True)):  # no arc turns so sharply at a shot
            yield _normal(tuple(parts), costs.points)


def _spares(one: Stretch, shots: int) -> bool:
    """Say whether a piece can give shots away and still be held by the others."""
    return not shots or one.count - shots >= (SMALL if one.is_arc else SMALL - 1)


def _shared_out(now: Cut, costs: Costs) -> Iterator[Cut]:
    """A small piece's shots shared out between its neighbours."""
    count, points = len(now), costs.points
    if count < 3:
        return
    for index, stretch in enumerate(now):
        if stretch.count > SMALL + 1 or (not costs.closed and index in (0, count - 1)):
            continue
        before, after = now[index - 1], now[(index + 1) % count]
        first = before.last + 1
        last = after.first - 1 + (points if index + 1 == count else 0)
        if index == 0:
            first -= points
        shares = []
        for last_before in range(first - 1, last + 1):
            wide_before = msgspec.structs.replace(before, last=last_before + (points if index == 0 else 0))
            wide_after = msgspec.structs.replace(after, first=last_before + 1 - (points if index + 1 == count else 0), shared=False)
            shares.append((_cost(costs, wide_before, before.is_arc) + _cost(costs, wide_after, after.is_arc), wide_before, wide_after))
        least = min(misfit for misfit, _, _ in shares)
        for misfit, wide_before, wide_after in shares:
            if misfit > least + WORSE_SHARE:
                continue  # its shots would change over to the other neighbour when they are given to the nearest piece
            parts = list(now)
            parts[index - 1], parts[(index + 1) % count] = wide_before, wide_after
            del parts[index]
            yield _normal(tuple(parts), points)


def _cost(costs: Costs, stretch: Stretch, is_arc: bool) -> float:
    table = costs.bent if is_arc else costs.line
    return float(table[stretch.first % costs.points, stretch.count - 1])


def _replaced(now: Cut, first: int, run: int, new: Cut) -> Cut:
    count = len(now)
    if first + run <= count:
        return (*now[:first], *new, *now[first + run :])
    return (*now[(first + run) % count : first], *new)


def _normal(now: Cut, points: int) -> Cut:
    """Return a cut as it begins with the piece of the least first shot, in the first lap: the same pieces are the same cut, whatever led to them."""
    at = min(range(len(now)), key=lambda place: now[place].first % points)
    whole = now[at].first // points
    return (*(_moved(one, -whole * points) for one in now[at:]), *(_moved(one, (1 - whole) * points) for one in now[:at]))


def _moved(one: Stretch, shots: int) -> Stretch:
    return msgspec.structs.replace(one, first=one.first + shots, last=one.last + shots) if shots else one
