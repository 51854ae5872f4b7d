"""Every line of the site as fitted: what each code's lines may look like, and their record for the stages after."""

from __future__ import annotations

from typing import Final

import msgspec
import numpy as np

from pipeline.edge.fit import Shape, stations_of
from pipeline.edge.search import shape_of
from pipeline.edge.shots import Line, Shots, shots_of
from pipeline.errors import Reason
from pipeline.geometry.chain import Chain
from pipeline.model.site import FittedLine, LineCode, Residual

ARCS_ALLOWED: Final = frozenset({"WATER", "COPING", "DECK", "OBJECT"})


class FittedRow(msgspec.Struct, frozen=True, kw_only=True):
    """A fitted line with what has to be said about it."""

    line: FittedLine
    warnings: tuple[Reason, ...] = ()


def fitted(line: Line) -> FittedRow | None:
    """Fit one line of the survey; None where its shots span no line."""
    shots = shots_of(line.points)
    closed = line.closed and len(shots) >= 3
    if len(shots) < 2:
        return None
    if closed and _doubled_area(shots) < 0:
        shots = shots.taken(range(len(shots) - 1, -1, -1))
    shape, notes = shape_of(shots, closed=closed, arcs=line.code in ARCS_ALLOWED)
    return FittedRow(line=record(line.code, line.line, shape, notes))  # type: ignore[arg-type]  # a line's code is one of LineCode's


def record(code: LineCode, name: str, shape: Shape, notes: tuple[str, ...]) -> FittedLine:
    """Return the record of a fitted line, with the standard deviation along it."""
    stations = stations_of(shape.chain)
    scale = float(np.sqrt(max(1.0, shape.fit.variance_factor)))
    residuals = tuple(
        Residual(
            point=name,
            place=(float(place[0]), float(place[1])),
            station=shape.chain.nearest((float(place[0]), float(place[1])))[0],
            offset=float(offset),
        )
        for name, place, offset in zip(shape.shots.names, shape.shots.points, shape.fit.offsets, strict=True)
    )
    return FittedLine(
        code=code,
        line=name,
        chain=shape.chain,
        sigma_stations=stations,
        sigma_normals=tuple(float(sigma) * scale for sigma in shape.fit.normal_sigmas(stations)),
        residuals=residuals,
        sigma0=float(np.sqrt(np.mean(shape.fit.sigmas**2) * shape.fit.variance_factor)),
        notes=notes,
    )


def counter_clockwise(chain: Chain) -> Chain:
    """Return a closed chain with its inside on the left."""
    return chain if chain.area() > 0 else chain.reversed()


def _doubled_area(shots: Shots) -> float:
    x, y = shots.points.T
    return float(x @ np.roll(y, -1) - y @ np.roll(x, -1))
