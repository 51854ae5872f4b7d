"""Hygiene of a row of shots: doubles merged, order repaired where the line plainly jumps back and forth, crossings found."""

from __future__ import annotations

from typing import Final

import msgspec
import numpy as np
from numpy.typing import NDArray

from pipeline.edge.shots import Shots

Array = NDArray[np.float64]

SAME_PLACE: Final = 20.0  # Mahalanobis distance squared of two shots of one point: chi-square, 2 degrees of freedom, 0.005 %
DENSE: Final = 1.15  # [-] where neighbours lie closer than this many merging distances, nearness proves no double
NEAR: Final = 0.22  # [-] of the spacing about them: two shots farther apart along the line may well be neighbours, however large their sigmas
SPACING_REACH: Final = 3  # steps on either side that tell the spacing about a shot
REPAIR_GAIN: Final = 0.8  # [-] of the spacing about it: a repair must shorten the line by more,
REPAIR_SIGMAS: Final = 8.0  # [-] standard deviations, and by more than so many: two neighbours changed about shorten it by twice their distance
LOCAL_RUN: Final = 3  # shots that may be moved or turned round at once in linework that is otherwise good
LOCAL_REACH: Final = 6  # places such a run may move
MANY_REPAIRS: Final = 0.2  # [-] of the shots moved: beyond it the order is not mended but made anew
CLEAR_CHORD: Final = 4.0  # [-] standard deviations a chord must be long for its direction to tell anything
MOST_JUMPS: Final = 60  # sharp places beyond which the order is not mended shot by shot
MOST_MENDED: Final = 600  # shots beyond which a line is a scan, whose order an instrument keeps
FULL_TOUR: Final = 400  # shots up to which a whole new order is sought


class Tidied(msgspec.Struct, frozen=True, kw_only=True):
    """Shots in good order.

    Parameters
    ----------
    shots : Shots
    doubles : tuple of (str, str)
        The shot kept, and the one merged into it.
    moved : tuple of str
        Shots whose place in the order was changed.
    shortened : float
        By how much that shortens the line [m].
    """

    shots: Shots
    doubles: tuple[tuple[str, str], ...] = ()
    moved: tuple[str, ...] = ()
    shortened: float = 0.0


def tidied(shots: Shots, *, closed: bool) -> Tidied:
    """Merge doubled shots and mend the order.

    Notes
    -----
    Good linework is trusted: only runs of up to `LOCAL_RUN` shots are moved or turned round, and only where that shortens the
    line by most of a spacing.  Where the line still crosses itself, the shortest tour through all shots takes its place
    if it crosses nowhere.
    """
    merged, doubles = _merged(shots, closed=closed)
    order, gain = _mended(merged.points, float(np.median(merged.sigmas)), closed=closed)
    if closed and crossing(merged.points[order]) is not None and len(merged) <= FULL_TOUR:
        whole = shortest_tour(merged.points)
        if crossing(merged.points[whole]) is None:
            gain = _length(merged.points, np.arange(len(merged))) - _length(merged.points, whole)
            order = _as_first(whole)
    moved = tuple(merged.names[index] for index in _moved(order))
    return Tidied(shots=merged.taken(order.tolist()), doubles=doubles, moved=moved, shortened=gain)


def crossing(points: Array, *, closed: bool = True) -> tuple[int, int] | None:
    """Return the first two sides (by their starting points) of a polygon that cross each other, None where none do."""
    count = len(points) if closed else len(points) - 1
    a, b = points[:count], np.roll(points, -1, axis=0)[:count]
    first, second = _side_pairs(a, b)
    apart = second - first
    keep = (apart > 1) & ~(closed & (apart == count - 1))
    first, second = first[keep], second[keep]
    d, e, away = b[first] - a[first], b[second] - a[second], a[second] - a[first]
    denominator = d[:, 0] * e[:, 1] - d[:, 1] * e[:, 0]
    with np.errstate(divide="ignore", invalid="ignore"):
        t = (away[:, 0] * e[:, 1] - away[:, 1] * e[:, 0]) / denominator
        u = (away[:, 0] * d[:, 1] - away[:, 1] * d[:, 0]) / denominator
    hits = np.flatnonzero((denominator != 0) & (t > 0) & (t < 1) & (u > 0) & (u < 1))
    return min(((int(first[hit]), int(second[hit])) for hit in hits), default=None)


