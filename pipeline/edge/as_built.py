"""One line as built: its shots tidied, its pieces found, blunders set aside, hypotheses tried, the result told."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Final

import msgspec
import numpy as np
from numpy.typing import NDArray

from pipeline.edge.blunders import (
    BLUNDER_PRICE,
    FAR_APART,
    Told,
    jogs_on_few,
    most_set_aside,
    off_the_line,
    residual_limit,
    rows_about,
    snooped,
    spanned,
    touch,
    unchecked_beside,
    unproven,
)
from pipeline.edge.dense import DENSE, searched_dense, thinned
from pipeline.edge.fit import PIECE_PRICE, Shape, cornered, description_length, settled
from pipeline.edge.free_form import description_of_free, free_shape, on_all
from pipeline.edge.hypotheses import regular
from pipeline.edge.off_curve import least_without, off_the_curve
from pipeline.edge.order import Tidied, crossing, tidied
from pipeline.edge.round_corners import rounded
from pipeline.edge.search import Searched, costs_of, searched
from pipeline.edge.shots import Shots
from pipeline.edge.unshown import unshown
from pipeline.geometry.chain import Chain
from pipeline.geometry.projection import project
from pipeline.geometry.segmenting import Prices, cut, cut_length

Array = NDArray[np.float64]

GLOBAL_SHARE: Final = 2.326  # normal quantile of 1 %: beyond it the a-priori sigmas are too small for this line
FREE_SHARE: Final = 3.09  # normal quantile of 0.1 %: beyond it lines and arcs do not explain the shots,
FREE_GAIN: Final = 1.5  # [-] and a free curve has to lower the variance factor by so much
MANY_ARCS: Final = 4  # arcs from which a closed line may be a free curve
PLAINLY: Final = 30.0  # [half nats] by which a free curve must be shorter than the best lines and arcs could be
FREE_HOPE: Final = 60.0  # [half nats] that a free curve may yet be shortened by
CROWDED: Final = 4.0  # shots a piece; with fewer, lines and arcs explain anything
LEAST_EXTENT: Final = 10.0  # [-] standard deviations of a shot that a line must be long
OUT_OF_ORDER: Final = 4.25  # [-] standard deviations a shot must lie behind the one before it, three of their difference,
SPACED: Final = 6.0  # [-] in a line whose shots stand farther apart than so many
BOUGHT_BACK: Final = 4.0  # standardised distance within which a shot set aside is taken back
SAME_LINE: Final = 3.5  # [-] standard deviations within which a shot lies on a coping line,
LEAST_COPING: Final = 0.10  # [m] as far outside the water's edge as that line must lie there (common practice),
ON_COPING: Final = 1 / 3  # [-] and the share of shots beyond which that line is the water's edge once more


class SetAside(msgspec.Struct, frozen=True, kw_only=True):
    """A shot that does not belong to the line: its name, how far off it lies [m], left positive, and the coping line it lies on, if any."""

    name: str
    offset: float
    coping: str = ""


class Coping(msgspec.Struct, frozen=True, kw_only=True):
    """A coping's outer edge as fitted: its name, chain, and standard deviation square to itself [m]."""

    name: str
    chain: Chain
    sigma: float


class AsBuilt(msgspec.Struct, frozen=True, kw_only=True):
    """A line as built, with all that was done to its shots.

    Parameters
    ----------
    shape : Shape
        The adjusted chain on the shots it rests on.
    scale : float
        Variance factor by which the stated uncertainty is widened [-]; 1 unless the global test asks for more.
    tidied : Tidied
        Doubles and repairs of the order.
    set_aside : tuple of SetAside
    late : tuple of str
        Shots whose place in the order only the fitted line told.
    notes : tuple of str
        Tests made, with their figures.
    doubtful : tuple of str
        Shots some of which are wrong, and it cannot be told which.
    slender : tuple of str
        Shots that alone show a feature of the line: if it is not there, they are wrong.
    unshown : tuple of str
        Shots of stretches whose pieces the shots do not show.
    others : tuple of (Chain, float)
        Other rows of pieces that explain the shots nearly as well, each with its likelihood [-].
    """

    shape: Shape
    scale: float
    tidied: Tidied
    set_aside: tuple[SetAside, ...] = ()
    late: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()
    doubtful: tuple[str, ...] = ()
    slender: tuple[str, ...] = ()
    unshown: tuple[str, ...] = ()
    others: tuple[tuple[Chain, float], ...] = ()


