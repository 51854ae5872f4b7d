"""A closed line as a free curve, or with free stretches between corners: when it is one rather than lines and arcs, and what lies off it."""

from __future__ import annotations

import math
from collections.abc import Collection
from typing import Final

import msgspec
import numpy as np

from pipeline.edge.dense import thinned
from pipeline.edge.fit import PIECE_PRICE, Shape, description_length
from pipeline.edge.free_form import FreeFit, description_of_free, free_shape, on_all
from pipeline.edge.free_stretch import Mixed, mixed, mixed_as
from pipeline.edge.left_out import Leaving, left_out
from pipeline.edge.mixed_line import MixedFit
from pipeline.edge.mixed_shape import mixed_chain, mixed_on_all, mixed_shape, said
from pipeline.edge.off_curve import least_without, off_the_curve
from pipeline.edge.off_stretch import off_mixed
from pipeline.edge.search import RIVAL, Searched, costs_of, searched
from pipeline.edge.shots import Shots
from pipeline.edge.stretch import FREE_PRICE, NODE_PRICE
from pipeline.edge.unshown import unshown
from pipeline.edge.weighing import BLUNDER_PRICE, FAR_APART, Told, most_set_aside, price_of, residual_limit, snooped, spanned, touch
from pipeline.edge.without_run import searched_or_none
from pipeline.geometry.chain import Chain
from pipeline.geometry.projection import project
from pipeline.geometry.segmenting import Prices, cut, cut_length

GLOBAL_SHARE: Final = 2.326  # normal quantile of 1 %: beyond it the a-priori sigmas are too small for this line
FREE_SHARE: Final = 3.09  # normal quantile of 0.1 %: beyond it lines and arcs do not explain the shots,
FREE_GAIN: Final = 1.5  # [-] and a free curve has to lower the variance factor by so much
MANY_ARCS: Final = 4  # arcs from which a closed line may be a free curve
PLAINLY: Final = 30.0  # [half nats] by which a free curve must be shorter than the best lines and arcs could be
FREE_HOPE: Final = 60.0  # [half nats] that a free curve may yet be shortened by
UNSURE: Final = 0.05  # [-] likelihood from which another reading of the shots
SEEN_OFF: Final = 0.06  # [m] that lies so far off the line puts it in doubt: as far as a blunder lies off at the least
FEW_SHOTS: Final = 60  # of a line, with which free stretches are sought more thoroughly
TAKEN_BACK: Final = 3.0  # [-] standard deviations within which a shot another reading named lies on the line after all
CROWDED: Final = 4.0  # shots a piece; with fewer, lines and arcs explain anything


class Free(msgspec.Struct, frozen=True, kw_only=True):
    """A line as a free curve, or with free stretches: the shots set aside from it by index, and what cannot be told of others.

    `length`: its description length [half nats], the shots set aside named.  `what` is said of free stretches; `others` are other readings of the
    shots, each with its likelihood [-]; `unclear` are the shots beside places where a likely one lies far off.
    """

    shape: Shape
    aside: tuple[int, ...]
    told: Told
    unclear: tuple[int, ...] = ()
    length: float = math.inf
    what: str = ""
    others: tuple[tuple[Chain, float], ...] = ()


def _free(row: Shots, below: float) -> Free | None:
    """Return the line as a free curve, without the shots that lie off it; None where it is none of a length below `below`."""
    shape = free_shape(row, below + FREE_HOPE)
    if shape is None:
        return None
    if description_of_free(shape, 1.0) > below + FREE_HOPE and not math.isfinite(least_without(row, below + FREE_HOPE)):
        return None
    told = off_the_curve(row, lambda some: free_shape(some, below + FREE_HOPE), below + FREE_HOPE)
    left_out = {*told.aside, *told.doubtful}
    kept = [index for index in range(len(row)) if index not in left_out]
    shape = free_shape(row.without(left_out), below) if left_out else shape
    for _ in range(most_set_aside(len(row))):
        if shape is None:
            return None
        worst = snooped(shape, max(1.0, _middling(shape)))
        if worst is None:
            break
        kept = [index for index in kept if row.names[index] != shape.shots.names[worst]]
        shape = free_shape(row.taken(kept), below)
    aside = set(range(len(row))) - set(kept) - set(told.doubtful)
    return None if shape is None else _free_told(shape, aside, told, len(row))