def _side_pairs(a: Array, b: Array) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """Return pairs (lower, higher) of sides whose extents along the longer axis of the figure overlap."""
    axis = int(np.argmax(np.ptp(a, axis=0)))
    low, high = np.minimum(a[:, axis], b[:, axis]), np.maximum(a[:, axis], b[:, axis])
    order = np.argsort(low, kind="stable")
    last = np.searchsorted(low[order], high[order], side="right")
    counts = np.maximum(last - np.arange(len(order)) - 1, 0)
    rows = np.repeat(np.arange(len(order)), counts)
    others = np.arange(counts.sum()) - np.repeat(np.cumsum(counts) - counts, counts) + rows + 1
    one, two = order[rows], order[others]
    return np.minimum(one, two), np.maximum(one, two)


def shortest_tour(points: Array) -> NDArray[np.intp]:
    """Return a short closed tour: nearest neighbours first, then 2-opt turns and moves of single shots until none helps."""
    count = len(points)
    far = np.hypot(points[:, None, 0] - points[None, :, 0], points[:, None, 1] - points[None, :, 1])
    left = np.ones(count, dtype=bool)
    order = np.zeros(count, dtype=np.intp)
    left[0] = False
    for place in range(1, count):
        row = np.where(left, far[order[place - 1]], np.inf)
        order[place] = int(np.argmin(row))
        left[order[place]] = False
    for _ in range(20 * count):
        improved = _two_opt(far, order)
        if improved is None:
            improved = _or_opt(far, order)
        if improved is None:
            break
        order = improved
    return order


def _two_opt(far: Array, order: NDArray[np.intp]) -> NDArray[np.intp] | None:
    """Return the tour after the best turn of a run, None where no turn shortens it."""
    a, b = order, np.roll(order, -1)
    side = far[a, b]
    gain = side[:, None] + side[None, :] - far[np.ix_(a, a)] - far[np.ix_(b, b)]
    gain[np.tril_indices(len(order), 1)] = -np.inf
    best = int(np.argmax(gain))
    i, j = divmod(best, len(order))
    if gain[i, j] <= 1e-9:
        return None
    return np.concatenate((order[: i + 1], order[i + 1 : j + 1][::-1], order[j + 1 :]))


def _or_opt(far: Array, order: NDArray[np.intp]) -> NDArray[np.intp] | None:
    """Return the tour after the best move of one shot, None where no move shortens it."""
    count = len(order)
    before, after = np.roll(order, 1), np.roll(order, -1)
    saved = far[before, order] + far[order, after] - far[before, after]
    cost = far[np.ix_(order, order)] + far[np.ix_(order, after)] - far[order, after][None, :]
    gain = saved[:, None] - cost
    index = np.arange(count)
    gain[index, index] = gain[index, (index - 1) % count] = -np.inf
    i, j = divmod(int(np.argmax(gain)), count)
    if gain[i, j] <= 1e-9:
        return None
    rest = [shot for shot in order.tolist() if shot != order[i]]
    at = rest.index(int(order[j])) + 1
    return np.array([*rest[:at], int(order[i]), *rest[at:]], dtype=np.intp)


