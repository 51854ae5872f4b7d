"""One line as built: its shots tidied, its pieces found, blunders set aside, hypotheses tried, the result told."""

from __future__ import annotations

import math
from typing import Final

import msgspec
import numpy as np
from numpy.typing import NDArray

from pipeline.edge.blunders import BLUNDER_PRICE, Told, most_set_aside, off_the_curve, off_the_line, residual_limit, snooped
from pipeline.edge.dense import DENSE, searched_dense, thinned
from pipeline.edge.fit import PIECE_PRICE, Shape, cornered, description_length, settled
from pipeline.edge.free_form import description_of_free, free_shape, on_all
from pipeline.edge.hypotheses import regular
from pipeline.edge.order import Tidied, tidied
from pipeline.edge.search import Searched, costs_of, searched
from pipeline.edge.shots import Shots
from pipeline.geometry.chain import Chain
from pipeline.geometry.projection import project
from pipeline.geometry.segmenting import Prices, cut, cut_length

Array = NDArray[np.float64]

GLOBAL_SHARE: Final = 2.326  # normal quantile of 1 %: beyond it the a-priori sigmas are too small for this line
FREE_SHARE: Final = 3.09  # normal quantile of 0.1 %: beyond it lines and arcs do not explain the shots,
FREE_GAIN: Final = 1.5  # [-] and a free curve has to lower the variance factor by so much
MANY_ARCS: Final = 4  # arcs from which a closed line may be a free curve
PLAINLY: Final = 30.0  # [half nats] by which a free curve must be shorter than the best lines and arcs could be
FREE_HOPE: Final = 60.0  # [half nats] that a blunder may lengthen the description of a free curve by
CROWDED: Final = 4.0  # shots a piece; with fewer, lines and arcs explain anything
LEAST_EXTENT: Final = 10.0  # [-] standard deviations of a shot that a line must be long
OUT_OF_ORDER: Final = 6.0  # [-] standard deviations a shot must lie behind the one before it
BOUGHT_BACK: Final = 4.0  # standardised distance within which a shot set aside is taken back


class SetAside(msgspec.Struct, frozen=True, kw_only=True):
    """A shot that does not belong to the line: its name, and how far off it lies [m], left positive."""

    name: str
    offset: float


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
    others: tuple[tuple[Chain, float], ...] = ()


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
        late = _behind(found.shape)
        if late and len(row) <= DENSE:
            found = searched(_along(found.shape), closed=closed, arcs=arcs)
        free = _rather_free(row, found, aside) if may_be_free else None
        noise = found.noise
    if free is None:
        shape, notes, others = regular((found.shape, *found.rivals), noise=found.noise)
        shape = settled(cornered(shape))
    else:
        shape, aside = free
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
        others=tuple((other.chain, likely) for other, likely in others),
    )


Free = tuple[Shape, list[int]]


def _free(row: Shots, below: float) -> Free | None:
    """Return the line as a free curve, and the shots set aside from it; None where it is none of a length below `below`."""
    shape = free_shape(row, below + FREE_HOPE)
    if shape is None or description_of_free(shape, 1.0) > below + FREE_HOPE:
        return None
    aside = set(off_the_curve(row, lambda some: free_shape(some, below + FREE_HOPE)).aside)
    kept = [index for index in range(len(row)) if index not in aside]
    shape = free_shape(row.without(aside), below) if aside else shape
    for _ in range(most_set_aside(len(row))):
        if shape is None:
            return None
        worst = snooped(shape, max(1.0, _middling(shape)))
        if worst is None:
            break
        kept = [index for index in kept if row.names[index] != shape.shots.names[worst]]
        shape = free_shape(row.taken(kept), below)
    return None if shape is None else (shape, sorted(set(range(len(row))) - set(kept)))


def _middling(shape: Shape) -> float:
    """Return the variance factor the middle half of the residuals shows, which one blunder does not move."""
    return float(1.4826 * np.median(np.abs(shape.fit.offsets / shape.fit.sigmas))) ** 2


def _plainly_free(row: Shots) -> Free | None:
    """Return the line as a free curve where lines and arcs could not come near it, before they are even adjusted."""
    at_best = _least_of_pieces(row)
    free = None if at_best is None else _free(row, at_best - PLAINLY)
    if free is None or at_best is None or not _holds(free[0]):
        return None
    length = description_of_free(free[0], 1.0) + PLAINLY
    if free[1]:  # without those shots lines and arcs may do as well
        named = len(free[1]) * (BLUNDER_PRICE + math.log(len(row)))
        rest = _least_of_pieces(row.without(free[1]))
        return None if rest is None or length > min(rest, at_best - named) else free
    return None if length > at_best else free


def _dense_free(row: Shots) -> Free | None:
    """Return a line of very many shots as a free curve, where it is plainly one on the means of short runs of them."""
    free = _plainly_free(thinned(row))
    return None if free is None else on_all(free[0], row, residual_limit(len(row)) * math.sqrt(max(1.0, _middling(free[0]))))


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
    if not fails and len(row) >= CROWDED * len(found.shape.chain):
        return None
    free = _free(row, description_length(found.shape, noise=1.0))
    if free is None:
        return None
    noise = max(1.0, free[0].fit.variance_factor)
    blunders = (len(aside) - len(free[1])) * (BLUNDER_PRICE + math.log(len(row)))
    better = description_of_free(free[0], noise) < description_length(found.shape, noise=noise) + blunders
    sound = free[0].fit.variance_factor < factor / FREE_GAIN if fails else _holds(free[0])
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
    back = np.flatnonzero(steps < -OUT_OF_ORDER * float(np.median(shape.shots.sigmas)))
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
