"""What pools mostly are, offered as conditions and taken only where the shots do not speak against them.

Offered are sides parallel or square to the longest one, equal radii, and equal sweeps of arcs whose radii were taken as equal (symmetric ends).
Nobody builds exactly so: a condition is an observation of its own, as good as builders work, not the truth.  And a side that lies near
to a right angle may have been built otherwise: with the likelihood w that it was meant so, after the shots were seen, the chain is
the mean of the one with the condition and the one without, and its covariance that of the mixture,

    C = w C1 + (1 - w) C0 + w (1 - w) (x1 - x0) (x1 - x0)'

For one condition missed by m, its variance s² from the shots and t² as builders hold it, that is an observation of variance
(s² + t²) / w - s², with (1 - w) / w m² of doubt beside.  So it helps where shots are few, yields where they are many, and the stated
uncertainty holds both on a square pool and on one that is not quite.

References
----------
J. A. Hoeting and others, "Bayesian model averaging: a tutorial", Statistical Science 14 (1999), 382-417 (from memory).
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
MEANT: Final = 0.9  # [-] of two pieces nearer to a condition than `NEAR`, those meant to be so (own judgement); the others lie anywhere within
RADII: Final = math.log(10.0 / 0.3)  # [-] logarithm of the range of radii of pools' arcs, 0.3 to 10 m (common practice)
LEAST_MEANT: Final = 0.05  # [-] of two arcs among many (own judgement)


def regular(shapes: Sequence[Shape], *, noise: float) -> tuple[Shape, tuple[str, ...], tuple[tuple[Shape, float], ...]]:
    """Return that one of several shapes, each under the conditions it bears, whose description is the shortest; what was tested; and the others.

    A condition saves numbers: those the shots no longer have to tell (by how much less they hold the chain).  So a corner
    like the three others is preferred to one of its own kind where the shots on it tell little.  Each of the others comes with its
    likelihood: descriptions that differ by d half nats stand at odds of exp(d / 2).

    Parameters
    ----------
    shapes : sequence of Shape
        The first of them the shortest without conditions.
    noise : float
        Variance factor the descriptions are judged by.
    """
    if len(shapes) == 1:
        return (*with_hypotheses(shapes[0]), ())
    bound = [(with_hypotheses(shape), shape) for shape in shapes]
    lengths = [
        description_length(one[0], noise=noise) - (_numbers_told(plain) - _numbers_told(one[0])) * math.log(max(len(plain.shots), 3))
        for one, plain in bound
    ]
    least = min(lengths)
    best = next(index for index, length in enumerate(lengths) if length < least + 1e-9)
    odds = [math.exp((least - length) / 2) for length in lengths]
    others = tuple((one[0], odd / sum(odds)) for index, ((one, _), odd) in enumerate(zip(bound, odds, strict=True)) if index != best)
    return (*bound[best][0], others)


def _numbers_told(shape: Shape) -> float:
    """Return how many numbers the shots tell: the trace of their share in the adjustment; a corner's shot tells up to two."""
    told = 1 - shape.fit.redundancies
    return float(told.sum() + told[shape.sightings.corners >= 0].sum())


def with_hypotheses(shape: Shape) -> tuple[Shape, tuple[str, ...]]:
    """Return the shape under every condition the shots bear, and what was tested."""
    notes: list[str] = []
    alike: dict[tuple[int, int], float] = {}
    for tie in _offered(shape):
        pair = (tie.first, tie.second)
        if tie.kind == "equal-sweep" and pair not in alike:
            continue
        missed, sigmas = misses(shape.fit, [tie])
        miss, variance = float(missed[0]), float(sigmas[0]) ** 2 * scale_of(shape)
        if abs(miss) > NEAR[tie.kind]:
            continue
        both = variance + AS_BUILT[tie.kind] ** 2
        statistic = miss * miss / both
        if statistic > SPEAKS_AGAINST:
            notes.append(f"{_named(tie)} not taken: test {statistic:.1f} > {SPEAKS_AGAINST}")
            continue
        likely = _likely(miss, both, NEAR[tie.kind], _meant(tie, shape) * alike.get(pair, 1.0))
        weighed = msgspec.structs.replace(tie, sigma=math.sqrt(both / likely - variance), doubt=math.sqrt((1 - likely) / likely) * abs(miss))
        bound = refitted(shape, ties=[*shape.fit.ties, weighed])
        if bound.fit.converged:
            shape, alike[pair] = bound, likely
            notes.append(f"{_named(tie)} taken: test {statistic:.1f} < {SPEAKS_AGAINST}")
    return shape, tuple(notes)


def _meant(tie: Tie, shape: Shape) -> float:
    """Return how likely a condition is before its own miss is weighed, of two pieces that come near it.

    Radii are compared with the next in size.  Among n arcs n (n - 1) / 2 pairs may come near each other by chance, and those that do show among
    the n - 1 neighbours.  Of the neighbours that come near, as many as that are chance; the others were meant (four rounded corners of one radius).
    """
    if tie.kind != "equal-radius":
        return MEANT
    arcs = sum(shape.curved)
    by_chance = arcs * (arcs - 1) / 2 * 2 * NEAR[tie.kind] / RADII
    neighbours = [one for one in _offered(shape) if one.kind == tie.kind]
    near = int((np.abs(misses(shape.fit, neighbours)[0]) <= NEAR[tie.kind]).sum())
    return min(MEANT, max(1 - by_chance / max(near, 1), LEAST_MEANT))


def _likely(miss: float, variance: float, near: float, meant: float) -> float:
    """Return how likely a condition is that is missed by so much, its miss of this variance if it holds (likely by `meant` before), anywhere within `near` if not."""
    holds = meant * math.exp(-miss * miss / (2 * variance)) / math.sqrt(2 * math.pi * variance)
    return holds / (holds + (1 - meant) / (2 * near))


def _offered(shape: Shape) -> Iterator[Tie]:
    pieces = list(shape.chain.pieces())
    lines = [index for index, curved in enumerate(shape.curved) if not curved]
    arcs = [index for index, curved in enumerate(shape.curved) if curved]
    by_length = sorted(lines, key=lambda index: (-round(pieces[index].length, 6), index))  # the same order wherever the crew began
    for index in by_length[1:]:
        turn = pieces[index].direction_at(0.0) - pieces[by_length[0]].direction_at(0.0)
        yield Tie("parallel" if abs(math.cos(turn)) > abs(math.sin(turn)) else "square", by_length[0], index)
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
