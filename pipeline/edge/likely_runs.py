"""The runs of shots worth a trial without them on the whole chain: likely by pieces that stand by themselves, or by shots far off theirs."""

from __future__ import annotations

import math
from collections.abc import Collection
from typing import Final

import numpy as np
from numpy.typing import NDArray

from pipeline.edge.few_shots import checks_of
from pipeline.edge.fit import Cut, Shape
from pipeline.edge.passing import savings
from pipeline.edge.search import Searched, costs_of, first_cut, noise_of, noisier
from pipeline.edge.shots import Shots
from pipeline.edge.weighing import (
    ALIKE_PRICE,
    LEAST_OFF,
    MOST_UNLIKE,
    PLAINLY,
    Run,
    alike_price,
    along_both,
    chi_square_limit,
    place_price,
    price_of,
    runs_of,
)
from pipeline.edge.without_run import kept_of
from pipeline.geometry.fitting import fit_line, taubin_circle
from pipeline.geometry.segmenting import ARC_PARAMETERS, LINE_PARAMETERS, Prices, Stretch, cut_length

Array = NDArray[np.float64]

SMALL_LINE: Final = 4  # shots of a line, or
SMALL_ARC: Final = 7  # of an arc that may hold a blunder,
EVERY_RUN: Final = 120  # in lines of more shots than these; in shorter ones every run is tried
FEATURE_PRICE: Final = 8.0  # [half nats] of one more piece, beside its numbers (the search's prices of a piece and its join)
CHECKED: Final = 0.3  # [-] checks per shot below which no shot is proved wrong
LIKELY: Final = -2.0  # [half nats] gained on pieces by themselves, from which a run is tried on the whole chain;
WEAK_LIKELY: Final = -20.0  # [half nats] where pieces hardly check themselves
STRAINED: Final = 2.326  # normal quantile of 1 %: a piece whose misfit is beyond it may follow a blunder
WELL_CHECKED: Final = 1.5  # [-] redundancy of a piece's shots, below which they hardly check each other
FAR_OFF: Final = 4.0  # [-] standard deviations off its own piece
MOST_PRICED: Final = 24  # runs tried on pieces by themselves, and
MOST_TRIED: Final = 5  # on the whole chain, at a time,
MOST_HOPED: Final = 2  # of those that may be the coping's though pieces by themselves do not say so,
MOST_ASTRAY: Final = 10  # and of runs where shots lie off their pieces, whatever pieces by themselves say of them
BEHIND: Final = 30.0  # [half nats] none that is so much less likely than the best, whatever the chain adds: twice its doubt


def likely_runs(shots: Shots, found: Searched, *, closed: bool, arcs: bool) -> list[Run]:
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
    gained = [_gains_of_pieces(shots, run, before, noise, closed=closed, arcs=arcs) for run in some]
    priced = [(gain, run) for (gain, _), run in zip(gained, some, strict=True)]
    most = max((gain for gain, _ in priced), default=0.0)
    likely = [(gain, run) for gain, run in priced if gain > max(WEAK_LIKELY if set(run) <= weak else LIKELY, most - BEHIND)]
    tried = [run for _, run in sorted(likely, key=lambda one: (-one[0], one[1]))][:MOST_TRIED]
    hoped = sorted(
        ((hope, run) for (_, hope), run in zip(gained, some, strict=True) if hope > LIKELY and run not in tried), key=lambda one: (-one[0], one[1])
    )
    tried += [run for _, run in hoped[:MOST_HOPED]]
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
    return _on_pieces(shots, shape, [piece for piece in range(len(shape.chain)) if checks_of(shape, piece) < WELL_CHECKED])


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
    own, checks = shape.sightings.pieces == piece, checks_of(shape, piece)
    misfit = float(((shape.fit.offsets[own] / shape.fit.sigmas[own]) ** 2).sum()) / noise
    return misfit > chi_square_limit(checks, STRAINED)


def _gains_of_pieces(shots: Shots, run: Run, before: float, noise: float, *, closed: bool, arcs: bool) -> tuple[float, float]:
    """Return by how much leaving a run out shortens the description by pieces that stand by themselves, its true price in it; and as if it were the coping.

    The latter of runs that lie off by unlike distances, which are not to be named otherwise: of a small arc the pieces without it may be two sides.
    """
    rest, prices = shots.without(run), _prices(len(shots))
    costs = noisier(costs_of(rest, closed=closed, arcs=arcs), noise)
    now = first_cut(rest, costs, prices)
    gap = kept_of(len(shots), run).index((run[0] - 1) % len(shots))
    beside = [one for one in now if any((place - one.first) % len(rest) < one.count for place in (gap, (gap + 1) % len(rest)))]
    sigmas = shots.sigmas[list(run)] * math.sqrt(noise)
    least = max(PLAINLY / 2 * float(sigmas.max()), LEAST_OFF / 2)
    apart = [_offsets(rest, one, shots.points[list(run)]) for one in beside]
    both = [offsets for place, one in enumerate(apart) for other in apart[place:] for offsets in along_both(one, other)]
    off = [offsets for offsets in both if np.abs(offsets).min() >= least]
    gain = before - cut_length(costs, now, prices)
    price = min((price_of(offsets, sigmas, len(shots)) for offsets in off), default=math.inf)
    hope = gain - alike_price(sigmas, len(shots)) if len(run) > MOST_UNLIKE and any(offsets.max() < 0 for offsets in off) else -math.inf
    return gain - price, hope


def _offsets(shots: Shots, carrier: Stretch, off: Array) -> Array:
    """Return the distances [m] of places from the whole line or circle of a piece, to the left of its way positive."""
    own = shots.points[np.arange(carrier.first, carrier.last + 1) % len(shots)]
    if carrier.is_arc:
        x, y, radius = taubin_circle(own, np.ones(len(own)))
        spokes = own - (x, y)
        turn = float((spokes[:-1, 0] * spokes[1:, 1] - spokes[:-1, 1] * spokes[1:, 0]).sum())
        return np.asarray(math.copysign(1.0, turn) * (radius - np.hypot(off[:, 0] - x, off[:, 1] - y)))
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


def _in_small_pieces(now: Cut, count: int) -> set[int]:
    doubtful = set()
    for stretch in now:
        if stretch.count <= (SMALL_ARC if stretch.is_arc else SMALL_LINE):
            doubtful |= {index % count for index in range(stretch.first, stretch.last + 1)}
        if stretch.shared:
            doubtful.add(stretch.first % count)
    return doubtful
