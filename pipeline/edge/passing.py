"""What leaving out a run of shots saves: pieces that pass over the run, in the same least description as all others.

The cut by dynamic programming is taken apart at a run of shots: the best description of what lies before it, of what lies behind
it, and of the one piece that passes over its place, for every such piece at once from running moments.  So each run of
a line, at every place and of every length, is tried as a blunder at the price of one small table.
"""

from __future__ import annotations

from collections.abc import Sequence

import msgspec
import numpy as np
from numpy.typing import NDArray

from pipeline.edge.shots import Shots
from pipeline.geometry.segmenting import CLEAR_CHORD, SHARPEST, Costs, Prices, Stretch, taubin_root

Array = NDArray[np.float64]
Index = NDArray[np.intp]


class Unrolled(msgspec.Struct, frozen=True, kw_only=True):
    """A line's shots in a row from one seam on, with the least description of every part that begins or ends the row.

    Parameters
    ----------
    row : array
        Shots in their order; of a loop whose pieces meet at a shot that shot comes first and last.
    before : array
        Least length of all that comes before a piece which begins at a place of the row.
    after : array
        Least length of all that comes behind a piece which ends at a place of the row.
    upto, onward : array
        Least length of the first so many shots, and of those from a place on, by pieces of their own.
    length : float
        Of the whole row.
    """

    row: Index
    before: Array
    after: Array
    upto: Array
    onward: Array
    length: float


def savings(shots: Shots, costs: Costs, now: Sequence[Stretch], prices: Prices, runs: Sequence[tuple[int, ...]], *, noise: float) -> Array:
    """Return by how much leaving out each run shortens the description [half nats], before its own price.

    Two columns: where one piece passes over the run, and where pieces meet at its place.

    Parameters
    ----------
    shots : Shots
        In order.
    costs : Costs
        Of every run of shots, under the noise.
    now : sequence of Stretch
        The best cut; its breaks are where the loop is opened.
    prices : Prices
        Of a piece.
    runs : sequence of tuple of int
        Consecutive shots.
    noise : float
        Variance factor.
    """
    rows = _opened(costs, now, prices)
    found = []
    for run in runs:
        best = max(rows, key=lambda one: _from_seam(one, run))
        lengths = _lengths_without(shots, best, run, prices, noise) if _from_seam(best, run) >= 0 else (np.inf, np.inf)
        found.append([best.length - length for length in lengths])
    return np.array(found)


def _opened(costs: Costs, now: Sequence[Stretch], prices: Prices) -> list[Unrolled]:
    """Return the loop opened at a break and at the break farthest from that one."""
    if not costs.closed:
        return [_unrolled(costs, np.arange(costs.points), prices)]
    breaks = sorted({(one.first % costs.points, one.shared) for one in now})
    first = breaks[0]
    away = [min((place - first[0]) % costs.points, (first[0] - place) % costs.points) for place, _ in breaks]
    seams = {first, breaks[int(np.argmax(away))]}
    return [_unrolled(costs, (seam + np.arange(costs.points + shared)) % costs.points, prices) for seam, shared in sorted(seams)]


def _unrolled(costs: Costs, row: Index, prices: Prices) -> Unrolled:
    count = len(row)
    table = np.minimum(costs.line + prices.line, costs.arc + prices.arc)
    upto, before = np.full(count + 1, np.inf), np.full(count, np.inf)
    upto[0] = before[0] = 0.0
    for end in range(2, count + 1):
        begin = np.arange(max(0, end - costs.points), end - 1)
        upto[end] = np.min(before[begin] + table[row[begin], end - begin - 1])
        before[end - 1] = min(upto[end - 1], upto[end])
    onward, after = np.full(count + 1, np.inf), np.full(count, np.inf)
    onward[count] = after[count - 1] = 0.0
    for start in range(count - 2, -1, -1):
        ends = np.arange(start + 1, min(count, start + costs.points))
        onward[start] = np.min(table[row[start], ends - start] + after[ends])
        after[start] = min(onward[start + 1], onward[start])
    return Unrolled(row=row, before=before, after=after, upto=upto, onward=onward, length=float(upto[count]))


