"""Cut a row of points into straight lines and arcs so that the description is shortest.

The description length of a cut is, in units of half a nat,

    sum over pieces of [ chi-square of the piece's points + (p + 1) ln N + k ]

with p = 2 for a line and 3 for an arc, one more for the place of the break, N the number of points, and k the
price of calling a piece curved (a line is the simpler word).  This is Schwarz's criterion (BIC) read as a
two-part code; the minimum over all breaks and kinds is found by dynamic programming.

References
----------
G. Schwarz, "Estimating the dimension of a model", Annals of Statistics 6 (1978), 461-464 (from memory).
J. Rissanen, "Modeling by shortest data description", Automatica 14 (1978), 465-471 (from memory).
N. Chernov, "Circular and Linear Regression" (2010), chapter 5, for Taubin's fit from moments (from memory).
"""

from __future__ import annotations

import math
from collections.abc import Callable, Collection
from typing import Final

import msgspec
import numpy as np
from numpy.typing import NDArray

from pipeline.geometry.compiled import compiled

Array = NDArray[np.float64]

LINE_PARAMETERS: Final = 2
ARC_PARAMETERS: Final = 3
CURVED_PRICE: Final = 6.0  # [-] twice the log odds against a curve before any point was seen (own judgement)
EVERY_START: Final = 160  # up to so many points of a loop every point is tried as a start; beyond, every break found
SHARPEST: Final = math.radians(55)  # a turn from chord to chord at one point that is a corner, not part of an arc,
COARSEST: Final = math.radians(68)  # a turn that no arc makes at one of its shots, 40 degrees apart and uneven by two thirds
CLEAR_CHORD: Final = 20.0  # [-] where both chords are this many standard deviations long


class Stretch(msgspec.Struct, frozen=True, kw_only=True):
    """One piece of a cut: points `first` to `last` (both in it; a loop counts on past its end).

    Parameters
    ----------
    first, last : int
    is_arc : bool
    shared : bool
        The piece begins at the very point where the one before it ends: that point is the corner itself.
    smooth : bool
        Both its joins are to be tried as smooth, however the shots on it alone may run.
    """

    first: int
    last: int
    is_arc: bool
    shared: bool = False
    smooth: bool = False

    @property
    def count(self) -> int:
        return self.last - self.first + 1


class Costs(msgspec.Struct, frozen=True, kw_only=True):
    """Chi-square of every run of points as one line or one arc.

    Parameters
    ----------
    line, arc : array
        [start, points - 1], infinite where such a piece cannot be.
    closed : bool
    bent : array
        As `arc`, but one sharp turn within it is allowed: a coarsely and unevenly shot arc may turn at a shot as a corner does.
    """

    line: Array
    arc: Array
    closed: bool
    bent: Array

    @property
    def points(self) -> int:
        return int(self.line.shape[0])


class Prices(msgspec.Struct, frozen=True, kw_only=True):
    """What a piece costs beside its misfit [-]."""

    line: float
    arc: float

    @staticmethod
    def for_points(count: int) -> Prices:
        unit = math.log(max(count, 3))
        return Prices(line=(LINE_PARAMETERS + 1) * unit, arc=(ARC_PARAMETERS + 1) * unit + CURVED_PRICE)


def piece_costs(points: Array, sigmas: Array, *, closed: bool, arcs: bool = True, gapped: Collection[int] = ()) -> Costs:
    """Return the chi-square of every run of consecutive points as a line and as an arc, from running moments.

    Parameters
    ----------
    points : (n, 2) array
        [m]
    sigmas : (n,) array
        Standard deviation of each point square to the curve [m].
    closed : bool
        Runs may pass from the last point to the first.
    arcs : bool
        False: lines only.
    gapped : collection of int
        Points beside points that were left out: how sharply the row turns at them tells nothing of a corner.

    Notes
    -----
    Moments are summed from each run's own first point, so that no digits are lost far from the origin.  A line's
    chi-square is the smaller eigenvalue of the centred second moments; an arc's is Taubin's root, which agrees with
    the sum of squared distances to first order in noise / radius.
    """
    count = len(points)
    index = (np.arange(count)[:, None] + np.arange(count)[None, :]) % count
    x = points[index, 0] - points[:, :1]
    y = points[index, 1] - points[:, 1:]
    w = (1 / sigmas**2)[index]
    total = np.cumsum(w, axis=1)

    def mean(values: Array) -> Array:
        return np.asarray(np.cumsum(w * values, axis=1) / total)

    mx, my = mean(x), mean(y)
    mxx, myy, mxy = mean(x * x) - mx * mx, mean(y * y) - my * my, mean(x * y) - mx * my
    spread = mxx + myy
    line = total * (spread - np.sqrt((mxx - myy) ** 2 + 4 * mxy**2)) / 2
    arc = _arc_costs(x, y, mean, mx, my, mxx, myy, mxy, total) if arcs and count >= 3 else np.full_like(line, np.inf)
    line, arc = np.maximum(line, 0.0), np.maximum(arc, 0.0)
    line[:, 0] = np.inf
    arc[:, :2] = np.inf
    if not closed:
        beyond = np.arange(count)[:, None] + np.arange(count)[None, :] >= count
        line[beyond] = arc[beyond] = np.inf
    sharp, sharper = (_sharp_turns(points, sigmas, index, gapped, angle) for angle in (SHARPEST, COARSEST))
    return Costs(line=line, arc=np.where(sharp > 0, np.inf, arc), closed=closed, bent=np.where((sharp > 1) | (sharper > 0), np.inf, arc))