def as_built_inside(shots: Shots, copings: Sequence[Coping], *, arcs: bool) -> AsBuilt:
    """Fit a closed line of shots inside coping lines: shots that lie on such a line, a coping's width outside, are set aside.

    Parameters
    ----------
    shots : Shots
        As of `as_built`, whose exceptions it raises.
    copings : sequence of Coping
        Coping lines of the same survey.
    arcs : bool
        Whether the line may have arcs.
    """
    suspects = _on_copings(shots, copings)
    if not suspects or len(suspects) > ON_COPING * len(shots):
        return as_built(shots, closed=True, arcs=arcs)
    built = as_built(shots.without(suspects), closed=True, arcs=arcs)
    rows = list(suspects)
    offsets = project(built.shape.chain, shots.points[rows])[1]
    off = {row: float(offset) for row, offset in zip(rows, offsets, strict=True) if offset < -LEAST_COPING}
    if len(off) < len(rows):
        built = as_built(shots.without(off), closed=True, arcs=arcs)
    aside = tuple(SetAside(name=shots.names[row], offset=offset, coping=suspects[row]) for row, offset in off.items())
    unheld = unproven(built.shape, shots.points[list(off)]) if off else ()
    gaps = tuple(one.name for one in aside) if unheld else ()
    return msgspec.structs.replace(built, set_aside=(*built.set_aside, *aside), doubtful=(*built.doubtful, *gaps, *unheld))


def _on_copings(shots: Shots, copings: Sequence[Coping]) -> dict[int, str]:
    """Return the shots that lie on a coping line, each with the line's name."""
    found: dict[int, str] = {}
    for coping in copings:
        offsets = project(coping.chain, shots.points)[1]
        near = np.abs(offsets) < SAME_LINE * np.hypot(shots.sigmas, coping.sigma)
        found |= {int(row): coping.name for row in np.flatnonzero(near)}
    return found


def as_built(shots: Shots, *, closed: bool, arcs: bool, blunders: bool = True) -> AsBuilt:
    """Fit one line of shots.

    Parameters
    ----------
    shots : Shots
        In the order shot; of a closed line in either sense.
    closed : bool
        Whether the line closes; it then comes out counter-clockwise.
    arcs : bool
        Whether it may have arcs.
    blunders : bool
        Whether shots that no piece explains may be set aside.  Where a line is shot at its corners, or a part of it left
        out would be unsafe (a deck's edge), they may not; only snooping then tells single bad shots.

    Raises
    ------
    ValueError
        When the shots make no line.
    """
    if float(np.ptp(shots.points, axis=0).max()) < LEAST_EXTENT * float(shots.sigmas.max()):
        raise ValueError("all shots lie in one place")
    tidy = tidied(shots, closed=closed)
    row = _counter_clockwise(tidy.shots) if closed else tidy.shots
    may_be_free = closed and arcs and len(row) <= DENSE
    free = _plainly_free(row) if may_be_free else _dense_free(row) if closed and arcs else None
    told = off_the_line(row, closed=closed, arcs=arcs) if blunders and free is None and len(row) <= DENSE else Told()
    late: tuple[str, ...] = ()
    noise = 1.0
    others: tuple[tuple[Shape, float], ...] = ()
    if free is None:
        found, aside = _without_blunders(row, told, closed=closed, arcs=arcs)
        found, told, late = _put_in_order(found, row, told, closed=closed, arcs=arcs)
        free = _rather_free(row, found, aside) if may_be_free else None
        noise = found.noise
    if free is None:
        shape, notes, others = regular(rounded((found.shape, *found.rivals), noise=noise), noise=noise)
        shape = settled(cornered(shape))
        if blunders and not told.doubtful:
            singles = [index for index in aside if index not in told.aside]
            bare = [row.names.index(name) for name in (*unchecked_beside(shape, row, singles), *jogs_on_few(shape))]
            told = msgspec.structs.replace(told, doubtful=tuple(dict.fromkeys((*bare, *_near_each_other(singles, len(row))))))
    else:
        shape, aside, told = free.shape, list(free.aside), free.told
        notes = (f"a free curve, handed on as {len(shape.chain)} arcs: variance factor {shape.fit.variance_factor:.2f}",)
    offsets = project(shape.chain, row.points[aside])[1]
    return AsBuilt(
        shape=shape,
        scale=_scale(shape, noise),
        tidied=tidy,
        set_aside=tuple(SetAside(name=row.names[index], offset=float(offset)) for index, offset in zip(aside, offsets, strict=True)),
        late=late,
        notes=notes,
        doubtful=tuple(row.names[index] for index in told.doubtful),
        slender=tuple(row.names[index] for index in told.slender if index not in aside),
        unshown=unshown(shape) if blunders else (),
        others=tuple((other.chain, likely) for other, likely in others),
    )


