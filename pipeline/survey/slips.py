"""Slips of whole surveys: a wrong unit, northing for easting, one number for two places, one place under two numbers."""

from __future__ import annotations

import math
import statistics
from collections.abc import Sequence
from typing import Final

import msgspec
import numpy as np

from pipeline.errors import Reason
from pipeline.model.job import Job
from pipeline.model.shop import Limits
from pipeline.model.survey import SurveyPoint
from pipeline.survey.codes import LINE_CODES, CodedShot, checked_point
from pipeline.units import METRES_PER, UnitName, format_length

UNIT_RATIO_TOLERANCE: Final = 0.01  # [-]
LARGE_COORDINATE: Final = 30_000.0  # [m] a local survey starts at hundreds or thousands
MOST_IN_A_CELL: Final = 16  # shots remembered of one cell of `SAME_PLACE_MOST`; more are a scan, and no repeats of one another
HEIGHT_BUST: Final = 0.10  # [m] off the level of the water's edge: no coping is built as badly
LEAST_HEIGHTS: Final = 6
WHOLE_SURVEY: Final = 10  # points from which their reach says what unit they are in
MOST_STRAYS: Final = 0.05  # of all points: more than these are no slips of single points
MOST_NAMED: Final = 30  # slips of one kind that are named one by one
SAME_PLACE: Final = 4.0  # sigmas of a difference of two shots
SAME_PLACE_MOST: Final = 0.03  # [m] however poor the sigmas: two shots an inch apart are two places


def unit_slip(ratio: float) -> tuple[UnitName, UnitName] | None:
    """Return (true unit, unit it was read as) that make lengths `ratio` times as long as they are; None when it is no unit's ratio.

    Examples
    --------
    >>> unit_slip(3.2808)
    ('foot', 'metre')
    """
    units: tuple[UnitName, ...] = ("metre", "foot", "inch", "millimetre")
    for true in units:
        for read in units:
            if true != read and abs(ratio * METRES_PER[true] / METRES_PER[read] - 1) < UNIT_RATIO_TOLERANCE:
                return true, read
    return None


def pool_size_holds(points: Sequence[SurveyPoint], unit: UnitName, job: Job, *, stated: bool = False) -> list[Reason]:
    """Hold a survey whose pool is no pool's size in its unit: feet for metres, and the reverse; `stated` where the file itself names the unit."""
    waters = _waters(points)
    if not waters:
        return []
    largest = max(waters, key=_side)
    extent, side, file = _extent(largest), _side(largest), largest[0].file
    limits = job.shop.limits
    if not _is_unusual(extent, side, limits):
        return []
    likely = _likely_unit(extent, side, unit, limits)
    possible = limits.pool_least <= extent <= limits.pool_most
    if possible and likely is None:
        return []
    shown = (
        f"the pool comes out {extent:.2f} m ({format_length(extent, 'inch')}) long"
        if extent < 1e6
        else "the pool comes out a thousand kilometres long"
    )
    return [
        Reason(
            ref="unit",
            what=f"{shown} with the numbers read as {unit}",
            why=_unusual_size(extent * METRES_PER[likely] / METRES_PER[unit], likely, limits)
            if likely
            else f"a pool is taken to be between {limits.pool_least:g} m and {limits.pool_most:g} m long",
            file=file,
            do=_unit_cure(likely, stated),
        )
    ]


def _unusual_size(extent: float, likely: UnitName, limits: Limits) -> str:
    usual = f"{limits.pool_side_least:g} m to {limits.pool_side_most:g} m"
    return f"read as {likely} it would be {extent:.1f} m long, which is usual: the side of a square as large is taken to be {usual}"


def _unit_cure(likely: UnitName | None, stated: bool) -> str:
    if likely is None:
        return "see which unit the instrument wrote, and what was shot as WATER; for such a pool set [limits] pool_least and pool_most in shop.toml"
    where = f"put the unit in the file right: it is {likely}" if stated else f'write [survey] unit = "{likely}" in job.toml'
    return f"if the numbers are {likely}, {where}; if the pool is really that size, set [limits] pool_side_least and pool_side_most in shop.toml"