def _sharp_turns(points: Array, sigmas: Array, index: NDArray[np.intp], gapped: Collection[int], angle: float) -> NDArray[np.int64]:
    """Return how many of the inner points of each run the row turns sharply at."""
    into = points - np.roll(points, 1, axis=0)
    out = np.roll(into, -1, axis=0)
    turn = np.abs(np.arctan2(into[:, 0] * out[:, 1] - into[:, 1] * out[:, 0], (into * out).sum(axis=1)))
    clear = np.minimum(np.hypot(*into.T), np.hypot(*out.T)) > CLEAR_CHORD * sigmas
    clear[list(gapped)] = False
    sharp = ((turn > angle) & clear).astype(np.int64)[index]
    return np.asarray(np.cumsum(sharp, axis=1) - sharp - sharp[:, :1])


def _arc_costs(x: Array, y: Array, mean: Callable[[Array], Array], mx: Array, my: Array, mxx: Array, myy: Array, mxy: Array, total: Array) -> Array:
    """Return n times Taubin's smallest root, by Newton from zero (it converges from below)."""
    # moments with z = x² + y² about the run's mean, from raw moments about its first point
    r2 = x * x + y * y
    mr2, mxr2, myr2, mr4 = mean(r2), mean(x * r2), mean(y * r2), mean(r2 * r2)
    centre = mx * mx + my * my
    mz = mxx + myy
    # z' = r2 - 2 (mx x + my y) + centre
    ex, ey = mxx + mx * mx, myy + my * my  # E[x²], E[y²]
    exy = mxy + mx * my
    mxz = mxr2 - 2 * (mx * ex + my * exy) + centre * mx - mx * mz
    myz = myr2 - 2 * (mx * exy + my * ey) + centre * my - my * mz
    mzz = (
        mr4
        + 4 * (mx * mx * ex + 2 * mx * my * exy + my * my * ey)
        + centre * centre
        - 4 * (mx * mxr2 + my * myr2)
        + 2 * centre * mr2
        - 4 * centre * centre
    )
    return np.asarray(taubin_root(mxx, myy, mxy, mxz, myz, mzz) * total)


def taubin_root(mxx: Array, myy: Array, mxy: Array, mxz: Array, myz: Array, mzz: Array) -> Array:
    """Return Taubin's smallest root, the mean square distance of points from their circle to first order [m²].

    Parameters
    ----------
    mxx, myy, mxy, mxz, myz, mzz : array
        Moments about the points' mean, with z = x² + y².
    """
    mz = mxx + myy
    covariance = mxx * myy - mxy * mxy
    variance_z = mzz - mz * mz
    a3 = 4 * mz
    a2 = -3 * mz * mz - mzz
    a1 = variance_z * mz + 4 * covariance * mz - mxz * mxz - myz * myz
    a0 = mxz * (mxz * myy - myz * mxy) + myz * (myz * mxx - mxz * mxy) - variance_z * covariance
    root = np.zeros_like(mz)
    with np.errstate(divide="ignore", invalid="ignore"):
        for _ in range(12):
            value = a0 + root * (a1 + root * (a2 + root * a3))
            slope = a1 + root * (2 * a2 + 3 * a3 * root)
            step = np.where(slope != 0, -value / slope, 0.0)
            root = root + np.where(np.isfinite(step), step, 0.0)
    return np.asarray(np.where(np.isfinite(root), root, np.inf))


def cut(costs: Costs, prices: Prices, *, barred: Collection[int] = (), shared: bool = True, exact: bool = True) -> tuple[Stretch, ...]:
    """Return the cut of least description length.

    Parameters
    ----------
    costs : Costs
        Of every run of points.
    prices : Prices
        Of a piece of either kind.
    barred : collection of int
        Points after which no two pieces may meet in the gap to the next point, because the join would lie far from
        any shot; there they can only meet at a point.
    shared : bool
        Whether pieces may meet at a point itself.
    exact : bool
        False: of a loop only the breaks of a first answer are tried as starts, to judge lengths quickly.

    Notes
    -----
    For a loop the optimum is sought over starts: every point up to `EVERY_START` points (then it is the exact optimum),
    beyond that every break of the first answer.
    """
    if not costs.closed:
        return _open_cut(costs, prices, barred, shared, 0, costs.points)[1]
    if exact and costs.points <= EVERY_START:
        starts = np.arange(costs.points)
    else:
        first = _open_cut(costs, prices, barred, shared, 0, costs.points)[1]
        starts = np.unique(np.array([stretch.first for stretch in first]))
    return _loop_cut(costs, prices, barred, shared, starts)