def _mixed(row: Shots, below: float, *, likely: bool, blunders: bool, leaving: Leaving, means: bool = False) -> Free | None:
    """Return the line with free stretches, without the shots that lie off it; None where it has none, or is no shorter than `below` [half nats]."""
    found = mixed(row, below, likely=likely)
    left = left_out(row, found, below, leaving if blunders and (likely or found is not None) else "none")
    free = _mixed_of(row.without({*left.told.aside, *left.told.doubtful}), left.found, blunders=blunders, means=means)
    return free if free is None or left.told == Told() else _among_all(free, left.told, row)


def _mixed_of(row: Shots, found: Mixed | None, *, blunders: bool, means: bool) -> Free | None:
    """Return a line with free stretches as found, without the shots that still lie off it.

    Without some means the line is not sought anew: they are seldom wrong, but those of runs with a slight corner in them.
    """
    if found is None:
        return None
    told = off_mixed(found.best) if blunders else Told()
    told = msgspec.structs.replace(told, doubtful=(*told.doubtful, *told.slender), slender=())
    kept = [index for index in range(len(row)) if index not in {*told.aside, *told.doubtful}]
    found = found if len(kept) == len(row) else _mixed_again(row.taken(kept), found, means=means)
    for _ in range(most_set_aside(len(row))):
        shape = None if found is None else mixed_shape(found.best)
        worst = None if shape is None else snooped(shape, max(1.0, _middling(shape)))
        if found is None or shape is None or worst is None:
            break
        kept = [index for index in kept if row.names[index] != shape.shots.names[worst]]
        found = _mixed_again(row.taken(kept), found, means=means)
    if found is None:
        return None
    aside = set(range(len(row))) - set(kept) - set(told.doubtful)
    free = _free_told(mixed_shape(found.best), aside, told, len(row))
    named = _named_off(set(range(len(row))) - set(kept), free.shape.chain, row)
    odds = [math.exp((found.best.length - rival.length) / 2) for rival in found.rivals]
    others = tuple((mixed_chain(rival), odd / (1 + sum(odds))) for rival, odd in zip(found.rivals, odds, strict=True))
    return _unclear_beside(msgspec.structs.replace(free, length=found.best.length + named, what=said(found.best), others=others), row)


def _mixed_again(row: Shots, found: Mixed, *, means: bool) -> Mixed | None:
    return mixed_as(found.best, row) if means else mixed(row, likely=True)


def rather_mixed_than_free(row: Shots, free: Free, *, blunders: bool = True, means: bool = False) -> Free:
    """Return a line with free stretches instead of a free curve where that is shorter: a curve without corners rounds those there are.

    The shots that lie off the curve are left out of both, or are not: they may be a corner's.  Where the longer reading is nearly as short it is
    another one of the shots.
    """
    apart, length = Told(aside=free.aside, doubtful=free.told.doubtful), _length_of_curve(free, row)
    unsound = bool(free.told.doubtful) or not _holds(free.shape)
    likely = unsound or len(row) < FEW_SHOTS
    leaving: Leaving = "none" if means or (free.aside and not unsound) else "any" if unsound else "free"
    instead = _mixed_with_or_without(row, apart, free.shape.chain, length + RIVAL, likely=likely, blunders=blunders, leaving=leaving, means=means)
    if instead is None:
        return free
    best, other = (instead, free) if instead.length < length else (free, instead)
    odd = math.exp(-abs(instead.length - length) / 2)
    others = (*((chain, likelihood / (1 + odd)) for chain, likelihood in best.others), (other.shape.chain, odd / (1 + odd)))
    return _unclear_beside(msgspec.structs.replace(best, others=others), row)


def _length_of_curve(free: Free, row: Shots) -> float:
    """Return the description length of a free curve [half nats] as a line of one stretch, the shots off it named."""
    nodes = free.shape.fit.numbers / 2 if isinstance(free.shape.fit, FreeFit) else 0.0
    length = description_of_free(free.shape, 1.0) + nodes * NODE_PRICE + FREE_PRICE + PIECE_PRICE
    return length + _named_off({*free.aside, *free.told.doubtful}, free.shape.chain, row)