def _near_each_other(singles: list[int], count: int) -> list[int]:
    """Return shots that residuals told one by one near each other, with all between them: a feature of the edge, or blunders in a row, not chance twice."""
    near = [one for one in singles if touch([one], set(singles) - {one}, count, FAR_APART)]
    return spanned(near, count) if near else []


def _put_in_order(found: Searched, row: Shots, told: Told, *, closed: bool, arcs: bool) -> tuple[Searched, Told, tuple[str, ...]]:
    """Return what is found with the shots in their order along it, what is told of them, and the names of those that ran backwards."""
    late = _behind(found.shape)
    if not late or len(row) > DENSE:
        return found, told, late
    along = _along(found.shape)
    if crossing(along.points, closed=closed) is None:
        return searched(along, closed=closed, arcs=arcs), told, late
    if told.doubtful:
        return found, told, late
    return found, msgspec.structs.replace(told, doubtful=rows_about(found.shape, row, late)), ()  # no order mends it: it is the piece that lies wrong


class Free(msgspec.Struct, frozen=True, kw_only=True):
    """A line as a free curve: the shots set aside from it by index, and what cannot be told of others."""

    shape: Shape
    aside: tuple[int, ...]
    told: Told


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


def _plainly_free(row: Shots) -> Free | None:
    """Return the line as a free curve where lines and arcs could not come near it, before they are even adjusted."""
    at_best = _least_of_pieces(row)
    free = None if at_best is None else _free(row, at_best - PLAINLY)
    if free is None or at_best is None or not _holds(free.shape):
        return None
    length = description_of_free(free.shape, 1.0)
    left_out = {*free.aside, *free.told.doubtful}
    if not left_out:
        return None if length + PLAINLY > at_best else free
    return free if _shorter_than_pieces(row, left_out, length, at_best) else None


def _shorter_than_pieces(row: Shots, left_out: set[int], length: float, at_best: float) -> bool:
    """Say whether a free curve without some shots is shorter than lines and arcs without them, and than those with them in.

    At their very best first; where that does not tell, adjusted: then they must explain little, too.
    """
    named = len(left_out) * (BLUNDER_PRICE + math.log(len(row)))
    if at_best < length + named + PLAINLY and searched(row, closed=True, arcs=True).length < length + named + PLAINLY:
        return False
    rest = row.without(left_out)
    bound = _least_of_pieces(rest)
    if bound is not None and length + PLAINLY < bound:
        return True
    found = searched(rest, closed=True, arcs=True)
    return length + PLAINLY < found.length and _explains_little(found, len(rest), GLOBAL_SHARE)


def _explains_little(found: Searched, count: int, share: float) -> bool:
    """Say whether lines and arcs fail the global test at a normal quantile, or are so many that they explain anything."""
    fit = found.shape.fit
    return fit.variance_factor > _limit(fit.degrees_of_freedom, share) or count < CROWDED * len(found.shape.chain)


def _dense_free(row: Shots) -> Free | None:
    """Return a line of very many shots as a free curve, where it is plainly one on the means of short runs of them."""
    free = _plainly_free(thinned(row))
    if free is None:
        return None
    dense = on_all(free.shape, row, residual_limit(len(row)) * math.sqrt(max(1.0, _middling(free.shape))))
    return Free(shape=dense[0], aside=tuple(dense[1]), told=Told())


def _least_of_pieces(row: Shots) -> float | None:
    """Return what lines and arcs come to at the very best: every join smooth, nothing lost by joining; None where they are few."""
    costs, prices = costs_of(row, closed=True, arcs=True), Prices.for_points(len(row))
    pieces = cut(costs, prices)
    if sum(piece.is_arc for piece in pieces) < MANY_ARCS and len(row) >= CROWDED * len(pieces):
        return None
    misfit = cut_length(costs, pieces, Prices(line=0.0, arc=0.0))
    return misfit + len(pieces) * (2 * math.log(len(row)) + PIECE_PRICE)


