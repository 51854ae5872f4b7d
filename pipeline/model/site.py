"""What the edge stage hands on: the site as built, as fitted lines with their uncertainty."""

from __future__ import annotations

import bisect
import math
from typing import Final, Literal

import msgspec
import numpy as np
from numpy.typing import NDArray

from pipeline.errors import Reason
from pipeline.geometry.chain import Chain, Point
from pipeline.geometry.planes import PlanePatch

BESIDE: Final = 1e-5  # [m] a vertex is looked at from both its sides
LEAST_STATIONS: Final = 4  # fewer tell nothing of the sides of a line one by one
NEARLY_STRAIGHT: Final = 0.1  # [-] sine of the turn at a vertex, under which its two sides are one line
FACTOR_STEP: Final = 1e-8  # [m] the factor of a network's covariance is written in whole numbers of this
LEAST_OWN: Final = 2e-5  # [m] error every node has for itself, so that a covariance stiff but for rounding has a factor
LineCode = Literal["WATER", "COPING", "DECK", "WALL", "STEP", "JOINT", "DRAIN", "UTILITY", "OBJECT"]


class Residual(msgspec.Struct, frozen=True, kw_only=True):
    """How far one shot lies off its fitted line.

    Parameters
    ----------
    point : str
    place : Point
        The shot [m].
    station : float
        Where on the line [m].
    offset : float
        Signed distance, left of the direction of travel positive [m].
    used : bool
        False when the fit set the shot aside.
    """

    point: str
    place: Point
    station: float
    offset: float
    used: bool = True


class FittedLine(msgspec.Struct, frozen=True, kw_only=True):
    """One line of the site as fitted: a chain, how well it is known, and how the shots lie about it.

    Closed chains run counter-clockwise, so that the inside is on the left.

    Parameters
    ----------
    code : LineCode
    line : str
        As in the survey ("" for the first line of a code).
    chain : Chain
    sigma_stations, sigma_normals : tuple of float
        Standard deviation of the line normal to itself [m] at these stations [m]; interpolated between.
    residuals : tuple of Residual
    sigma0 : float
        A-posteriori standard deviation of one shot about the line [m].
    notes : tuple of str
        What the fit decided and why ("equal end radii kept: test 0.8 < 2.6").
    """

    code: LineCode
    line: str = ""
    chain: Chain
    sigma_stations: tuple[float, ...] = (0.0,)
    sigma_normals: tuple[float, ...] = (0.0,)
    residuals: tuple[Residual, ...] = ()
    sigma0: float = 0.0
    notes: tuple[str, ...] = ()

    def sigma_at(self, station: float) -> float:
        """Return the standard deviation of the line normal to itself [m] at `station` [m]."""
        return _interpolated(station % self.chain.length if self.chain.closed else station, self.sigma_stations, self.sigma_normals)

    def sigma_toward(self, station: float, way: Point) -> float:
        """Return the standard deviation [m] of the line at `station` [m] in the direction of a unit vector, at a vertex too."""
        return _toward(self.chain, station, way, self.sigma_stations, self.sigma_normals) or self.sigma_at(station)


def _toward(chain: Chain, station: float, way: Point, stations: tuple[float, ...], sigmas: tuple[float, ...]) -> float | None:
    """Return the standard deviation of a vertex in a direction [m]; None where `station` [m] is no vertex with two sides.

    With w = a n + b m, n and m the normals of the sides that meet, the vertex moves along w by a times the one side's error
    and b times the other's.  The stations at a vertex tell the side that begins there; the one that ends there is run on.
    """
    ends = chain.piece_stations()
    vertices = ends[:-1] if chain.closed else ends[1:-1]
    vertex = next((end for end in vertices if abs(math.remainder(end - station, ends[-1])) < BESIDE), None)
    if vertex is None or len(stations) < LEAST_STATIONS:
        return None
    turns = (chain.direction_at((vertex - BESIDE) % ends[-1]), chain.direction_at(vertex + BESIDE))
    (nx, ny), (mx, my) = ((-math.sin(turn), math.cos(turn)) for turn in turns)
    cross = nx * my - ny * mx
    if abs(cross) < NEARLY_STRAIGHT:
        return None
    a, b = (way[0] * my - way[1] * mx) / cross, (nx * way[1] - ny * way[0]) / cross
    last = bisect.bisect_left(stations, vertex - BESIDE) - 1 if vertex > BESIDE else len(stations) - 1
    before = last - 1 if last else last
    reach = (vertex or ends[-1]) - stations[last]
    rise = (sigmas[last] - sigmas[before]) / (stations[last] - stations[before]) if last > before else 0.0
    return math.hypot(a * max(sigmas[last], sigmas[last] + rise * reach), b * _interpolated(vertex, stations, sigmas))


def _interpolated(station: float, stations: tuple[float, ...], sigmas: tuple[float, ...]) -> float:
    after = bisect.bisect_right(stations, station)
    if after == 0:
        return sigmas[0]
    if after == len(stations):
        return sigmas[-1]
    ratio = (station - stations[after - 1]) / (stations[after] - stations[after - 1])
    return sigmas[after - 1] + ratio * (sigmas[after] - sigmas[after - 1])