def rather_free_than_mixed(row: Shots, found: Free) -> Free:
    """Return a free curve instead of a line with free stretches that has shots off it, where that is shorter: those shots may make corners of a curve."""
    if not {*found.aside, *found.told.doubtful}:
        return found
    free = _free(row, found.length)
    return free if free is not None and _holds(free.shape) and _length_of_curve(free, row) < found.length else found


def _mixed_with_or_without(
    row: Shots, apart: Told, other: Chain, below: float, *, likely: bool, blunders: bool, leaving: Leaving, means: bool = False
) -> Free | None:
    """Return a line with free stretches through all shots, or where none holds without some that another reading named; None where it is not short enough."""
    found = _mixed(row, below, likely=likely, blunders=blunders, leaving=leaving, means=means)
    while (found is None or found.length >= below or not _holds(found.shape)) and (out := {*apart.aside, *apart.doubtful}):
        rest = _mixed(row.without(out), below - _named_off(out, other, row), likely=likely, blunders=blunders, leaving="none", means=means)
        if rest is None:
            return None
        found = _among_all(rest, apart, row)
        off = np.abs(project(rest.shape.chain, row.points)[1]) > TAKEN_BACK * row.sigmas
        if all(off[index] for index in apart.aside):
            break
        apart = msgspec.structs.replace(apart, aside=tuple(index for index in apart.aside if off[index]))  # the others lie on this line
    return found if found is not None and found.length < below and _holds(found.shape) else None


def _named(shots: Collection[int], row: Shots) -> float:
    """Return the price of naming some shots of a row [half nats]."""
    return len(shots) * (BLUNDER_PRICE + math.log(len(row)))


def _named_off(shots: Collection[int], chain: Chain, row: Shots) -> float:
    """Return the price of naming some shots of a row as off a chain [half nats]: less for those in a row that lie on a coping."""
    offsets, sigmas, count = project(chain, row.points)[1], row.sigmas, len(row)
    runs: list[list[int]] = []
    for index in sorted(shots):
        runs = [*runs[:-1], [*runs[-1], index]] if runs and runs[-1][-1] == index - 1 else [*runs, [index]]
    if len(runs) > 1 and runs[0][0] == 0 and runs[-1][-1] == count - 1:
        runs = [[*runs[-1], *runs[0]], *runs[1:-1]]
    return sum(min(_named(run, row), price_of(offsets[run], sigmas[run], count)) for run in runs)


def _among_all(rest: Free, out: Told, row: Shots) -> Free:
    """Return a line found without some shots, set aside or in doubt as they were, by the indices of all."""
    kept = [index for index in range(len(row)) if index not in {*out.aside, *out.doubtful}]
    aside, doubtful, unclear = (tuple(kept[index] for index in some) for some in (rest.aside, rest.told.doubtful, rest.unclear))
    told = Told(doubtful=tuple(sorted((*out.doubtful, *doubtful))))
    aside = tuple(sorted((*out.aside, *aside)))
    return msgspec.structs.replace(
        rest, aside=aside, told=told, unclear=unclear, length=rest.length + _named_off({*out.aside, *out.doubtful}, rest.shape.chain, row)
    )


def _unclear_beside(free: Free, row: Shots) -> Free:
    """Return a line with the shots beside the places where another likely reading of the shots lies far off it: a corner, or a curve about it."""
    chain, count = free.shape.chain, len(row)
    stations = project(chain, row.points)[0]
    beside: set[int] = set()
    for other, likely in free.others:
        if likely > UNSURE:
            at, offsets = project(chain, other.densified(SEEN_OFF / 4))
            for station in at[np.abs(offsets) > SEEN_OFF]:
                ahead = int(np.argmin((stations - station) % chain.length))
                beside |= {ahead, (ahead - 1) % count}
    return msgspec.structs.replace(free, unclear=tuple(sorted({*free.unclear, *beside} - set(free.aside))))


