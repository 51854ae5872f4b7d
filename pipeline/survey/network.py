"""A survey network as the adjustment sees it: points, what is held of them, and what was observed between them."""

from __future__ import annotations

from typing import Final, Literal, get_args

import msgspec

Kind = Literal["distance", "direction", "angle", "azimuth", "zenith", "slope", "rise", "east", "north", "up"]
KINDS: Final[tuple[Kind, ...]] = get_args(Kind)
ANGULAR: Final = frozenset(("direction", "angle", "azimuth", "zenith"))  # observed in radians, the rest in metres
COORDINATES: Final = ("east", "north", "up")


class NetworkPoint(msgspec.Struct, frozen=True, kw_only=True):
    """A point of a network.

    Parameters
    ----------
    name : str
    east, north : float
        Approximate, or held, coordinates [m].
    up : float
        [m]
    held : str
        Letters of E, N, U for the coordinates held fixed; "ENU" for a mark held in plan and height.
    """

    name: str
    east: float
    north: float
    up: float = 0.0
    held: str = ""


class Observation(msgspec.Struct, frozen=True, kw_only=True):
    """One observation.

    Parameters
    ----------
    kind : Kind
        ``distance`` horizontal [m]; ``slope`` from instrument axis to target [m]; ``direction`` clockwise from the
        unknown zero of its `group` [rad]; ``azimuth`` clockwise from north [rad]; ``angle`` at `at` from `to` clockwise to `fore` [rad];
        ``zenith`` from the plumb line up to the target, freed of curvature and refraction [rad]; ``rise`` of `to` above `at` [m];
        ``east``, ``north``, ``up`` a coordinate of `at` itself, observed with a weight [m].
    at, to, fore : str
        Points by name.
    value : float
        [m] or [rad]
    sigma : float
        A-priori standard deviation, same unit.
    group : str
        Directions of one group share one orientation unknown.
    hi, ht : float
        Heights of instrument and target, for `zenith` and `slope` [m].
    label : str
        What it is in the crew's words: "tie B-W12".
    """

    kind: Kind
    at: str
    to: str = ""
    fore: str = ""
    value: float
    sigma: float
    group: str = ""
    hi: float = 0.0
    ht: float = 0.0
    label: str = ""


class Network(msgspec.Struct, frozen=True, kw_only=True):
    """Points and observations; every name an observation uses is a point's."""

    points: tuple[NetworkPoint, ...]
    observations: tuple[Observation, ...]
