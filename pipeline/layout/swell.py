"""How far outside its parallel the hole line has to run: the *swell*.

On straights and inward bends the swell is 0; round an outward curve or corner the chords need some (`chords.hole_setback`), and beside it the line
runs out to it on a ramp.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from pipeline.geometry.chain import Chain, Point
from pipeline.layout.chords import hole_setback
from pipeline.layout.walk import Floats

RAMP: Final = 1 / 12  # [-] steepest swell per length of line (own judgement: a turn under 5 degrees)
TURN_LEAST: Final = 1e-4  # [rad] a smaller turn is none


@dataclass(frozen=True)
class Bend:
    """An outward curve or corner of the water, as the fence sees it.

    Parameters
    ----------
    centre : Point
        [m]
    radius : float
        0 at a corner [m].
    first, sweep : float
        Bearing from the centre where it begins, and how far it turns [rad].
    """

    centre: Point
    radius: float
    first: float
    sweep: float


def bends_of(course: Chain, setback: float) -> tuple[Bend, ...]:
    """Return what the outward arcs of a parallel at `setback` [m] go round: curves and corners of the water."""
    return tuple(
        Bend(piece.centre, max(piece.radius - setback, 0.0), piece.direction_at(0.0) - math.pi / 2, piece.sweep)
        for piece in course.pieces()
        if piece.is_arc and piece.bulge > 0 and piece.sweep > TURN_LEAST
    )


def swell_needed(places: Floats, normals: Floats, bends: tuple[Bend, ...], parallel: float, setback: float, chord: float) -> Floats:
    """Return how far outside the parallel the line has to run so that no chord comes nearer than `setback` [m]; negative where it may run inside.

    Parameters
    ----------
    places, normals : array (n, 2)
        Samples of the parallel [m], and the outward normals.
    bends : tuple of Bend
        What the parallel goes round.
    parallel : float
        Distance of the parallel from the water [m].
    setback, chord : float
        Of the fabric, and the longest hole-to-hole distance [m].

    Notes
    -----
    A chord of length c whose ends both lie at R + w from a bend's centre keeps R + d from it, since its foot on the bend divides it in a and c - a, and the
    smaller is at most c/2.  So every place within c/2 of the bend's sector has to lie that far out, and no other.
    """
    needed = np.full(len(places), setback - parallel)
    for bend in bends:
        needed = np.maximum(needed, _swell_for(bend, places, normals, parallel, setback, chord))
    return needed


def ramped(stations: Floats, swell: Floats, length: float, *, closed: bool) -> Floats:
    """Return the least swell that is nowhere under `swell` and nowhere steeper than `RAMP`."""
    if closed:
        stations = np.concatenate((stations - length, stations, stations + length))
        swell = np.concatenate((swell, swell, swell))
    ahead = np.maximum.accumulate(swell + RAMP * stations) - RAMP * stations
    back = (np.maximum.accumulate((swell - RAMP * stations)[::-1]) + RAMP * stations[::-1])[::-1]
    both = np.maximum(ahead, back)
    return both[len(both) // 3 : 2 * len(both) // 3] if closed else both


def _swell_for(bend: Bend, places: Floats, normals: Floats, parallel: float, setback: float, chord: float) -> Floats:
    """Return the swell that brings every place near one bend out to where its chords keep the setback; the least there is elsewhere."""
    rays = places - np.asarray(bend.centre)
    away = np.hypot(rays[:, 0], rays[:, 1])
    reach = bend.radius + hole_setback(setback, chord, bend.radius)
    widest = bend.radius + hole_setback(parallel, chord, bend.radius)
    near = (away < widest) & (away > bend.radius + parallel - 1e-4) & _beside(bend, rays, chord / 2)
    along = np.einsum("ij,ij->i", rays, normals)
    out = -along + np.sqrt(np.maximum(along**2 + reach**2 - away**2, 0.0))
    return np.where(near, out, setback - parallel)


def _beside(bend: Bend, rays: Floats, margin: float) -> NDArray[np.bool_]:
    """Say which rays lie in the bend's sector or within `margin` [m] of its sides."""
    if bend.sweep >= 2 * math.pi - 1e-9:
        return np.ones(len(rays), dtype=bool)
    middle = bend.first + bend.sweep / 2
    turned = np.abs(np.remainder(np.arctan2(rays[:, 1], rays[:, 0]) - middle + np.pi, 2 * np.pi) - np.pi)
    beyond = turned - bend.sweep / 2
    off = np.hypot(rays[:, 0], rays[:, 1]) * np.sin(np.clip(beyond, 0.0, np.pi / 2))
    return (beyond <= 0) | (off <= margin)