def extent_holds(points: Sequence[SurveyPoint], unit: UnitName, job: Job, *, stated: bool = False) -> list[Reason]:
    """Hold a survey with a point far from all the others, a digit lost or another site's point; or one too large or small as a whole for its unit."""
    if len(points) < 3:
        return []
    places = np.array([point.place for point in points])
    middle = np.median(places, axis=0)
    reach = np.abs(places - middle).max(axis=1)
    limit = float(job.shop.limits.site_extent)
    far = [points[number] for number in np.flatnonzero(reach > limit).tolist()]
    telling = len(points) >= WHOLE_SURVEY and not _waters(points) and not job.options.survey.crs  # else the pool or the system tells the unit better
    if telling and 2 * float(reach.max()) < job.shop.limits.pool_side_least:
        return [
            _whole_unit(f"the whole survey is {2 * float(reach.max()):.2f} m across", float(reach.max()), limit, unit, points[0].file, stated=stated)
        ]
    if not far:
        return []
    if telling and len(far) > MOST_STRAYS * len(points) and _unit_within(float(reach.max()), limit, unit):
        what = f"{len(far)} of {len(points)} points lie more than {limit:.0f} m from the middle of the survey"
        return [_whole_unit(what, float(reach.max()), limit, unit, far[0].file, stated=stated)]
    first = far[0]
    named = ", ".join(point.point for point in far[:8]) + (f" and {len(far) - 8} more" if len(far) > 8 else "")
    return [
        Reason(
            ref="far-away",
            what=f"{len(far)} of {len(points)} points lie more than {limit:.0f} m from the middle of the survey: {named}",
            why="a site is smaller than that: a digit is missing, the unit is another, or the point belongs elsewhere",
            file=first.file,
            line=first.row or None,
            do="put the point right or take it out; for a larger site raise [limits] site_extent in shop.toml",
        )
    ]


def _unit_within(reach: float, limit: float, unit: UnitName) -> UnitName | None:
    """Return the largest unit in which a survey reaching so far would still be one site; none where only the same one is."""
    order: tuple[UnitName, ...] = ("metre", "foot", "inch", "millimetre")
    fits = (other for other in order if abs(METRES_PER[other] / METRES_PER[unit] - 1) > UNIT_RATIO_TOLERANCE)
    return next((other for other in fits if reach * METRES_PER[other] / METRES_PER[unit] <= limit), None)


def _whole_unit(what: str, reach: float, limit: float, unit: UnitName, file: str, *, stated: bool) -> Reason:
    likely = _unit_within(reach, limit, unit)
    return Reason(
        ref="unit",
        what=f"{what} with the numbers read as {unit}",
        why=f"no site is; read as {likely} it would be {2 * reach * METRES_PER[likely] / METRES_PER[unit]:.0f} m across" if likely else "no site is",
        file=file,
        do=_unit_cure(likely, stated),
    )


def grid_warnings(points: Sequence[SurveyPoint], crs: str) -> list[Reason]:
    """Warn where coordinates without a named system look like grid coordinates."""
    if crs or not points:
        return []
    east, north = (float(np.median([point.place[axis] for point in points])) for axis in (0, 1))
    if min(abs(east), abs(north)) < LARGE_COORDINATE:
        return []
    return [
        Reason(
            ref="grid-for-ground",
            what=f"the coordinates (E {east:.0f} m, N {north:.0f} m) look like those of a projected system, and no system is named",
            why="grid distances differ from ground distances by up to 1 in 2,500, in the mountains more; they were taken for ground",
            file=points[0].file,
            do='if they are grid coordinates, write [survey] crs = "EPSG:..." in job.toml',
        )
    ]