def _rather_free(row: Shots, found: Searched, aside: list[int]) -> Free | None:
    """Return the line as a free curve where its lines and arcs fail the global test, or are too many, and it explains more."""
    factor = found.shape.fit.variance_factor
    fails = factor > _limit(found.shape.fit.degrees_of_freedom, FREE_SHARE)
    if not _explains_little(found, len(row), FREE_SHARE):
        return None
    free = _free(row, description_length(found.shape, noise=1.0))
    if free is None:
        return None
    noise = max(1.0, free.shape.fit.variance_factor)
    blunders = (len(aside) - len(free.aside) - len(free.told.doubtful)) * (BLUNDER_PRICE + math.log(len(row)))
    better = description_of_free(free.shape, noise) < description_length(found.shape, noise=noise) + blunders
    sound = free.shape.fit.variance_factor < factor / FREE_GAIN if fails else _holds(free.shape)
    return free if better and sound else None


def _holds(shape: Shape) -> bool:
    return shape.fit.variance_factor < _limit(shape.fit.degrees_of_freedom, FREE_SHARE)


def _counter_clockwise(shots: Shots) -> Shots:
    """Return the shots of a closed line counter-clockwise, from the one farthest from their middle: wherever the crew began."""
    away = shots.points - shots.points.mean(axis=0)
    x, y = away.T
    doubled = float(x @ np.roll(y, -1) - y @ np.roll(x, -1))
    first, step = int(np.argmax((away**2).sum(axis=1))), 1 if doubled >= 0 else -1
    return shots.taken((first + step * index) % len(shots) for index in range(len(shots)))


def _without_blunders(row: Shots, told: Told, *, closed: bool, arcs: bool) -> tuple[Searched, list[int]]:
    """Return what is found without the blunders already told and those its residuals show, and the indices of all of them."""
    if len(row) > DENSE:
        dense, off = searched_dense(row, closed=closed, arcs=arcs)
        return dense, list(off)
    aside = list(told.aside)
    found = told.found or searched(_rest(row, aside), closed=closed, arcs=arcs)
    singles: list[int] = []
    while len(aside) + len(singles) <= most_set_aside(len(row)):
        worst = snooped(found.shape, found.noise)
        if worst is None or len(found.shape.shots) <= 4:
            break
        index = row.names.index(found.shape.shots.names[worst])
        if {(index - 1) % len(row), (index + 1) % len(row)} & set(singles):
            singles = []  # shot after shot set aside is a feature of the edge, not blunders
            found = searched(_rest(row, aside), closed=closed, arcs=arcs)
            break
        singles.append(index)
        found = searched(_rest(row, aside + singles), closed=closed, arcs=arcs)
    aside += singles
    back = [index for index in aside if _agrees(found, row, index)]
    if back:
        aside = [index for index in aside if index not in back]
        found = searched(_rest(row, aside), closed=closed, arcs=arcs)
    return found, sorted(aside)


def _rest(row: Shots, aside: list[int]) -> Shots:
    return row.without(aside)


def _agrees(found: Searched, row: Shots, index: int) -> bool:
    """Say whether a shot set aside lies on the line that was found without it after all."""
    offset = abs(float(project(found.shape.chain, row.points[index : index + 1])[1][0]))
    return offset < BOUGHT_BACK * float(row.sigmas[index]) * math.sqrt(max(1.0, found.noise)) / 2


def _behind(shape: Shape) -> tuple[str, ...]:
    """Return the shots that lie behind the one before them along the fitted line."""
    stations = project(shape.chain, shape.shots.points)[0]
    steps = np.diff(stations, append=stations[:1]) if shape.chain.closed else np.diff(stations)
    length = shape.chain.length
    if shape.chain.closed:
        steps = (steps + length / 2) % length - length / 2
    sigma = float(np.median(shape.shots.sigmas))
    if float(np.median(steps)) < SPACED * sigma:
        return ()
    back = np.flatnonzero(steps < -OUT_OF_ORDER * sigma)
    return tuple(shape.shots.names[int(index)] for index in back)


def _along(shape: Shape) -> Shots:
    """Return the shots in the order of the fitted line."""
    return shape.shots.taken(np.argsort(project(shape.chain, shape.shots.points)[0], kind="stable").tolist())


def _scale(shape: Shape, noise: float) -> float:
    """Return the a-posteriori variance factor where the global test at 1 % rejects the a-priori one, else 1."""
    if shape.fit.degrees_of_freedom <= 0:
        return max(1.0, noise)
    return shape.fit.variance_factor if shape.fit.variance_factor > _limit(shape.fit.degrees_of_freedom, GLOBAL_SHARE) else 1.0


def _limit(freedom: int, quantile: float) -> float:
    """Return the variance factor at a normal quantile, by Wilson and Hilferty's cube root of chi-square."""
    part = 2 / (9 * max(freedom, 1))
    return (1 - part + quantile * math.sqrt(part)) ** 3