def rather_mixed(row: Shots, found: Searched, aside: list[int], told: Told, *, blunders: bool = True, means: bool = False) -> Free | None:
    """Return a line with free stretches where it is plainly shorter than its lines and arcs."""
    length = description_length(found.shape, noise=1.0) + _named_off(aside, found.shape.chain, row)
    unsound = bool(told.doubtful or _explains_little(found, len(row), FREE_SHARE) or unshown(found.shape))
    leaving: Leaving = "none" if means else "any" if unsound else "free"
    out, chain = Told(aside=tuple(aside)), found.shape.chain
    likely = unsound or bool(aside)
    return _mixed_with_or_without(row, out, chain, length - PLAINLY, likely=likely, blunders=blunders, leaving=leaving, means=means)


def _free_told(shape: Shape, aside: set[int], told: Told, count: int) -> Free:
    """Return a free curve with what lies off it; in doubt where its residuals tell a shot beside one that is told already: the curve bends there."""
    singles = aside - set(told.aside)
    beside = [one for one in singles if touch([one], (aside | set(told.doubtful)) - {one}, count, FAR_APART)]
    if beside:
        near = {one for one in aside if touch([one], beside, count, FAR_APART)}
        told = msgspec.structs.replace(told, doubtful=tuple(spanned({*told.doubtful, *near}, count)))
    return Free(shape=shape, aside=tuple(sorted(aside - set(told.doubtful))), told=told)


def _middling(shape: Shape) -> float:
    """Return the variance factor the middle half of the residuals shows, which one blunder does not move."""
    return float(1.4826 * np.median(np.abs(shape.fit.offsets / shape.fit.sigmas))) ** 2


def plainly_free(row: Shots, *, means: bool = False) -> Free | None:
    """Return the line as a free curve where lines and arcs could not come near it, before they are even adjusted."""
    at_best = _least_of_pieces(row)
    free = None if at_best is None else _free(row, at_best - PLAINLY)
    if free is None or at_best is None or not _holds(free.shape, GLOBAL_SHARE):
        return None  # a curve that hardly explains the shots is weighed against lines and arcs as adjusted
    length = description_of_free(free.shape, 1.0)
    left_out = {*free.aside, *free.told.doubtful}
    if not left_out:
        return None if length + PLAINLY > at_best else free
    if free.told.doubtful:
        return None  # lines and arcs may tell what the curve cannot
    return free if _shorter_than_pieces(row, left_out, length, at_best, means=means) else None


def _shorter_than_pieces(row: Shots, left_out: set[int], length: float, at_best: float, *, means: bool) -> bool:
    """Say whether a free curve without some shots is shorter than lines and arcs without them, and than those with them in.

    At their very best first; where that does not tell, adjusted: then they must explain little, too.  On means their very best tells alone:
    with sigmas so small no row of lines and arcs comes near it but the one that was built, which no curve undercuts.
    """
    named, bound = _named(left_out, row), _least_of_pieces(row.without(left_out))
    if means:
        return bound is not None and length + named < at_best and length < bound
    if at_best < length + named + PLAINLY and searched(row, closed=True, arcs=True).length < length + named + PLAINLY:
        return False
    if bound is not None and length + PLAINLY < bound:
        return True
    found = searched(row.without(left_out), closed=True, arcs=True)
    return length + PLAINLY < found.length and _explains_little(found, len(row) - len(left_out), GLOBAL_SHARE)


def _explains_little(found: Searched, count: int, share: float) -> bool:
    """Say whether lines and arcs fail the global test at a normal quantile, or are so many that they explain anything."""
    fit = found.shape.fit
    return fit.variance_factor > factor_limit(fit.degrees_of_freedom, share) or count < CROWDED * len(found.shape.chain)


def dense_free(row: Shots) -> Free | None:
    """Return a line of very many shots as a free curve, or with free stretches, where it is plainly so on the means of short runs of them."""
    means = thinned(row)
    free = plainly_free(means, means=True)
    if free is not None:
        free = rather_mixed_than_free(means, free, means=True)
    else:
        free = _plainly_mixed(means) or rather_mixed(means, searched(means, closed=True, arcs=True), [], Told(), means=True)
    return None if free is None else on_every_shot(msgspec.structs.replace(free, told=Told()), row)


