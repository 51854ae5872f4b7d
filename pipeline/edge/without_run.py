"""The line found without a run of shots, or with it back: the pieces found before, bettered about the place alone."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from typing import Final

import msgspec
import numpy as np

from pipeline.edge.fit import Cut, Shape, description_length
from pipeline.edge.search import Searched, bettered, costs_of, first_cut, noisier, searched
from pipeline.edge.shots import Shots
from pipeline.edge.weighing import Reading, Run
from pipeline.geometry.segmenting import Prices

SHORTER: Final = 1.0  # [half nats] by which a line found anew must be shorter
BESIDE: Final = 4  # shots on either side of a run about which the pieces are sought again without it


def line_without(shots: Shots, run: Run, plain: Searched, *, closed: bool, arcs: bool, done: Callable[[Shape], bool]) -> Searched | None:
    """Return the line found without a run: the pieces found with it, bettered about its place, where that can be done.

    Parameters
    ----------
    shots : Shots
        In order.
    run : tuple of int
        By index.
    plain : Searched
        The line found with it.
    closed, arcs : bool
        Whether the line closes, and may have arcs.
    done : callable
        Says of the first shape without it whether it need not be bettered.
    """
    rest, count = shots.without(run), len(shots)
    gap = sum(index < run[0] for index in range(count) if index not in run)
    near = {(gap + step) % len(rest) for step in range(-BESIDE, BESIDE)}
    if plain.shape.shots.names == shots.names:
        start = _cut_without(plain.cut, run, count)
        whole = first_cut(rest, noisier(costs_of(rest, closed=closed, arcs=arcs), plain.noise), Prices.for_points(len(rest)))
        starts = {start, whole, _cut_again(rest, start, near, closed=closed, arcs=arcs)}
        found = _bettered(rest, sorted(starts, key=len), plain.noise, near, closed=closed, arcs=arcs, done=done)
        if found is not None:
            return found
    return searched_or_none(rest, closed=closed, arcs=arcs)


def line_with(shots: Shots, reading: Reading, plain: Searched, *, closed: bool, arcs: bool) -> Searched | None:
    """Return the line found by putting a run back on the pieces found without it, where that is shorter than the line found before."""
    if reading.found is None or reading.found.noise != plain.noise:
        return None
    near = {(index + step) % len(shots) for index in reading.run for step in range(-BESIDE, BESIDE + 1)}
    start = _cut_with(reading.found.cut, reading.run, len(shots))
    again = _bettered(shots, [start], plain.noise, near, closed=closed, arcs=arcs)
    return again if again is not None and again.length < plain.length - SHORTER else None


def length_over(found: Searched, count: int) -> float:
    """Return the description length of a line as if its numbers were given over `count` shots, with the noise's own."""
    shape, chain, own = found.shape, found.shape.chain, len(found.shape.shots)
    smooth = sum(1 for tie in shape.fit.ties if tie.kind == "tangent")
    numbers = 2 * len(chain.vertices) + sum(shape.curved) - smooth + len(chain)
    length = description_length(shape, noise=found.noise) + own * math.log(found.noise)
    return length + numbers * (math.log(count) - math.log(max(own, 3)))


def searched_or_none(shots: Shots, *, closed: bool, arcs: bool) -> Searched | None:
    """Return the line found through some shots; None where they make none."""
    try:
        return searched(shots, closed=closed, arcs=arcs)
    except (ValueError, np.linalg.LinAlgError):
        return None


def _bettered(
    shots: Shots, starts: Sequence[Cut], noise: float, near: set[int], *, closed: bool, arcs: bool, done: Callable[[Shape], bool] = lambda _: False
) -> Searched | None:
    try:
        return bettered(shots, [start for start in starts if start], closed=closed, arcs=arcs, noise=noise, near=near, done=done)
    except (ValueError, np.linalg.LinAlgError):
        return None


def _cut_with(now: Cut, run: Run, count: int) -> Cut:
    """Return a cut with the shots of a run put back: on the piece that passes their place, or the one that ends before it."""
    kept = kept_of(count, run)
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


def kept_of(count: int, run: Run) -> list[int]:
    """Return the shots left without a run."""
    return [index for index in range(count) if index not in run]
