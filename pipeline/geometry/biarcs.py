"""A smooth curve replaced by circular arcs in smooth joins, within a tolerance.

Between two places of the curve with their directions runs a pair of arcs that share a tangent where they meet (a biarc, the one
with equal tangent lengths).  Spans are halved until every span keeps within the tolerance.

References
----------
K. M. Bolton, "Biarc curves", Computer-Aided Design 7 (1975), 89-92 (from memory).
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable
from typing import Final

import numpy as np
from numpy.typing import NDArray

from pipeline.geometry.chain import Chain, Point
from pipeline.geometry.projection import project

Array = NDArray[np.float64]
Curve = Callable[[Array], tuple[Array, Array]]

PROBES: Final = 9  # places of a span at which the arcs are held against the curve
MOST_HALVINGS: Final = 8


def arcs_through(curve: Curve, parameters: Array, tolerance: float, *, closed: bool = True) -> Chain:
    """Return the chain of arcs that keeps within `tolerance` [m] of a curve.

    Parameters
    ----------
    curve : callable
        From parameters (n,) to places (n, 2) [m] and derivatives (n, 2).
    parameters : (n,) array
        First division, rising; a closed curve closes from the last to the first plus one lap of 1.
    tolerance : float
        [m]
    closed : bool
        Whether the curve closes; an open one begins at the first parameter and ends at the last.
    """
    vertices: list[Point] = []
    bulges: list[float] = []
    marks = np.append(parameters, parameters[0] + 1.0) if closed else parameters
    for start, end in itertools.pairwise(marks):
        for one, other in _spans(curve, float(start), float(end), tolerance, MOST_HALVINGS):
            places, slopes = curve(np.array([one, other]))
            for vertex, bulge in _biarc(places[0], slopes[0], places[1], slopes[1]):
                vertices.append(vertex)
                bulges.append(bulge)
    if not closed:
        last = curve(marks[-1:])[0][0]
        vertices.append((float(last[0]), float(last[1])))
    return Chain(tuple(vertices), tuple(bulges), closed)


def _spans(curve: Curve, start: float, end: float, tolerance: float, halvings: int) -> list[tuple[float, float]]:
    if halvings == 0 or _fits(curve, start, end, tolerance):
        return [(start, end)]
    middle = (start + end) / 2
    return _spans(curve, start, middle, tolerance, halvings - 1) + _spans(curve, middle, end, tolerance, halvings - 1)


def _fits(curve: Curve, start: float, end: float, tolerance: float) -> bool:
    places, slopes = curve(np.array([start, end]))
    arcs = _biarc(places[0], slopes[0], places[1], slopes[1])
    chain = Chain((*(vertex for vertex, _ in arcs), (float(places[1, 0]), float(places[1, 1]))), tuple(bulge for _, bulge in arcs), False)
    probes = curve(np.linspace(start, end, PROBES + 2)[1:-1])[0]
    return float(np.abs(project(chain, probes)[1]).max()) <= tolerance


def _biarc(start: Array, out: Array, end: Array, into: Array) -> list[tuple[Point, float]]:
    """Return the two arcs' starting points and bulges."""
    t0, t1 = out / np.hypot(*out), into / np.hypot(*into)
    chord, both = end - start, t0 + t1
    bend = 2 * (1 - float(t0 @ t1))
    across = float(chord @ both)
    if bend < 1e-12:
        reach = float(chord @ chord) / (4 * float(chord @ t1))
    else:
        reach = (-across + math.sqrt(across * across + bend * float(chord @ chord))) / bend
    middle = (start + end + reach * (t0 - t1)) / 2
    first = _bulge(t0, middle - start)
    last = -_bulge(t1, end - middle)
    return [((float(start[0]), float(start[1])), first), ((float(middle[0]), float(middle[1])), last)]


def _bulge(tangent: Array, chord: Array) -> float:
    """Return the bulge of the arc that starts along a tangent and ends at the end of a chord."""
    half = math.atan2(tangent[0] * chord[1] - tangent[1] * chord[0], float(tangent @ chord))
    return math.tan(half / 2)
