"""One line as built: its shots tidied, its pieces found, blunders set aside, hypotheses tried, the result told."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import msgspec
import numpy as np
from numpy.typing import NDArray

from pipeline.edge.few_shots import jogs_on_few, unchecked_beside, unproven
from pipeline.edge.fit import Shape, cornered, settled
from pipeline.edge.free_line import GLOBAL_SHARE, factor_limit
from pipeline.edge.hypotheses import regular
from pipeline.edge.order import Tidied, tidied
from pipeline.edge.reading import read
from pipeline.edge.round_corners import rounded
from pipeline.edge.shots import Shots
from pipeline.edge.unshown import unshown
from pipeline.edge.weighing import FAR_APART, spanned, touch
from pipeline.geometry.chain import Chain
from pipeline.geometry.projection import project

Array = NDArray[np.float64]

LEAST_EXTENT: Final = 10.0  # [-] standard deviations of a shot that a line must be long
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
    reading = read(row, closed=closed, arcs=arcs, blunders=blunders)
    free, aside, told = reading.free, list(reading.aside), reading.told
    noise = 1.0
    others: tuple[tuple[Chain, float], ...] = ()
    unclear: tuple[int, ...] = ()
    if free is None:
        found, noise = reading.lines_and_arcs, reading.lines_and_arcs.noise
        shape, notes, rivals = regular(rounded((found.shape, *found.rivals), noise=noise), noise=noise)
        others = tuple((other.chain, likely) for other, likely in rivals)
        shape = settled(cornered(shape))
        if blunders and not told.doubtful:
            singles = [index for index in aside if index not in told.aside]
            bare = [row.names.index(name) for name in (*unchecked_beside(shape, row, singles), *jogs_on_few(shape))]
            told = msgspec.structs.replace(told, doubtful=tuple(dict.fromkeys((*bare, *_near_each_other(singles, len(row))))))
    else:
        shape, aside, told, others, unclear = free.shape, list(free.aside), free.told, free.others, free.unclear
        what = free.what or f"a free curve, handed on as {len(shape.chain)} arcs"
        notes = (f"{what}: variance factor {shape.fit.variance_factor:.2f}",)
    offsets = project(shape.chain, row.points[aside])[1]
    return AsBuilt(
        shape=shape,
        scale=_scale(shape, noise),
        tidied=tidy,
        set_aside=tuple(SetAside(name=row.names[index], offset=float(offset)) for index, offset in zip(aside, offsets, strict=True)),
        late=reading.late,
        notes=notes,
        doubtful=tuple(row.names[index] for index in told.doubtful),
        slender=tuple(row.names[index] for index in told.slender if index not in aside),
        unshown=tuple(dict.fromkeys((*unshown(shape), *(row.names[index] for index in unclear)))) if blunders else (),
        others=others,
    )


def _near_each_other(singles: list[int], count: int) -> list[int]:
    """Return shots that residuals told one by one near each other, with all between them: a feature of the edge, or blunders in a row, not chance twice."""
    near = [one for one in singles if touch([one], set(singles) - {one}, count, FAR_APART)]
    return spanned(near, count) if near else []


def _counter_clockwise(shots: Shots) -> Shots:
    """Return the shots of a closed line counter-clockwise, from the one farthest from their middle: wherever the crew began."""
    away = shots.points - shots.points.mean(axis=0)
    x, y = away.T
    doubled = float(x @ np.roll(y, -1) - y @ np.roll(x, -1))
    first, step = int(np.argmax((away**2).sum(axis=1))), 1 if doubled >= 0 else -1
    return shots.taken((first + step * index) % len(shots) for index in range(len(shots)))


def _scale(shape: Shape, noise: float) -> float:
    """Return the a-posteriori variance factor where the global test at 1 % rejects the a-priori one, else 1."""
    if shape.fit.degrees_of_freedom <= 0:
        return max(1.0, noise)
    return shape.fit.variance_factor if shape.fit.variance_factor > factor_limit(shape.fit.degrees_of_freedom, GLOBAL_SHARE) else 1.0