def _merged(shots: Shots, *, closed: bool) -> tuple[Shots, tuple[tuple[str, str], ...]]:
    """Merge shots of one and the same place, wherever they stand in the order, into the first of them."""
    count = len(shots)
    if count < 4:
        return shots, ()
    if _too_dense(shots):
        return shots, ()
    pairs = _near_pairs(shots)
    if len(pairs):
        about = _spacing_about(shots.points, closed=closed)
        pairs = pairs[_along(shots.points, pairs, closed=closed) < NEAR * np.minimum(about[pairs[:, 0]], about[pairs[:, 1]])]
    if not len(pairs):
        return shots, ()
    kept = np.arange(count)
    for first, second in pairs:
        if kept[first] == first and kept[second] == second and not (closed is False and {first, second} == {0, count - 1}):
            kept[second] = first
    points, covariances = shots.points.copy(), shots.covariances.copy()
    doubles = []
    for second in np.flatnonzero(kept != np.arange(count)):
        first = int(kept[second])
        information, other = np.linalg.inv(covariances[first]), np.linalg.inv(shots.covariances[second])
        covariances[first] = np.linalg.inv(information + other)
        points[first] = covariances[first] @ (information @ points[first] + other @ shots.points[second])
        doubles.append((shots.names[first], shots.names[int(second)]))
    merged = msgspec.structs.replace(shots, points=points, covariances=covariances)
    return merged.taken(np.flatnonzero(kept == np.arange(count)).tolist()), tuple(doubles)


def _along(points: Array, pairs: NDArray[np.intp], *, closed: bool) -> Array:
    """Return how far [m] the shots of pairs (n, 2) lie apart along the line, by the chord past them; across it noise alone parts neighbours and doubles alike."""
    count, (first, second) = len(points), pairs.T
    before, after = first - 1, first + 1
    before, after = np.where(before == second - count, before - 1, before), np.where(after == second, after + 1, after)
    if not closed:
        before, after = np.maximum(before, 0), np.minimum(after, count - 1)
    chord, away = points[after % count] - points[before % count], points[second] - points[first]
    length = np.hypot(*chord.T)
    apart = np.hypot(*away.T)
    return np.asarray(np.where(length > apart, np.abs((away * chord).sum(axis=1)) / np.maximum(length, 1e-12), apart))


def _near_pairs(shots: Shots) -> NDArray[np.intp]:
    """Return pairs (i < j) of shots that agree with being one place, the nearest first."""
    reach = float(np.sqrt(SAME_PLACE * 2) * shots.sigmas.max())
    order = np.argsort(shots.points[:, 0], kind="stable")
    x = shots.points[order, 0]
    last = np.searchsorted(x, x + reach, side="right")
    found = []
    for row in np.flatnonzero(last - np.arange(len(order)) > 1):
        others = order[row + 1 : last[row]]
        one = order[row]
        off = shots.points[others] - shots.points[one]
        for other, away in zip(others, off, strict=True):
            distance = float(away @ np.linalg.solve(shots.covariances[one] + shots.covariances[other], away))
            if distance < SAME_PLACE:
                found.append((distance, min(one, other), max(one, other)))
    return np.array([(i, j) for _, i, j in sorted(found)], dtype=np.intp).reshape(-1, 2)


def _spacing_about(points: Array, *, closed: bool) -> Array:
    """Return the median [m] of the steps about each shot; a doubled shot among them does not move it much."""
    steps = np.hypot(*(np.roll(points, -1, axis=0) - points).T)
    if not closed:
        steps[-1] = np.nan
    around = [np.roll(steps, shift) for shift in range(-SPACING_REACH + 1, SPACING_REACH + 1)]
    return np.asarray(np.nanmedian(np.array(around), axis=0))


def _too_dense(shots: Shots) -> bool:
    steps = np.hypot(*np.diff(shots.points, axis=0).T)
    return bool(np.median(steps) < DENSE * np.sqrt(SAME_PLACE * 2) * np.median(shots.sigmas))


def _mended(points: Array, sigma: float, *, closed: bool) -> tuple[NDArray[np.intp], float]:
    """Return the order after local repairs, and by how much they shorten the line [m]."""
    order = np.arange(len(points))
    if not 5 <= len(points) <= MOST_MENDED:
        return order, 0.0
    start = length = _length(points, order, closed=closed)
    for _ in range(max(2, round(MANY_REPAIRS * len(points)))):
        better = _best_repair(points, sigma, order, length, closed=closed)
        if better is None:
            break
        order, length = better
    return order, start - length