def _plainly_mixed(row: Shots) -> Free | None:
    """Return the line with free stretches where lines and arcs could not come near it, before they are even adjusted."""
    at_best = _least_of_pieces(row)
    free = None if at_best is None else _mixed(row, at_best + FREE_HOPE, likely=True, blunders=True, leaving="none", means=True)
    if free is None or at_best is None or not _holds(free.shape):
        return None
    left_out = {*free.aside, *free.told.doubtful}
    if not left_out:
        return free if free.length + PLAINLY < at_best else None
    return free if _shorter_than_pieces(row, left_out, free.length - _named_off(left_out, free.shape.chain, row), at_best, means=True) else None


def on_every_shot(free: Free, row: Shots, step: int = 1) -> Free:
    """Return a line found on some shots of a row, every `step`-th or means, fitted to all; those in doubt stay so."""
    if not isinstance(free.shape.fit, FreeFit):
        raise TypeError("no free line")
    limit = residual_limit(len(row)) * math.sqrt(max(1.0, _middling(free.shape)))
    doubtful = tuple(index * step for index in free.told.doubtful)
    if isinstance(free.shape.fit.curve, MixedFit):
        fit, aside = mixed_on_all(free.shape.fit.curve, row, limit)
        shape, what = mixed_shape(fit), said(fit)
    else:
        (shape, aside), what = on_all(free.shape, row, limit), ""
    left = tuple(index for index in aside if index not in doubtful)
    return _unclear_beside(Free(shape=shape, aside=left, told=Told(doubtful=doubtful), what=what, others=free.others), row)


def _least_of_pieces(row: Shots) -> float | None:
    """Return what lines and arcs come to at the very best: every join smooth, nothing lost by joining; None where they are few."""
    costs, prices = costs_of(row, closed=True, arcs=True), Prices.for_points(len(row))
    pieces = cut(costs, prices)
    if sum(piece.is_arc for piece in pieces) < MANY_ARCS and len(row) >= CROWDED * len(pieces):
        return None
    misfit = cut_length(costs, pieces, Prices(line=0.0, arc=0.0))
    return misfit + len(pieces) * (2 * math.log(len(row)) + PIECE_PRICE)


def rather_free(row: Shots, found: Searched, aside: list[int]) -> Free | None:
    """Return the line as a free curve where its lines and arcs fail the global test, or are too many, and it explains more."""
    factor = found.shape.fit.variance_factor
    fails = factor > factor_limit(found.shape.fit.degrees_of_freedom, FREE_SHARE)
    if not _explains_little(found, len(row), FREE_SHARE):
        return None
    free = _free(row, description_length(found.shape, noise=1.0))
    if free is None:
        return None
    noise = max(1.0, free.shape.fit.variance_factor)
    blunders = (len(aside) - len(free.aside) - len(free.told.doubtful)) * (BLUNDER_PRICE + math.log(len(row)))
    better = description_of_free(free.shape, noise) < description_length(found.shape, noise=noise) + blunders
    sound = free.shape.fit.variance_factor < factor / FREE_GAIN if fails else _holds(free.shape)
    if not (better and sound):
        return None
    return _doubted(free) if _explained_without(row, free, aside) else free


def _doubted(free: Free) -> Free:
    """Return a free curve with the shots it leaves out in doubt: which kind of line it is hangs on them."""
    return msgspec.structs.replace(free, aside=(), told=Told(doubtful=tuple(sorted({*free.aside, *free.told.doubtful}))))


def _explained_without(row: Shots, free: Free, aside: Collection[int]) -> bool:
    """Say whether lines and arcs explain the shots after all without those that a free curve leaves out, where they were asked without others.

    Without a whole curve in doubt they explain little, though they do without the three wrong shots on it.
    """
    out = {*free.aside, *free.told.doubtful}
    if not out or out == set(aside):
        return False
    found = searched_or_none(row.without(out), closed=True, arcs=True)
    return found is not None and not _explains_little(found, len(row) - len(out), FREE_SHARE)


def _holds(shape: Shape, share: float = FREE_SHARE) -> bool:
    return shape.fit.variance_factor < factor_limit(shape.fit.degrees_of_freedom, share)


def factor_limit(freedom: int, quantile: float) -> float:
    """Return the variance factor at a normal quantile, by Wilson and Hilferty's cube root of chi-square."""
    part = 2 / (9 * max(freedom, 1))
    return (1 - part + quantile * math.sqrt(part)) ** 3