class Riser(msgspec.Struct, frozen=True, kw_only=True):
    """A step the fence may have to cross.

    Parameters
    ----------
    line : str
        Line number of the STEP.
    nosing : Chain
        Top edge in plan [m]; the high side is on the left of the direction of travel.
    height : float
        From foot to nosing [m].
    sigma_height : float
        [m]
    """

    line: str
    nosing: Chain
    height: float
    sigma_height: float


class Opening(msgspec.Struct, frozen=True, kw_only=True):
    """A door or window in a wall, between its two jambs."""

    kind: Literal["DOOR", "WINDOW"]
    line: str
    jambs: tuple[Point, Point]
    wall: str = ""
    sill: float | None = None


class SiteObject(msgspec.Struct, frozen=True, kw_only=True):
    """Something climbable or in the way.

    Parameters
    ----------
    name : str
        Point number or line it was shot under.
    outline : Chain
        Closed [m]; a point with a radius becomes a circle.
    height : float or None
        Above the deck [m].
    remark : str
    sigma : float
        Of its outline in plan, where it is known least well [m].
    sigma_stations, sigma_normals : tuple of float
        Standard deviation of a fitted outline normal to itself [m] at these stations [m]; empty for a circle about one shot.
    """

    name: str
    outline: Chain
    height: float | None = None
    remark: str = ""
    sigma: float = 0.0
    sigma_stations: tuple[float, ...] = ()
    sigma_normals: tuple[float, ...] = ()

    def sigma_at(self, station: float) -> float:
        """Return the standard deviation of the outline normal to itself [m] at `station` [m]."""
        if not self.sigma_stations:
            return self.sigma
        return _interpolated(station % self.outline.length, self.sigma_stations, self.sigma_normals)

    def sigma_toward(self, station: float, way: Point) -> float:
        """Return the standard deviation [m] of the outline at `station` [m] in the direction of a unit vector."""
        return _toward(self.outline, station, way, self.sigma_stations, self.sigma_normals) or self.sigma_at(station)


class Mark(msgspec.Struct, frozen=True, kw_only=True):
    """A point the crew measures from: a MARK, or a corner of a wall."""

    name: str
    kind: Literal["mark", "wall-corner"]
    place: Point
    elev: float | None = None
    sigma: float = 0.0


class GateWish(msgspec.Struct, frozen=True, kw_only=True):
    """A place where a gate is wanted."""

    name: str
    place: Point
    leaf: float | None = None


class JointLevels(msgspec.Struct, frozen=True, kw_only=True):
    """How well the levels of a network's nodes are known together: one adjustment has found them all.

    The errors of the nodes are F e, with F lower triangular and e independent errors of unit variance, so that the
    variance of any weighted sum w' z of levels is |F' w|².

    Parameters
    ----------
    count : int
        Number of nodes.
    factor : bytes
        Lower triangle of F, row by row, as little-endian 32-bit whole numbers of `FACTOR_STEP` [m].
    """

    count: int
    factor: bytes

    def rows(self) -> NDArray[np.float64]:
        """Return F, (count, count) [m]."""
        found = np.zeros((self.count, self.count))
        found[np.tril_indices(self.count)] = np.frombuffer(self.factor, dtype="<i4") * FACTOR_STEP
        return found


def joint_levels(covariance: NDArray[np.float64]) -> JointLevels:
    """Return the joint record of nodes' levels with a covariance (m, m) [m²]."""
    rounded = (covariance + covariance.T) / 2 + LEAST_OWN**2 * np.eye(len(covariance))
    lower = np.linalg.cholesky(rounded)[np.tril_indices(len(covariance))]
    return JointLevels(count=len(covariance), factor=np.rint(lower / FACTOR_STEP).astype("<i4").tobytes())


class LevelSurface(msgspec.Struct, frozen=True, kw_only=True):
    """The deck's level as plane patches between joints and risers; the last patch has no limits.

    Without any height in the survey there are no patches, and levels are unknown.  Patches that are facets of one
    network name their nodes, whose errors `joint` has together; all other patches are known independently.
    """

    patches: tuple[PlanePatch, ...] = ()
    joint: JointLevels | None = None

    def level(self, point: Point) -> tuple[float, float] | None:
        """Return (level, standard deviation) [m] at `point` [m]; None where nothing is known."""
        for patch in self.patches:
            if patch.contains(point):
                return patch.level(point)
        return None


class Site(msgspec.Struct, frozen=True, kw_only=True):
    """The site as built, in job-plan coordinates."""

    waters: tuple[FittedLine, ...]
    copings: tuple[FittedLine, ...] = ()
    decks: tuple[FittedLine, ...] = ()
    walls: tuple[FittedLine, ...] = ()
    joints: tuple[FittedLine, ...] = ()
    drains: tuple[FittedLine, ...] = ()
    utilities: tuple[FittedLine, ...] = ()
    point_hazards: tuple[SiteObject, ...] = ()
    risers: tuple[Riser, ...] = ()
    openings: tuple[Opening, ...] = ()
    objects: tuple[SiteObject, ...] = ()
    marks: tuple[Mark, ...] = ()
    gates: tuple[GateWish, ...] = ()
    start: Point | None = None
    end: Point | None = None
    levels: LevelSurface = LevelSurface()
    warnings: tuple[Reason, ...] = ()
