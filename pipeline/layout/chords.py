"""Chords and arcs: how far a fabric lies inside its posts, what a lean opens, how a post bends."""

from __future__ import annotations

import math
from typing import Final

import numpy as np
from numpy.typing import NDArray

from pipeline.model.shop import PostShop

Floats = NDArray[np.float64]

STRAIGHT_TURN: Final = math.radians(1.0)  # [rad] own judgement: a smaller turn at a post is a straight line
CURVED_TURN: Final = math.radians(4.0)  # [rad] own judgement: from here on the post leans by at least the shop's least lean


def sagitta(chord: float, radius: float) -> float:
    """Return by how much the middle of a chord [m] runs inside its arc of `radius` [m].

    Notes
    -----
    s = R - sqrt(R² - c²/4), which is c²/8R for a flat arc.

    Examples
    --------
    >>> round(sagitta(0.9144, 3.0), 5)
    0.03504
    """
    return radius - math.sqrt(radius * radius - chord * chord / 4)


def hole_setback(setback: float, chord: float, radius: float) -> float:
    """Return how far from the water the holes stand so that chords between them keep `setback` [m] on an outward curve.

    Parameters
    ----------
    setback : float
        Fabric to water [m].
    chord : float
        Longest hole-to-hole distance [m].
    radius : float
        Of the water's edge; 0 at a corner [m].

    Notes
    -----
    Both ends of the chord at R + w from the centre put its middle at sqrt((R + w)² - c²/4), which has to be R + d:
    w = sqrt((R + d)² + c²/4) - R.
    """
    return math.hypot(radius + setback, chord / 2) - radius


def fan_opening(height: float, lean: float, radius: float) -> float:
    """Return by how much a fabric is wider, averaged over its height, than at the foot of its posts, as a fraction.

    Notes
    -----
    Posts stand on a circle of `radius` R and lean outward by `lean`: at height z they stand on a circle of R + z sin(lean), and every chord
    grows by the factor 1 + z sin(lean) / R.  Averaged over 0..h that is 1 + h sin(lean) / 2R.
    """
    return height * math.sin(lean) / (2 * radius) if radius > 0 else 0.0


def post_stiffness(post: PostShop) -> float:
    """Return the bending stiffness E I of a round tube [N m²]: I = pi (D⁴ - d⁴) / 64."""
    inner = post.diameter - 2 * post.wall
    return post.modulus * math.pi * (post.diameter**4 - inner**4) / 64


def post_rotation(turn: Floats | float, height: float, post: PostShop) -> Floats:
    """Return by how much a post's top leans from its foot under the pull of the fabric [rad].

    Parameters
    ----------
    turn : array or float
        Between the two chords at the post [rad].
    height : float
        Of the fabric [m].
    post : PostShop
        Section, stiffness and tension.

    Notes
    -----
    The fabric pulls with F = 2 T sin(turn / 2) spread over the height; a cantilever so loaded moves at its top by F h³ / 8EI, an angle of F h² / 8EI.
    """
    pull = 2 * post.tension * np.sin(np.abs(turn) / 2)
    return np.asarray(pull * height**2 / (8 * post_stiffness(post)))


def lean_for(turn: Floats | float, height: float, post: PostShop) -> Floats:
    """Return the lean of a hole [rad] for the turn of the fence at it.

    Notes
    -----
    Plumb below `STRAIGHT_TURN`; from `CURVED_TURN` on what the post gives way under load, held within the shop's two limits (2 and 3 degrees, common
    practice); in between a straight ramp, so that the lean is continuous in the turn.
    """
    least, most = post.lean
    loaded = np.clip(post_rotation(turn, height, post), least, most)
    ramp = (np.abs(turn) - STRAIGHT_TURN) / (CURVED_TURN - STRAIGHT_TURN)
    return np.asarray(loaded * np.clip(ramp, 0.0, 1.0))
