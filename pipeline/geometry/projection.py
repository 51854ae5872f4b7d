"""Many points projected onto a chain at once."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from pipeline.geometry.chain import Chain, Piece

Array = NDArray[np.float64]


def project(chain: Chain, points: Array) -> tuple[Array, Array]:
    """Return each point's station on a chain and its signed distance from it [m].

    Parameters
    ----------
    chain : Chain
        Of lines and arcs.
    points : (n, 2) array
        [m]

    Returns
    -------
    stations : (n,) array
        Of the nearest place [m].
    offsets : (n,) array
        Distance, positive on the left of the direction of travel [m].

    Examples
    --------
    >>> from pipeline.geometry.chain import polyline
    >>> stations, offsets = project(polyline([(0, 0), (4, 0)]), np.array([[1.0, 0.5], [3.0, -0.25]]))
    >>> stations.tolist(), offsets.tolist()
    ([1.0, 3.0], [0.5, -0.25])
    """
    count = len(points)
    stations, offsets, least = np.zeros(count), np.zeros(count), np.full(count, np.inf)
    start = 0.0
    for piece in chain.pieces():
        along, foot, direction = _nearest(piece, points)
        away = points - foot
        distance = np.hypot(away[:, 0], away[:, 1])
        nearer = distance < least
        side = np.cos(direction) * away[:, 1] - np.sin(direction) * away[:, 0]
        stations[nearer] = start + along[nearer]
        offsets[nearer] = np.copysign(distance, side)[nearer]
        least[nearer] = distance[nearer]
        start += piece.length
    return stations, offsets


def _nearest(piece: Piece, points: Array) -> tuple[Array, Array, Array]:
    """Return (distance from the piece's start, nearest place, direction there) for each point."""
    start, end = np.asarray(piece.start), np.asarray(piece.end)
    if not piece.is_arc:
        chord = end - start
        ratio = np.clip((points - start) @ chord / max(float(chord @ chord), 1e-300), 0.0, 1.0)
        return ratio * piece.chord, start + ratio[:, None] * chord, np.full(len(points), piece.direction_at(0.0))
    centre, radius, sense = np.asarray(piece.centre), piece.radius, np.sign(piece.bulge)
    first = np.arctan2(*(start - centre)[::-1])
    turn = ((np.arctan2(points[:, 1] - centre[1], points[:, 0] - centre[0]) - first) * sense) % (2 * np.pi)
    sweep = abs(piece.sweep)
    turn = np.where(turn <= sweep, turn, np.where(turn - sweep > 2 * np.pi - turn, 0.0, sweep))
    angle = first + sense * turn
    foot = centre + radius * np.column_stack((np.cos(angle), np.sin(angle)))
    return turn * radius, foot, piece.direction_at(0.0) + sense * turn