def cut_length(costs: Costs, pieces: Collection[Stretch], prices: Prices) -> float:
    """Return the description length of a cut [half nats]."""
    return sum(
        float((costs.arc if one.is_arc else costs.line)[one.first % costs.points, one.count - 1]) + (prices.arc if one.is_arc else prices.line)
        for one in pieces
    )


def _open_cut(costs: Costs, prices: Prices, barred: Collection[int], shared: bool, start: int, count: int) -> tuple[float, tuple[Stretch, ...]]:
    best, choice = _forward(costs, prices, barred, shared, np.array([start]), count)
    return float(best[0, -1]), _trace(costs, prices, choice, 0, start, count)


def _loop_cut(costs: Costs, prices: Prices, barred: Collection[int], shared: bool, starts: NDArray[np.intp]) -> tuple[Stretch, ...]:
    """Try each start in two ways: the loop's seam in the gap before the start, or at the starting point itself."""
    count = costs.points
    barred_set = set(barred)
    best, choice = _forward(costs, prices, barred, shared, starts, count)
    ends = best[:, count].copy()
    for row, start in enumerate(starts):
        if (start - 1) % count in barred_set:
            ends[row] = np.inf
    row = int(np.argmin(ends))
    answer = _trace(costs, prices, choice, row, int(starts[row]), count)
    if shared:
        wide, wide_choice = _forward(costs, prices, barred, shared, starts, count + 1)
        wide_row = int(np.argmin(wide[:, count + 1]))
        if wide[wide_row, count + 1] < ends[row]:
            around = _trace(costs, prices, wide_choice, wide_row, int(starts[wide_row]), count + 1)
            answer = (msgspec.structs.replace(around[0], shared=True), *around[1:])
    return answer


def _forward(
    costs: Costs, prices: Prices, barred: Collection[int], shared: bool, starts: NDArray[np.intp], count: int
) -> tuple[Array, NDArray[np.int64]]:
    """Fill the table of least lengths: best[r, k] covers k points from starts[r]; choice holds the last piece.

    A choice is 4 * (points before the piece) + 2 * shared + is_arc.
    """
    piece = np.minimum(costs.line + prices.line, costs.arc + prices.arc)
    gap_barred = np.zeros(costs.points, dtype=np.bool_)
    gap_barred[list(barred)] = True
    return _table(piece, gap_barred, shared, np.asarray(starts, dtype=np.intp), count)


@compiled
def _table(piece: Array, gap_barred: NDArray[np.bool_], shared: bool, starts: NDArray[np.intp], count: int) -> tuple[Array, NDArray[np.int64]]:
    """Fill the table, `piece` the price of every run; of choices as good the one with the fewest points before the piece is taken."""
    n, rows = len(piece), len(starts)
    best = np.full((rows, count + 1), np.inf)
    best[:, 0] = 0.0
    choice = np.zeros((rows, count + 1), dtype=np.int64)
    for row in range(rows):
        start = starts[row]
        for end in range(1, count + 1):
            first = max(0, end - n)
            least, code = np.inf, 4 * first
            for before in range(first, end):  # points covered before the piece
                begin = (start + before) % n
                if before > 0 and gap_barred[(begin - 1) % n]:
                    continue
                value = best[row, before] + piece[begin, end - before - 1]
                if value < least:
                    least, code = value, 4 * before
            for upto in range(max(1, end - n + 1), end if shared else 0):  # the piece begins at the last point covered
                value = best[row, upto] + piece[(start + upto - 1) % n, end - upto]
                if value < least:
                    least, code = value, 4 * upto + 2
            best[row, end], choice[row, end] = least, code
    return best, choice


def _trace(costs: Costs, prices: Prices, choice: NDArray[np.int64], row: int, start: int, count: int) -> tuple[Stretch, ...]:
    stretches: list[Stretch] = []
    end = count
    n = costs.points
    while end > 0:
        before, shares = divmod(int(choice[row, end]), 4)
        first = start + before - (1 if shares else 0)
        last = start + end - 1
        length = last - first
        is_arc = costs.arc[first % n, length] + prices.arc < costs.line[first % n, length] + prices.line
        stretches.append(Stretch(first=first, last=last, is_arc=bool(is_arc), shared=bool(shares)))
        end = before
    return tuple(reversed(stretches))
