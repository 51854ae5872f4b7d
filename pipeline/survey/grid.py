"""Grid to ground: coordinates of a projected system brought to ground distances at the site.

``combined factor = k · Ra / (Ra + h)``, ``Ra = 2MN / (M + N)`` at the site's latitude; ground distance = grid distance / combined factor.

References
----------
NGS, "NCAT library user guide", getElevationFactor: h is the ellipsoid height.  Surveys carry heights above sea level, which
differ from it by the geoid's separation, 20-35 m over most of North America: 3-5 parts in a million, or 0.1 mm over 25 m.
"""

from __future__ import annotations

import contextlib
import functools
import math
import re
from collections.abc import Sequence
from typing import Any, Final, NamedTuple, get_args

import msgspec
import numpy as np

from pipeline.errors import Reason
from pipeline.model.shop import SurveyOptions
from pipeline.model.survey import Frame, SurveyPoint
from pipeline.survey.refusals import refusal
from pipeline.units import FOOT, METRES_PER, US_SURVEY_FOOT, UnitName

GEOID_SEPARATION: Final = 30.0  # [m] typical size over North America, for the warning's figures
AREA_MARGIN: Final = 0.2  # [deg] beyond a system's area of use that is still believed


class GridPoint(NamedTuple):
    """What a projection does at one place.

    Parameters
    ----------
    latitude, longitude : float
        [deg]
    scale : float
        Grid distance per distance on the ellipsoid [-].
    convergence : float
        [rad]
    mean_radius : float
        Ra of the ellipsoid there [m].
    """

    latitude: float
    longitude: float
    scale: float
    convergence: float
    mean_radius: float


def elevation_factor(mean_radius: float, height: float) -> float:
    """Return distance on the ellipsoid per distance at `height` above it [-]."""
    return mean_radius / (mean_radius + height)


def grid_point(crs: str, east: float, north: float) -> GridPoint:
    """Return what the projection `crs` does at a place given in metres.

    Raises
    ------
    SurveyError
        When the system is unknown, or the place is not on its map.
    """
    system = _system(crs)
    per = _metres_per_unit(system)
    east, north = east / per, north / per
    latitude, longitude = _geographic(crs, east, north)
    factors = _projection(crs).get_factors(longitude, latitude, radians=False)
    return GridPoint(latitude, longitude, float(factors.meridional_scale), math.radians(factors.meridian_convergence), _mean_radius(system, latitude))


def ground_frame(points: Sequence[SurveyPoint], options: SurveyOptions, unit: UnitName) -> tuple[Frame, list[Reason], list[Reason]]:
    """Return (frame, warnings, holds) of a survey; a local survey is shifted and scaled by nothing."""
    if not options.crs or not points:
        return Frame(unit=unit), [], []
    east, north = _middle([point.east for point in points]), _middle([point.north for point in points])
    holds = _unit_holds(options.crs, unit, east, north) or area_holds(options.crs, unit, east, north, points[0].file)
    if holds:
        return Frame(unit=unit, crs=options.crs), [], holds
    at = grid_point(options.crs, east, north)
    heights = [point.elev for point in points if point.elev is not None]
    height = _middle(heights) if heights else 0.0
    factor = at.scale * elevation_factor(at.mean_radius, height)
    frame = Frame(unit=unit, crs=options.crs, origin_east=east, origin_north=north, combined_factor=factor, convergence=at.convergence)
    return frame, [_height_warning(bool(heights), height, at, factor)], []


def on_plan(point: SurveyPoint, frame: Frame) -> SurveyPoint:
    """Return a point of the survey's frame in job-plan coordinates."""
    if not frame.crs:
        return point
    east, north = frame.to_plan(point.east, point.north)
    return msgspec.structs.replace(point, east=east, north=north)


def area_holds(crs: str, unit: UnitName, east: float, north: float, file: str) -> list[Reason]:
    """Hold coordinates that lie outside the system's area of use, and say what would bring them inside."""
    system = _system(crs)
    if system.area_of_use is None or _is_inside(crs, east, north):
        return []
    likely = _what_brings_inside(crs, unit, east, north)
    return [
        Reason(
            ref="swapped" if likely.startswith("N and E") else "unit" if likely else "outside-crs",
            what=f"the coordinates (E {east / METRES_PER[unit]:.0f}, N {north / METRES_PER[unit]:.0f} {unit}) lie outside the area of {crs} ({system.area_of_use.name})",
            why=f"likely {likely}" if likely else "another system, another unit, or a local survey",
            file=file,
            do=_cure(likely) if likely else "see which system the coordinates are in; for a local survey take `crs` out of job.toml",
        )
    ]


def _cure(likely: str) -> str:
    if likely.startswith("N and E"):
        return 'northing and easting are swapped: write [survey] columns = "PENZD" (or "PNEZD") in job.toml, or put the header right'
    return f'write [survey] unit = "{likely.split()[-1]}" in job.toml'


