"""What pools mostly are, offered as conditions and taken only where the shots do not speak against them.

Offered are sides parallel or square to the longest one, equal radii, and equal sweeps of arcs with equal radii
(symmetric ends).  Each is first held against its own standard deviation, then kept if chi-square of the whole chain does not
rise beyond its limit.  A condition the shots cannot test, because they tell the angle or the radius too poorly, is not offered.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterator
from typing import Final

import numpy as np

from pipeline.edge.fit import Shape, refitted, scale_of
from pipeline.geometry.chain_adjustment import Tie, misses

SPEAKS_AGAINST: Final = 6.63  # chi-square, 1 degree of freedom, 1 %
ANGLE_NEAR: Final = math.radians(1.5)  # [rad] sides farther from parallel or square were built so
RADIUS_NEAR: Final = 0.05  # [-] radii farther apart were built so
TESTABLE: Final = 0.5  # [-] a condition is offered where its standard deviation is below this share of what is near
LIMITS: Final = {"parallel": ANGLE_NEAR, "square": ANGLE_NEAR, "equal-radius": RADIUS_NEAR, "equal-sweep": 0.05}


def with_hypotheses(shape: Shape) -> tuple[Shape, tuple[str, ...]]:
    """Return the shape under every condition the shots bear, and what was tested."""
    notes: list[str] = []
    for tie in _offered(shape):
        missed, sigmas = misses(shape.fit, [tie])
        miss, sigma = float(missed[0]), max(float(sigmas[0]), 1e-12)
        implied = abs(miss) < 1e-9 and sigma < 1e-7
        if implied or abs(miss) > LIMITS[tie.kind] or sigma > TESTABLE * LIMITS[tie.kind]:
            continue
        statistic = (miss / sigma) ** 2 / scale_of(shape)
        if statistic > SPEAKS_AGAINST:
            notes.append(f"{_named(tie)} not taken: test {statistic:.1f} > {SPEAKS_AGAINST}")
            continue
        bound = refitted(shape, ties=[*shape.fit.ties, tie])
        rise = (bound.fit.chi_square - shape.fit.chi_square) / scale_of(shape)
        if bound.fit.converged and rise < SPEAKS_AGAINST:
            shape = bound
            notes.append(f"{_named(tie)} taken: test {max(rise, 0.0):.1f} < {SPEAKS_AGAINST}")
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