def number_holds(points: Sequence[SurveyPoint]) -> list[Reason]:
    """Hold a survey in which one number stands for two places."""
    first: dict[str, SurveyPoint] = {}
    holds = []
    for point in points:
        before = first.setdefault(point.point, point)
        if before is not point and not _is_same_place(before, point):
            apart = math.dist(before.place, point.place)
            likely = _likely_slip(before, point) if before.file != point.file else ""
            where = f"lines {before.row} and {point.row}" + (f" of {before.file} and {point.file}" if before.file != point.file else "")
            again = f"give one of them another number; if it is a second shot of the same point, write its code as CHECK / of {point.point}"
            holds.append(
                Reason(
                    ref="number-twice",
                    what=f"number {point.point} stands for two places, {apart:.3f} m apart ({where})",
                    why=likely or "whoever names the point by its number may mean either",
                    file=point.file,
                    line=point.row,
                    do="see which of the two files is right, and put the other one right" if likely else again,
                )
            )
    return named_few(holds, "numbers that stand for two places")


def _likely_slip(before: SurveyPoint, point: SurveyPoint) -> str:
    """Return what makes two places of one number in two files the same place; empty when nothing typical does."""
    if _is_same_place(before, msgspec.structs.replace(point, east=point.north, north=point.east)):
        return "with northing and easting exchanged they are one place: the columns of one of the two files are swapped"
    reach, other = math.hypot(*before.place), math.hypot(*point.place)
    slip = unit_slip(other / reach) if reach > 1 and other > 1 else None
    if slip and abs(math.remainder(math.atan2(*before.place) - math.atan2(*point.place), 2 * math.pi)) * reach < SAME_PLACE_MOST:
        return f"that is what {slip[0]} read as {slip[1]} gives, in one of the two files"
    return ""


def named_few(reasons: list[Reason], what: str) -> list[Reason]:
    """Return the first reasons of a kind, and how many more there are."""
    if len(reasons) <= MOST_NAMED:
        return reasons
    more = len(reasons) - MOST_NAMED
    return [*reasons[:MOST_NAMED], msgspec.structs.replace(reasons[MOST_NAMED], what=f"and {more:,} more {what}", line=None)]


def without_repeats(points: Sequence[SurveyPoint]) -> tuple[list[SurveyPoint], list[Reason]]:
    """Set aside second shots of one place: the same number again, or another number on the same line.

    Returns
    -------
    tuple
        The points, with repeats as `check`, and a warning for each.
    """
    repeats = _repeats(points)
    warnings = []
    out = list(points)
    for second, first in sorted(repeats.items()):
        again, before = points[second], points[first]
        gap = math.dist(again.place, before.place)
        out[second] = msgspec.structs.replace(again, state="check", residual=gap, why=f"the same place as {before.point}")
        if again.point == before.point:
            what = f"number {again.point} was shot twice at one place (lines {before.row} and {again.row})"
        else:
            what = f"{again.point} and {before.point} are one place ({again.code}, {gap * 1000:.0f} mm apart) under two numbers"
        warnings.append(
            Reason(
                ref="place-twice",
                what=what,
                why="the second was kept as a check and not used for the line",
                file=again.file,
                line=again.row or None,
                do="nothing, if that is what was meant",
            )
        )
    return out, named_few(warnings, "places shot twice")


def check_reasons(points: Sequence[SurveyPoint], job: Job) -> tuple[list[SurveyPoint], list[Reason], list[Reason]]:
    """Hold CHECK shots against the points they name; returns (points, warnings, holds)."""
    by_number = {point.point.lower(): number for number, point in reversed(list(enumerate(points))) if point.code != "CHECK"}
    out = list(points)
    warnings: list[Reason] = []
    holds: list[Reason] = []
    for number, check in enumerate(points):
        if check.code != "CHECK":
            continue
        target = by_number.get(checked_point(CodedShot("CHECK", "", (), check.remark)).lower())
        if target is None:
            warnings.append(
                Reason(
                    ref="check-of-nothing",
                    what=f"CHECK {check.point} names no point that was shot",
                    why="it checks nothing",
                    file=check.file,
                    line=check.row or None,
                    do="write its remark as / of 101",
                )
            )
            continue
        first = points[target]
        gap, allowed = _gap(first, check)
        out[number] = msgspec.structs.replace(check, state="check", residual=gap, why=f"second shot of {first.point}")
        if gap > allowed:
            out[target] = msgspec.structs.replace(
                out[target], state="suspect", residual=gap, why=f"its check shot {check.point} lies {gap * 1000:.0f} mm away"
            )
            reason = Reason(
                ref="check-disagrees",
                what=f"{first.point} and its check shot {check.point} are {gap * 1000:.0f} mm apart",
                why=f"{allowed * 1000:.0f} mm is what the instrument allows; nothing tells which of the two is wrong",
                file=check.file,
                line=check.row or None,
                do=f"shoot {first.point} a third time",
            )
            gross = gap > max(3 * allowed, 0.05)
            (holds if gross or first.code == "MARK" else warnings).append(reason)
    return out, named_few(warnings, "check shots"), named_few(holds, "check shots that disagree")


