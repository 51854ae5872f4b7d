"""What pools mostly are, offered as conditions and taken only where the shots do not speak against them.

Offered are sides parallel or square to the longest one, equal radii, and equal sweeps of arcs with equal radii (symmetric ends).
Nobody builds exactly so: a condition is taken as an observation of its own, as good as builders work, not as the
truth.  It helps where shots are few and yields where they are many, and the stated uncertainty stays honest on a pool that is not quite
square.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterator, Sequence
from typing import Final

import msgspec
import numpy as np

from pipeline.edge.fit import Shape, description_length, refitted, scale_of
from pipeline.geometry.chain_adjustment import Tie, misses

SPEAKS_AGAINST: Final = 6.63  # chi-square, 1 degree of freedom, 1 %
NEAR: Final[dict[str, float]] = {  # farther from the condition than this, a pool was built otherwise
    "parallel": math.radians(1.5),  # [rad]
    "square": math.radians(1.5),  # [rad]
    "equal-radius": 0.05,  # [-]
    "equal-sweep": 0.05,  # [-] of the bulge
}
AS_BUILT: Final[dict[str, float]] = {  # standard deviation to which builders hold it (common practice)
    "parallel": math.radians(0.1),  # [rad] 17 mm in 10 m
    "square": math.radians(0.1),  # [rad]
    "equal-radius": 0.005,  # [-]
    "equal-sweep": 0.005,  # [-] of the bulge
}


def regular(shapes: Sequence[Shape], *, noise: float) -> tuple[Shape, tuple[str, ...]]:
    """Return that one of several shapes, each under the conditions it bears, whose description is the shortest.

    A condition saves numbers: those the shots no longer have to tell (by how much less they hold the chain).  So a corner
    like the three others is preferred to one of its own kind where the shots on it tell little.

    Parameters
    ----------
    shapes : sequence of Shape
        The first of them the shortest without conditions.
    noise : float
        Variance factor the descriptions are judged by.
    """
    best, least = with_hypotheses(shapes[0]), math.inf
    if len(shapes) > 1:
        bound = [(with_hypotheses(shape), shape) for shape in shapes]
        for one, plain in bound:
            saved = (_numbers_told(plain) - _numbers_told(one[0])) * math.log(max(len(plain.shots), 3))
            length = description_length(one[0], noise=noise) - saved
            if length < least - 1e-9:
                best, least = one, length
    return best


def _numbers_told(shape: Shape) -> float:
    """Return how many numbers the shots tell: the trace of their share in the adjustment; a corner's shot tells up to two."""
    told = 1 - shape.fit.redundancies
    return float(told.sum() + told[shape.sightings.corners >= 0].sum())


def with_hypotheses(shape: Shape) -> tuple[Shape, tuple[str, ...]]:
    """Return the shape under every condition the shots bear, and what was tested."""
    notes: list[str] = []
    for tie in _offered(shape):
        missed, sigmas = misses(shape.fit, [tie])
        miss, variance = float(missed[0]), float(sigmas[0]) ** 2 * scale_of(shape)
        if abs(miss) > NEAR[tie.kind]:
            continue
        statistic = miss * miss / (variance + AS_BUILT[tie.kind] ** 2)
        if statistic > SPEAKS_AGAINST:
            notes.append(f"{_named(tie)} not taken: test {statistic:.1f} > {SPEAKS_AGAINST}")
            continue
        bound = refitted(shape, ties=[*shape.fit.ties, msgspec.structs.replace(tie, sigma=AS_BUILT[tie.kind])])
        if bound.fit.converged:
            shape = bound
            notes.append(f"{_named(tie)} taken: test {statistic:.1f} < {SPEAKS_AGAINST}")
    return shape, tuple(notes)


def _offered(shape: Shape) -> Iterator[Tie]:
    pieces = list(shape.chain.pieces())
    lines = [index for index, curved in enumerate(shape.curved) if not curved]
    arcs = [index for index, curved in enumerate(shape.curved) if curved]
    if lines:
        longest = max(lines, key=lambda index: (round(pieces[index].length, 6), -index))
        bearing = pieces[longest].direction_at(0.0)
        for index in lines:
            if index != longest:
                turn = pieces[index].direction_at(0.0) - bearing
                yield Tie("parallel" if abs(math.cos(turn)) > abs(math.sin(turn)) else "square", longest, index)
    order = sorted(arcs, key=lambda index: (round(pieces[index].radius, 6), index))
    for first, second in itertools.pairwise(order):
        yield Tie("equal-radius", first, second)
        if np.sign(pieces[first].bulge) == np.sign(pieces[second].bulge):
            yield Tie("equal-sweep", first, second)


def _named(tie: Tie) -> str:
    words = {
        "parallel": "sides {} and {} parallel",
        "square": "sides {} and {} at a right angle",
        "equal-radius": "arcs {} and {} of equal radius",
        "equal-sweep": "arcs {} and {} of equal sweep",
    }
    return words[tie.kind].format(tie.first + 1, tie.second + 1)