def _best_repair(points: Array, sigma: float, order: NDArray[np.intp], now: float, *, closed: bool) -> tuple[NDArray[np.intp], float] | None:
    """Return the order and length after the best local repair, where that shortens a line of length `now` by enough."""
    jumps = _suspicious(points[order], sigma, closed=closed)
    if len(jumps) > MOST_JUMPS:
        return None
    best: tuple[float, tuple[int, ...]] | None = None
    count = len(order)
    needed = np.maximum(REPAIR_GAIN * _spacing_about(points[order], closed=closed), REPAIR_SIGMAS * sigma)
    for place in jumps:
        least = now - float(needed[place % count])
        for run in range(1, LOCAL_RUN + 1):
            for shift in range(-LOCAL_REACH, LOCAL_REACH + 1):
                for turned in (False, True) if run > 1 else (False,):
                    if shift == 0 and not turned:
                        continue
                    trial = _shifted(order, place % count, run, shift, turned, closed=closed)
                    if trial is None:
                        continue
                    length = _length(points, trial, closed=closed)
                    key = (round(length, 9), tuple(int(value) for value in trial))
                    if length < least and (best is None or key < best):
                        best = key
    return None if best is None else (np.array(best[1], dtype=np.intp), best[0])


def _suspicious(points: Array, sigma: float, *, closed: bool) -> list[int]:
    """Return places where the line turns back on itself by more than 100 degrees, with their neighbours."""
    into = points - np.roll(points, 1, axis=0)
    out = np.roll(into, -1, axis=0)
    turn = np.abs(np.arctan2(into[:, 0] * out[:, 1] - into[:, 1] * out[:, 0], (into * out).sum(axis=1)))
    clear = np.minimum(np.hypot(*into.T), np.hypot(*out.T)) > CLEAR_CHORD * sigma
    sharp = np.flatnonzero((turn > np.radians(100)) & clear)
    if not closed:
        sharp = sharp[(sharp > 0) & (sharp < len(points) - 1)]
    return sorted({int(place + step) for place in sharp for step in range(-1, 2)})


def _shifted(order: NDArray[np.intp], place: int, run: int, shift: int, turned: bool, *, closed: bool) -> NDArray[np.intp] | None:
    """Return the order with the run from `place` on moved by `shift` places (round the loop if closed), turned or not."""
    count = len(order)
    if not closed and (place + run > count or not 0 <= place + shift <= count - run):
        return None
    rolled = np.roll(order, -place) if closed else order
    at = 0 if closed else place
    piece, rest = rolled[at : at + run], np.concatenate((rolled[:at], rolled[at + run :]))
    if turned:
        piece = piece[::-1]
    into = (at + shift) % (len(rest) if closed else len(rest) + 1)
    return np.concatenate((rest[:into], piece, rest[into:]))


def _length(points: Array, order: NDArray[np.intp], *, closed: bool = True) -> float:
    row = points[order]
    steps = np.diff(np.vstack((row, row[:1])) if closed else row, axis=0)
    return float(np.hypot(steps[:, 0], steps[:, 1]).sum())


def _as_first(order: NDArray[np.intp]) -> NDArray[np.intp]:
    """Return a tour from shot 0 on, in the sense most shots were taken."""
    order = np.roll(order, -int(np.flatnonzero(order == 0)[0]))
    forward = int((np.diff(order) > 0).sum())
    return order if 2 * forward >= len(order) - 1 else np.concatenate((order[:1], order[1:][::-1]))


def _moved(order: NDArray[np.intp]) -> list[int]:
    """Return the shots that no longer follow their neighbour in the order shot."""
    count = len(order)
    order = np.roll(order, -int(np.flatnonzero(order == 0)[0]))
    kept = _longest_rising(order)
    return sorted(set(range(count)) - kept)


def _longest_rising(order: NDArray[np.intp]) -> set[int]:
    """Return the longest rising subsequence of an order: the shots that kept their place."""
    best: list[int] = []
    back: dict[int, int] = {}
    for value in order.tolist():
        low, high = 0, len(best)
        while low < high:
            middle = (low + high) // 2
            low, high = (middle + 1, high) if best[middle] < value else (low, middle)
        back[value] = best[low - 1] if low else -1
        best[low : low + 1] = [value]
    kept, value = set(), best[-1]
    while value >= 0:
        kept.add(value)
        value = back[value]
    return kept
