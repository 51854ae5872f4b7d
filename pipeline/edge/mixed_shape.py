"""A line with free stretches handed on as lines and arcs, and the shots that lie off it."""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import Final

import numpy as np
from numpy.typing import NDArray

from pipeline.edge import stretch_solver
from pipeline.edge.dense import SHORT_RUNS
from pipeline.edge.fit import Shape
from pipeline.edge.free_form import AS_ARCS, PROVING_ROUNDS, FreeFit
from pipeline.edge.free_stretch import without_needless
from pipeline.edge.mixed_line import MixedFit, adjusted, nearest_parts, settled
from pipeline.edge.shots import Shots
from pipeline.geometry.biarcs import arcs_through
from pipeline.geometry.chain import Chain
from pipeline.geometry.chain_adjustment import Sightings
from pipeline.geometry.projection import project
from pipeline.geometry.propagation import propagated

Array = NDArray[np.float64]

SIGMA_STEP: Final = 0.2  # [m] between the places at which the standard deviation is stated, about
LEAST_PLACES: Final = 9  # on a part
INSIDE: Final = 1e-6  # [-] of a part, from its ends: the standard deviation of the part before a corner is another one


def mixed_shape(fit: MixedFit) -> Shape:
    """Return a line as a chain of lines and arcs, its free stretches as arcs within `AS_ARCS`, with its uncertainty stated along it."""
    chain, stated = mixed_chain(fit), list(_stated(fit))
    told = float(propagated(fit.seen.rows, fit.covariance).sum())
    free = FreeFit(
        chain=chain,
        curved=tuple(abs(bulge) > 0 for bulge in chain.bulges),
        ties=(),
        covariance=np.zeros((0, 0)),
        offsets=fit.seen.offsets,
        sigmas=fit.seen.sigmas,
        redundancies=fit.redundancies,
        chi_square=fit.chi_square,
        degrees_of_freedom=max(round(len(fit.shots) - told), 0),
        iterations=0,
        converged=True,
        free_stations=np.array([station for station, _ in stated]),
        free_sigmas=np.array([sigma for _, sigma in stated]),
        numbers=float(fit.line.numbers),
        curve=fit,
    )
    at = project(chain, fit.shots.points)[0]
    pieces = np.array([piece for piece, _ in chain.locate_all(at.tolist())], dtype=np.intp)
    sightings = Sightings(
        points=fit.shots.points, covariances=fit.shots.covariances, pieces=pieces, corners=np.full(len(fit.shots), -1, dtype=np.intp)
    )
    return Shape(fit=free, sightings=sightings, shots=fit.shots)


def _stated(fit: MixedFit) -> Iterator[tuple[float, float]]:
    """Yield stations [m] along a line, rising, and its standard deviation square to itself there [m]."""
    begin = 0.0
    for part in range(len(fit.line)):
        own = _part_chain(fit, part)
        yield from ((begin + station, sigma) for station, sigma in _sigmas(fit, part, own))
        begin += own.length


def mixed_chain(fit: MixedFit) -> Chain:
    """Return a line as a chain of lines and arcs."""
    parts = [_part_chain(fit, part) for part in range(len(fit.line))]
    return Chain(tuple(vertex for own in parts for vertex in own.vertices[:-1]), tuple(bulge for own in parts for bulge in own.bulges), True)


def mixed_on_all(fit: MixedFit, shots: Shots, limit: float) -> tuple[MixedFit, list[int]]:
    """Fit a line with free stretches found on few shots to all of them; returns it with the indices of those set aside.

    Parameters
    ----------
    fit : MixedFit
        As found.
    shots : Shots
        In order.
    limit : float
        Standardised residual beyond which a shot is set aside [-].
    """
    aside, few = np.zeros(len(shots), dtype=bool), SHORT_RUNS * len(shots) / len(fit.shots)
    for _ in range(PROVING_ROUNDS):
        kept = shots.taken(np.flatnonzero(~aside).tolist())
        fit = without_needless(settled(adjusted(fit.line, kept, nearest_parts(fit.line, kept.points))), few)
        off = np.abs(project(mixed_chain(fit), shots.points)[1]) > limit * shots.sigmas
        if np.array_equal(off, aside):
            break
        aside = off
    return fit, np.flatnonzero(aside).tolist()


def said(fit: MixedFit) -> str:
    """Return what is noted of a line with free stretches."""
    line = fit.line
    free = [len(line.nodes(part)) - 1 for part, inner in enumerate(line.inner) if inner is not None]
    arcs = sum(len(_part_chain(fit, part)) for part, inner in enumerate(line.inner) if inner is not None)
    beside = f"{len(line) - len(free)} sides or arcs and " if len(line) > len(free) else ""
    stretches = "a free stretch" if len(free) == 1 else f"{len(free)} free stretches"
    return f"{beside}{stretches} of {' and '.join(map(str, free))} cubics between corners or joins, handed on as {arcs} arcs"


def _part_chain(fit: MixedFit, part: int) -> Chain:
    line = fit.line
    if line.inner[part] is None:
        (x0, y0, x1, y1), bulge = line.five(part)[:4], line.bulges[part]
        return Chain(((float(x0), float(y0)), (float(x1), float(y1))), (bulge,), False)
    nodes = line.nodes(part)
    return arcs_through(
        lambda places: stretch_solver.at(nodes, np.ascontiguousarray(places)), np.arange(len(nodes), dtype=float), AS_ARCS, closed=False
    )


def _sigmas(fit: MixedFit, part: int, own: Chain) -> Iterator[tuple[float, float]]:
    """Yield stations [m] along a part, rising, and the standard deviation of the line square to itself there [m]."""
    count = max(LEAST_PLACES, math.ceil(own.length / SIGMA_STEP))
    shares = np.clip(np.arange(count + 1) / count, INSIDE, 1 - INSIDE)
    if fit.line.inner[part] is None:
        stations = shares * own.length
        places = np.array([own.point_at(float(station)) for station in stations])
    else:
        places = shares * (len(fit.line.nodes(part)) - 1)
        stations = np.maximum.accumulate(project(own, stretch_solver.at(fit.line.nodes(part), places)[0])[0])
    yield from zip(stations.tolist(), fit.sigmas(part, places).tolist(), strict=True)