def height_reasons(points: Sequence[SurveyPoint]) -> tuple[list[SurveyPoint], list[Reason]]:
    """Take out the height of a WATER shot that stands far off the others: water is level, and so is the coping it was shot at.

    Returns
    -------
    tuple
        The points, those shots without their height, and a warning for each.
    """
    out = list(points)
    warnings: list[Reason] = []
    for line in _waters(points):
        heights = [point.elev for point in line if point.elev is not None]
        if len(heights) < LEAST_HEIGHTS:
            continue
        middle = statistics.median(heights)
        spread = 1.4826 * statistics.median(abs(height - middle) for height in heights)
        off = [point for point in line if point.elev is not None and abs(point.elev - middle) > max(HEIGHT_BUST, 8 * spread)]
        if len(off) > len(heights) // 8:
            continue  # so many are no slip: the edge has two levels
        for point in off:
            gap = (point.elev or 0.0) - middle
            number = next(number for number, other in enumerate(out) if other is point)
            out[number] = msgspec.structs.replace(
                point, elev=None, sigma_elev=None, state="suspect", why=f"its height is {gap:+.3f} m off the water's others"
            )
            warnings.append(
                Reason(
                    ref="height-bust",
                    what=f"WATER shot {point.point} stands {format_length(abs(gap), 'inch')} {'above' if gap > 0 else 'below'} the others of its edge",
                    why="the water's edge is level: the rod's height was another than written; the height was left out, the place kept",
                    file=point.file,
                    line=point.row or None,
                    do="see the rod height in the field book",
                )
            )
    return out, named_few(warnings, "heights off the water's edge")


def _waters(points: Sequence[SurveyPoint]) -> list[list[SurveyPoint]]:
    lines: dict[str, list[SurveyPoint]] = {}
    for point in points:
        if point.code == "WATER" and point.state != "rejected":
            lines.setdefault(point.line, []).append(point)
    return [line for line in lines.values() if len(line) >= 3]


def _extent(water: Sequence[SurveyPoint]) -> float:
    """Return the longest reach of a pool [m]."""
    places = np.array([point.place for point in water])
    turned = [places @ (math.cos(angle), math.sin(angle)) for angle in np.arange(0, math.pi, math.pi / 36)]
    return max(float(np.ptp(along)) for along in turned)


def _side(water: Sequence[SurveyPoint]) -> float:
    """Return the side of a square as large as the shots' hull [m]."""
    outline = _hull([point.place for point in water])
    twice = sum(a[0] * b[1] - b[0] * a[1] for a, b in zip(outline, [*outline[1:], *outline[:1]], strict=True))
    return math.sqrt(max(0.0, twice / 2))


def _hull(places: Sequence[tuple[float, float]]) -> list[tuple[float, float]]:
    """Return the corners of the convex hull, counter-clockwise, about its first corner: lower chain, then upper (Andrew 1979, from memory)."""
    ordered = sorted(set(places))
    chains: list[list[tuple[float, float]]] = []
    for way in (ordered, ordered[::-1]):
        chain: list[tuple[float, float]] = []
        for place in way:
            while len(chain) > 1 and _turns_right(chain[-2], chain[-1], place):
                chain.pop()
            chain.append(place)
        chains.append(chain[:-1])
    corners = [*chains[0], *chains[1]]
    return [(east - corners[0][0], north - corners[0][1]) for east, north in corners]