def _what_brings_inside(crs: str, unit: UnitName, east: float, north: float) -> str:
    if _is_inside(crs, north, east):
        return "N and E are swapped"
    own = _unit_of(_system(crs))
    order: list[UnitName] = [own, "us-survey-foot", "foot", "metre", "millimetre", "inch"] if own else ["us-survey-foot", "foot", "metre"]
    for other in order:
        ratio = METRES_PER[other] / METRES_PER[unit]
        if other != unit and _is_inside(crs, east * ratio, north * ratio):
            return f"the unit is {other}"
    for other in order:
        ratio = METRES_PER[other] / METRES_PER[unit]
        if other != unit and _is_inside(crs, north * ratio, east * ratio):
            return "N and E are swapped, and the unit is " + other
    return ""


def _unit_holds(crs: str, unit: UnitName, east: float, north: float) -> list[Reason]:
    """International for US survey feet: no area of use tells them apart, but the system's own definition does."""
    own = _unit_of(_system(crs))
    if own == unit or {own, unit} != {"foot", "us-survey-foot"}:
        return []
    shift = math.hypot(east, north) * abs(US_SURVEY_FOOT / FOOT - 1)
    return [
        Reason(
            ref="foot-kind",
            what=f"{crs} is defined in the unit {own}, the coordinates are read as {unit}",
            why=f"the two feet differ by 2 parts in a million: {shift:.2f} m at this distance from the system's origin",
            file="job.toml",
            do=f'write [survey] unit = "{own}", after seeing that the data collector used it too',
        )
    ]


def _height_warning(known: bool, height: float, at: GridPoint, factor: float) -> Reason:
    ppm = GEOID_SEPARATION / at.mean_radius * 1e6
    return Reason(
        ref="grid-to-ground",
        what=f"grid distances were divided by the combined factor {factor:.8f} (scale {at.scale:.8f}, height {height:.0f} m) to give ground distances"
        if known
        else f"grid distances were divided by {factor:.8f}, the scale at sea level: the survey has no heights",
        why=f"heights were taken as heights above the ellipsoid; above sea level they are off by some {GEOID_SEPARATION:.0f} m, which is {ppm:.1f} parts in a million"
        if known
        else "every 100 m of height shorten the grid by 16 parts in a million",
        do="nothing for a pool; the figures are for whoever compares with the data collector",
    )


def _middle(values: Sequence[float]) -> float:
    """Return the middle of the values, which one wild point does not move."""
    return float(np.median(values))


@functools.lru_cache(maxsize=16)
def _system(crs: str) -> Any:
    import pyproj

    system = None
    if re.fullmatch(r"[A-Za-z]{2,10}:\d{1,9}", crs):  # an authority's code and nothing else: no files, no pipelines
        with contextlib.suppress(pyproj.exceptions.CRSError):
            system = pyproj.CRS.from_user_input(crs)
    if system is None or not system.is_projected:
        kind = "is no coordinate system known here" if system is None else "is no projected system"
        raise refusal(
            "unknown-crs",
            f"`crs = {crs[:60]!r}` {kind}",
            why="grid coordinates cannot be brought to ground without their system",
            file="job.toml",
            do='write the EPSG code of the State Plane zone or UTM zone, like crs = "EPSG:2236"; for a local survey leave it out',
        )
    return system


@functools.lru_cache(maxsize=16)
def _projection(crs: str) -> Any:
    import pyproj

    return pyproj.Proj(_system(crs))


@functools.lru_cache(maxsize=16)
def _to_geographic(crs: str) -> Any:
    import pyproj

    system = _system(crs)
    return pyproj.Transformer.from_crs(system, system.geodetic_crs, always_xy=True)


def _geographic(crs: str, east: float, north: float) -> tuple[float, float]:
    """Return (latitude, longitude) [deg] of a place in the system's own unit; not finite where it is off the map."""
    longitude, latitude = _to_geographic(crs).transform(east, north)
    return float(latitude), float(longitude)


def _is_inside(crs: str, east: float, north: float) -> bool:
    system = _system(crs)
    per = _metres_per_unit(system)
    latitude, longitude = _geographic(crs, east / per, north / per)
    area = system.area_of_use
    if not (math.isfinite(latitude) and math.isfinite(longitude)):
        return False
    if not area.south - AREA_MARGIN <= latitude <= area.north + AREA_MARGIN:
        return False
    if area.west > area.east:  # an area across the date line
        return bool(longitude >= area.west - AREA_MARGIN or longitude <= area.east + AREA_MARGIN)
    return bool(area.west - AREA_MARGIN <= longitude <= area.east + AREA_MARGIN)


def _metres_per_unit(system: Any) -> float:
    return float(system.axis_info[0].unit_conversion_factor)


def _unit_of(system: Any) -> UnitName | None:
    per = _metres_per_unit(system)
    names: tuple[UnitName, ...] = get_args(UnitName)
    return next((name for name in names if abs(per / METRES_PER[name] - 1) < 1e-9), None)


def _mean_radius(system: Any, latitude: float) -> float:
    """Return Ra = 2MN / (M + N) [m]."""
    ellipsoid = system.ellipsoid
    major, minor = ellipsoid.semi_major_metre, ellipsoid.semi_minor_metre
    square = 1 - (minor / major) ** 2
    bend = 1 - square * math.sin(math.radians(latitude)) ** 2
    meridian, normal = major * (1 - square) / bend**1.5, major / math.sqrt(bend)
    return float(2 * meridian * normal / (meridian + normal))