def _from_seam(one: Unrolled, run: tuple[int, ...]) -> int:
    """Return how many shots lie between a run and the nearer end of the row; below zero where the run goes over the seam."""
    places = np.flatnonzero(np.isin(one.row, run))
    if len(places) != len(run):
        return -1
    return int(min(places[0], len(one.row) - 1 - places[-1])) if places[-1] - places[0] == len(run) - 1 else -1


def _lengths_without(shots: Shots, one: Unrolled, run: tuple[int, ...], prices: Prices, noise: float) -> tuple[float, float]:
    """Return the least length with one piece across the place of a run, and with pieces that meet there."""
    first = int(np.flatnonzero(one.row == run[0])[0])
    behind = first + len(run)
    if first == 0 or behind == len(one.row):
        return np.inf, float(one.onward[behind] if first == 0 else one.upto[first])
    across = _across(shots, one.row[:first][::-1], one.row[behind:], noise)
    table = np.minimum(across.line + prices.line, across.arc + prices.arc)
    table = one.before[:first][::-1, None] + table + one.after[None, behind:]
    return float(table.min()), float(one.upto[first] + one.onward[behind])


class Across(msgspec.Struct, frozen=True):
    """Chi-square of every piece over a gap, [shots before it - 1, shots behind it - 1]."""

    line: Array
    arc: Array


def _across(shots: Shots, back: Index, ahead: Index, noise: float) -> Across:
    """Return the chi-square of each piece that passes a gap, from moments summed outwards from it."""
    middle = (shots.points[back[0]] + shots.points[ahead[0]]) / 2
    sums = _sums(shots, back, middle, noise)[:, :, None] + _sums(shots, ahead, middle, noise)[:, None, :]
    total = sums[0]
    mx, my, ex, ey, exy, er, exr, eyr, err = sums[1:] / total
    mxx, myy, mxy = ex - mx * mx, ey - my * my, exy - mx * my
    line = total * (mxx + myy - np.sqrt((mxx - myy) ** 2 + 4 * mxy**2)) / 2
    centre, mz = mx * mx + my * my, mxx + myy
    mxz = exr - 2 * (mx * ex + my * exy) + centre * mx - mx * mz
    myz = eyr - 2 * (mx * exy + my * ey) + centre * my - my * mz
    mzz = err + 4 * (mx * mx * ex + 2 * mx * my * exy + my * my * ey) + centre * centre
    mzz = mzz - 4 * (mx * exr + my * eyr) + 2 * centre * er - 4 * centre * centre
    arc = total * taubin_root(mxx, myy, mxy, mxz, myz, mzz)
    arc[0, 0] = np.inf  # two shots
    arc[_sharp(shots, back)[:, None] + _sharp(shots, ahead)[None, :] > 0] = np.inf
    bent = np.cumsum(shots.curved[back] == 1)[:, None] + np.cumsum(shots.curved[ahead] == 1)[None, :] > 0
    line[bent] = np.inf
    return Across(np.maximum(line, 0.0), np.maximum(arc, 0.0))


def _sums(shots: Shots, row: Index, middle: Array, noise: float) -> Array:
    """Return running sums (10, n) of weights, coordinates about the middle, and their products up to the fourth order."""
    x, y = (shots.points[row] - middle).T
    w = 1 / (shots.sigmas[row] ** 2 * noise)
    r = x * x + y * y
    return np.cumsum(np.array([w, w * x, w * y, w * x * x, w * y * y, w * x * y, w * r, w * x * r, w * y * r, w * r * r]), axis=1)


def _sharp(shots: Shots, row: Index) -> NDArray[np.int64]:
    """Return how many sharp turns lie within the first so many shots of a row that begins at a gap.

    At the gap itself a turn tells nothing: an arc turns there by all that the missing shots would have shown.
    """
    if len(row) < 3:
        return np.zeros(len(row), dtype=np.int64)
    steps = np.diff(shots.points[row], axis=0)
    into, out = steps[:-1], steps[1:]
    turn = np.abs(np.arctan2(into[:, 0] * out[:, 1] - into[:, 1] * out[:, 0], (into * out).sum(axis=1)))
    clear = np.minimum(np.hypot(*into.T), np.hypot(*out.T)) > CLEAR_CHORD * shots.sigmas[row[1:-1]]
    return np.concatenate(([0, 0], np.cumsum((turn > SHARPEST) & clear)))