def _turns_right(a: tuple[float, float], b: tuple[float, float], c: tuple[float, float]) -> bool:
    return (b[0] - a[0]) * (c[1] - a[1]) - (b[1] - a[1]) * (c[0] - a[0]) <= 0


def _is_unusual(extent: float, side: float, limits: Limits) -> bool:
    return not (limits.pool_least <= extent <= limits.pool_most and limits.pool_side_least <= side <= limits.pool_side_most)


def _likely_unit(extent: float, side: float, unit: UnitName, limits: Limits) -> UnitName | None:
    """Return the unit in which the pool would be of a usual size."""
    order: tuple[UnitName, ...] = ("foot", "metre", "inch", "millimetre")
    for other in order:
        ratio = METRES_PER[other] / METRES_PER[unit]
        if abs(ratio - 1) > 0.01 and not _is_unusual(extent * ratio, side * ratio, limits):
            return other
    return None


def _gap(first: SurveyPoint, second: SurveyPoint) -> tuple[float, float]:
    """Return (distance in plan, what the sigmas allow) [m]."""
    allowed = min(
        SAME_PLACE_MOST, SAME_PLACE * math.sqrt(max(first.sigma_east, first.sigma_north) ** 2 + max(second.sigma_east, second.sigma_north) ** 2)
    )
    return math.dist(first.place, second.place), allowed


def _is_same_place(first: SurveyPoint, second: SurveyPoint) -> bool:
    gap, allowed = _gap(first, second)
    return gap <= allowed


def _repeats(points: Sequence[SurveyPoint]) -> dict[int, int]:
    """Return place in order of each repeat, with that of the shot it repeats."""
    repeats: dict[int, int] = {}
    by_number: dict[str, int] = {}
    for number, point in enumerate(points):
        before = by_number.setdefault(point.point, number)
        if before != number and points[before].code == point.code and _is_same_place(points[before], point):
            repeats[number] = before
    lines: dict[tuple[str, str], list[int]] = {}
    exact: dict[tuple[str, str, float, float], int] = {}
    for number, point in enumerate(points):
        before = exact.setdefault((point.code, point.line, point.east, point.north), number)
        if before != number and point.code in LINE_CODES and not _shares_corner(points[before], point):
            repeats.setdefault(number, before)  # to the last digit: no tree need be asked
        elif point.code in LINE_CODES and not (point.code == "STEP" and "foot" in point.remark.lower()):
            lines.setdefault((point.code, point.line), []).append(number)
    for members in lines.values():
        for later, earlier in _near_repeats(points, members).items():
            repeats.setdefault(later, earlier)
    return repeats


def _near_repeats(points: Sequence[SurveyPoint], members: Sequence[int]) -> dict[int, int]:
    """Return, of the shots of one line, each that stands where an earlier one does, with that one; found by cells, so that time goes with their number."""
    largest = max(max(points[number].sigma_east, points[number].sigma_north) for number in members)
    reach = max(min(SAME_PLACE_MOST, SAME_PLACE * math.sqrt(2) * largest), 1e-9)
    cells: dict[tuple[int, int], list[int]] = {}
    found: dict[int, int] = {}
    for number in members:
        point = points[number]
        column, row = math.floor(point.east / reach), math.floor(point.north / reach)
        near = (other for east in (-1, 0, 1) for north in (-1, 0, 1) for other in cells.get((column + east, row + north), ()))
        earlier = min((other for other in near if math.dist(points[other].place, point.place) <= reach), default=None)
        if earlier is not None and not _shares_corner(points[earlier], point):
            found[number] = earlier
        here = cells.setdefault((column, row), [])
        if len(here) < MOST_IN_A_CELL:
            here.append(number)
    return found


def _shares_corner(first: SurveyPoint, second: SurveyPoint) -> bool:
    """A line may begin where another of the same code ended, and two lines may meet in a corner: that is no slip."""
    return bool({"B", "E", "C"} & ({*first.modifiers} | {*second.modifiers})) and first.code != "WATER"
