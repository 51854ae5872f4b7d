"""Lines with very many shots: pieces sought on the means of short runs of shots, then settled and proved on the shots themselves.

The search grows with the square of the number of points; on `MOST_POINTS` means it takes a constant time, and all
that follows grows with shots times pieces.
"""

from __future__ import annotations

import math
from typing import Final

import msgspec
import numpy as np
from numpy.typing import NDArray

from pipeline.edge.fit import Cut, Shape, description_length, refitted, settled, shape_of_cut
from pipeline.edge.search import Searched, searched
from pipeline.edge.shots import Shots
from pipeline.edge.weighing import residual_limit
from pipeline.geometry.chain_adjustment import Sightings

Array = NDArray[np.float64]
Index = NDArray[np.intp]

DENSE: Final = 600  # shots from which a line is sought on means
MOST_POINTS: Final = 120  # means at the most: runs of five shots or more
BENT: Final = 2.5  # [-] times the usual spread about its own curve: a run with a corner in it, whose mean lies on no piece
OFF_ITS_RUN: Final = 6.0  # [-] standard deviations off its run's own curve, from which a shot is left out of the mean
RUN_DEGREE: Final = 2
FAR_FROM_RUN: Final = 3.0  # [-] times the median distance from a run's middle: even shots reach two
SHORT_RUNS: Final = 3  # runs of a piece that may be a corner's mean and no piece at all
MOST_OFF: Final = 3  # shots of a run that may be left out
PROVING_ROUNDS: Final = 3


def searched_dense(shots: Shots, *, closed: bool, arcs: bool) -> tuple[Searched, tuple[int, ...]]:
    """Find the pieces of a dense line; returns them with the shots set aside.

    Parameters
    ----------
    shots : Shots
        In order, more than `DENSE`.
    closed : bool
        Whether the line closes.
    arcs : bool
        Whether it may have arcs.
    """
    runs = _runs_of(shots)
    good, spreads = _on_their_runs(shots, runs)
    straight = np.flatnonzero(spreads <= BENT * np.median(spreads))
    coarse = searched(_means(shots, runs, good, straight), closed=closed, arcs=arcs)
    kept = np.flatnonzero(good)
    shape = _without_needless(shots.taken(kept.tolist()), _spread(coarse.cut, runs[kept], straight, closed=closed), coarse)
    shape, aside = _proved(shots, shape, coarse.noise)
    return Searched(shape=shape, cut=coarse.cut, length=coarse.length, noise=coarse.noise), aside


def thinned(shots: Shots) -> Shots:
    """Return the means of runs of a dense line's shots, but those with a corner in them."""
    runs = _runs_of(shots)
    good, spreads = _on_their_runs(shots, runs)
    return _means(shots, runs, good, np.flatnonzero(spreads <= BENT * np.median(spreads)))


def _runs_of(shots: Shots) -> Index:
    """Return the run each shot belongs to."""
    return np.arange(len(shots)) * min(MOST_POINTS, len(shots)) // len(shots)


def _on_their_runs(shots: Shots, runs: Index) -> tuple[NDArray[np.bool_], Array]:
    """Say which shots lie on the smooth curve of their own run (one that does not would spoil its mean), and how each run spreads."""
    good = np.ones(len(shots), dtype=bool)
    spreads = np.zeros(int(runs[-1]) + 1)
    for run in range(int(runs[-1]) + 1):
        own = np.flatnonzero(runs == run)
        good[own] = _good_of(shots.points[own], float(np.median(shots.sigmas[own])))
        spreads[run] = np.sqrt(np.mean(_off_curve(shots.points[own], good[own])[good[own]] ** 2))
    return good, spreads


def _good_of(points: Array, sigma: float) -> NDArray[np.bool_]:
    """Say which points of a run lie on one curve: the worst are left out while that shows them to be far off the rest."""
    distances = np.hypot(*(points - np.median(points, axis=0)).T)
    best = distances <= FAR_FROM_RUN * float(np.median(distances)) + OFF_ITS_RUN * sigma
    trial = best.copy()
    for _ in range(MOST_OFF):
        if trial.sum() < RUN_DEGREE + 3:
            break
        offsets = np.abs(_off_curve(points, trial))
        trial = trial.copy()
        trial[int(np.argmax(np.where(trial, offsets, -1.0)))] = False
        offsets = np.abs(_off_curve(points, trial))
        spread = max(sigma, float(np.sqrt(np.mean(offsets[trial] ** 2))))
        if offsets[best & ~trial].min() > OFF_ITS_RUN * spread:
            best = trial
    return np.asarray(best)


def _off_curve(points: Array, good: NDArray[np.bool_]) -> Array:
    """Return the distances [m] of points from the parabola through the good ones, across their long direction."""
    away = points - np.median(points, axis=0)
    half = len(points) // 2
    long = np.median(points[half:], axis=0) - np.median(points[:half], axis=0)
    long = long / max(float(np.hypot(*long)), 1e-12)
    u, v = away @ long, away @ np.array([-long[1], long[0]])
    return np.asarray(v - np.polyval(np.polyfit(u[good], v[good], RUN_DEGREE), u))


def _means(shots: Shots, runs: Index, good: NDArray[np.bool_], straight: Index) -> Shots:
    points, covariances, names, curved = [], [], [], []
    for run in straight:
        own = np.flatnonzero((runs == run) & good)
        own = own if len(own) else np.flatnonzero(runs == run)
        points.append(shots.points[own].mean(axis=0))
        covariances.append(shots.covariances[own].mean(axis=0) / len(own))
        names.append(shots.names[int(own[0])])
        curved.append(int(shots.curved[own].min()))
    return Shots(names=tuple(names), points=np.array(points), covariances=np.array(covariances), curved=np.array(curved, dtype=np.int64))


def _spread(cut: Cut, runs: Index, straight: Index, *, closed: bool) -> Cut:
    """Return a cut of the means as a cut of the shots; runs left out go half and half to the pieces beside them."""
    count, laps = len(straight), len(runs)
    firsts, lasts = np.searchsorted(runs, straight), np.searchsorted(runs, straight, side="right") - 1
    middles = (lasts + np.roll(firsts, -1) + np.where(np.arange(count) == count - 1, laps, 0)) // 2
    wide = []
    for stretch in cut:
        before = stretch.first - 1
        first = int(middles[before % count]) + laps * (before // count) + 1
        last = int(middles[stretch.last % count]) + laps * (stretch.last // count)
        wide.append(msgspec.structs.replace(stretch, first=first, last=last, shared=False))
    if not closed:
        wide[0], wide[-1] = msgspec.structs.replace(wide[0], first=0), msgspec.structs.replace(wide[-1], last=laps - 1)
    return tuple(wide)


def _without_needless(shots: Shots, wide: Cut, coarse: Searched) -> Shape:
    """Adjust the shots' own chain, and take out each short piece that only the mean of a run round a corner made."""
    closed = coarse.shape.chain.closed
    best = shape_of_cut(shots, wide, closed=closed)
    if best is None:
        raise ValueError("the shots make no line")
    length = description_length(best, noise=coarse.noise)
    per_run = len(shots) / len(coarse.shape.shots)
    index = 0
    while index < len(wide):
        if len(wide) > 3 and wide[index].count <= SHORT_RUNS * per_run and (closed or 0 < index < len(wide) - 1):
            trial = _taken_out(wide, index, len(shots))
            shape = shape_of_cut(shots, trial, closed=closed)
            if shape is not None and not shape.far and description_length(shape, noise=coarse.noise) < length:
                best, length, wide = shape, description_length(shape, noise=coarse.noise), trial
                continue
        index += 1
    return best


def _taken_out(wide: Cut, index: int, count: int) -> Cut:
    """Return a cut without one piece, its shots halved between its neighbours."""
    parts = list(wide)
    middle = (wide[index].first + wide[index].last) // 2
    before, after = (index - 1) % len(wide), (index + 1) % len(wide)
    parts[before] = msgspec.structs.replace(wide[before], last=middle + (count if index == 0 else 0))
    parts[after] = msgspec.structs.replace(wide[after], first=middle + 1 - (count if index == len(wide) - 1 else 0))
    del parts[index]
    laps = parts[0].first // count
    return tuple(msgspec.structs.replace(one, first=one.first - laps * count, last=one.last - laps * count) for one in parts)


def _proved(shots: Shots, shape: Shape, noise: float) -> tuple[Shape, tuple[int, ...]]:
    """Set aside every shot beyond the limit of its residual, take back every one within, until that settles."""
    place = {name: index for index, name in enumerate(shots.names)}
    limit = residual_limit(len(shots)) * math.sqrt(max(1.0, noise))
    aside: tuple[int, ...] = tuple(sorted(set(range(len(shots))) - {place[name] for name in shape.shots.names}))
    for _ in range(PROVING_ROUNDS):
        on_all = _settled(_with_shots(shape, shots))
        statistic = np.abs(on_all.fit.offsets) / on_all.fit.sigmas
        off = tuple(int(index) for index in np.flatnonzero(statistic > limit))
        kept = [index for index in range(len(shots)) if index not in set(off)]
        shape = _settled(_with_shots(on_all, shots, kept))
        if off == aside:
            break
        aside = off
    return shape, aside


def _settled(shape: Shape) -> Shape:
    """Return the shape with its shots given to their nearest pieces; as it stands where that makes no chain, its residuals telling the rest."""
    try:
        return settled(shape)
    except np.linalg.LinAlgError:
        return shape


def _with_shots(shape: Shape, shots: Shots, kept: list[int] | None = None) -> Shape:
    """Return the shape on other shots, each on the piece of its nearest neighbour in the order."""
    rows = list(range(len(shots))) if kept is None else kept
    some = shots.taken(rows)
    known = {name: int(piece) for name, piece in zip(shape.shots.names, shape.sightings.pieces, strict=True)}
    pieces, last = [], int(shape.sightings.pieces[0])
    for name in some.names:
        last = known.get(name, last)
        pieces.append(last)
    sightings = Sightings(
        points=some.points,
        covariances=some.covariances,
        pieces=np.array(pieces, dtype=np.intp),
        corners=_corners(shape, some),
    )
    return refitted(msgspec.structs.replace(shape, shots=some, sightings=sightings))


def _corners(shape: Shape, some: Shots) -> Index:
    at = {name: int(corner) for name, corner in zip(shape.shots.names, shape.sightings.corners, strict=True) if corner >= 0}
    return np.array([at.get(name, -1) for name in some.names], dtype=np.intp)
