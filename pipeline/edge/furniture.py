"""What stands on the site or opens on it: objects, openings in walls, marks, wanted gates, single points no hole may meet."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Final

import msgspec

from pipeline.edge.lines import fitted
from pipeline.edge.remarks import length_in
from pipeline.edge.shots import Line, lines_of, standing
from pipeline.errors import Reason
from pipeline.geometry.chain import Chain, Point
from pipeline.model.job import Job
from pipeline.model.site import FittedLine, GateWish, Mark, Opening, SiteObject
from pipeline.model.survey import Survey, SurveyPoint

POINT_REACH: Final = 0.05  # [m] radius of a drain or utility shot as one point (own judgement: a gully's half width)
UNKNOWN_REACH: Final = 0.30  # [m] radius taken for an object without `r=` (own judgement; always with a warning)
WALL_REACH: Final = 0.15  # [m] a jamb farther from every wall belongs to none
QUARTER: Final = math.tan(math.pi / 4)  # bulge of a half circle
SQUARE_CORNER: Final = math.radians(10)  # a wall that turns less has no corner to hook a tape on


class Furniture(msgspec.Struct, frozen=True, kw_only=True):
    """Objects, hazards and openings with what has to be said about them."""

    objects: tuple[SiteObject, ...] = ()
    point_hazards: tuple[SiteObject, ...] = ()
    openings: tuple[Opening, ...] = ()
    warnings: tuple[Reason, ...] = ()


def furniture_of(survey: Survey, walls: Sequence[FittedLine]) -> Furniture:
    """Gather objects, openings and single points no hole may meet."""
    warnings: list[Reason] = []
    objects = tuple(made for line in lines_of(survey, "OBJECT") for made in _objects(line, warnings))
    hazards = tuple(
        _round(point, "r", POINT_REACH, warnings, ask=False)
        for code in ("DRAIN", "UTILITY", "JOINT")
        for line in lines_of(survey, code)
        if len(line.points) == 1
        for point in line.points
    )
    openings = tuple(made for code in ("DOOR", "WINDOW") for line in lines_of(survey, code) for made in _openings(line, walls, warnings))
    return Furniture(objects=objects, point_hazards=hazards, openings=openings, warnings=tuple(warnings))


def marks_of(survey: Survey, walls: Sequence[FittedLine]) -> tuple[Mark, ...]:
    """Return the MARK points, and the corners of walls as fitted."""
    marks = [Mark(name=point.point, kind="mark", place=point.place, elev=point.elev, sigma=_sigma(point)) for point in standing(survey, "MARK")]
    for wall in walls:
        stations = wall.chain.piece_stations()
        inner = range(len(wall.chain)) if wall.chain.closed else range(1, len(wall.chain))
        for number, vertex in enumerate((one for one in inner if _turns(wall.chain, one)), 1):
            sigma = max(wall.sigma_at(max(stations[vertex] - 1e-6, 0.0)), wall.sigma_at(stations[vertex] + 1e-6))
            marks.append(Mark(name=f"WALL{wall.line}-{number}", kind="wall-corner", place=wall.chain.vertices[vertex], sigma=sigma))
    return tuple(marks)


def gates_of(job: Job, survey: Survey) -> tuple[tuple[GateWish, ...], tuple[Reason, ...]]:
    """Return the wanted gates: every GATE shot, and every gate the job asks for near a point."""
    warnings: list[Reason] = []
    wishes = {point.point: GateWish(name=point.point, place=point.place, leaf=_length(point, "leaf", warnings)) for point in standing(survey, "GATE")}
    known = {point.point: point for point in survey.points if point.state != "rejected"}
    for gate in job.options.gate:
        place = known.get(gate.near)
        if place is None:
            warnings.append(_no_such_point(gate.near))
            continue
        before = wishes.get(gate.near)
        leaf = gate.leaf if gate.leaf is not None else (before.leaf if before else None)
        wishes[gate.near] = GateWish(name=gate.near, place=place.place, leaf=leaf)
    return tuple(wishes.values()), tuple(warnings)


def ends_of(survey: Survey) -> tuple[Point | None, Point | None]:
    """Return the START and END shots, where there are any (the last one shot of each)."""
    starts, ends = standing(survey, "START"), standing(survey, "END")
    return (starts[-1].place if starts else None, ends[-1].place if ends else None)


def circle(place: Point, radius: float) -> Chain:
    """Return a circle [m] as two half arcs, counter-clockwise."""
    return Chain(((place[0] - radius, place[1]), (place[0] + radius, place[1])), (QUARTER, QUARTER), True)


def _objects(line: Line, warnings: list[Reason]) -> list[SiteObject]:
    """Return a closed line as one object; single shots, or shots with a radius, each as a circle."""
    rounded = [point for point in line.points if "r=" in point.remark.replace(" ", "").lower()]
    others = [point for point in line.points if point not in rounded]
    made = [_round(point, "r", UNKNOWN_REACH, warnings, ask=True) for point in rounded]
    if len(others) < 3:
        return made + [_round(point, "r", UNKNOWN_REACH, warnings, ask=True) for point in others]
    row = fitted(msgspec.structs.replace(line, points=tuple(others)))
    if row is None:
        return made
    heights = [height for point in others if (height := _length(point, "h", warnings)) is not None]
    remark = "; ".join(dict.fromkeys(point.remark for point in others if point.remark))
    made.append(
        SiteObject(
            name=line.name,
            outline=row.line.chain,
            height=max(heights) if heights else None,
            remark=remark,
            sigma=max(row.line.sigma_normals),
            sigma_stations=row.line.sigma_stations,
            sigma_normals=row.line.sigma_normals,
        )
    )
    return made


def _round(point: SurveyPoint, name: str, otherwise: float, warnings: list[Reason], *, ask: bool) -> SiteObject:
    radius = _length(point, name, warnings)
    if radius is None and ask:
        warnings.append(_no_radius(point))
    return SiteObject(
        name=point.point,
        outline=circle(point.place, radius if radius else otherwise),
        height=_length(point, "h", warnings),
        remark=f"{point.code} {point.remark}".strip(),
        sigma=_sigma(point),
    )


def _openings(line: Line, walls: Sequence[FittedLine], warnings: list[Reason]) -> list[Opening]:
    """Return the openings of one line: its shots in pairs of jambs."""
    pairs = list(zip(line.points[::2], line.points[1::2], strict=False))
    if len(line.points) % 2:
        warnings.append(_odd_jamb(line))
    made = []
    for number, (first, second) in enumerate(pairs):
        wall = _wall_of((first.place, second.place), walls)
        if wall is None:
            warnings.append(_no_wall(line, first))
        sills = [sill for point in (first, second) if (sill := _length(point, "sill", warnings)) is not None]
        made.append(
            Opening(
                kind="DOOR" if line.code == "DOOR" else "WINDOW",
                line=line.line if number == 0 else f"{line.line}{chr(ord('a') + number)}",
                jambs=(first.place, second.place),
                wall=wall or "",
                sill=min(sills) if sills else None,
            )
        )
    return made


def _wall_of(jambs: tuple[Point, Point], walls: Sequence[FittedLine]) -> str | None:
    """Return the line of the wall both jambs stand in ("" is the name of the first); None where there is none."""
    reach = [(max(wall.chain.nearest(jamb)[1] for jamb in jambs), wall.line) for wall in walls]
    best = min(reach, default=(math.inf, ""))
    return best[1] if best[0] <= WALL_REACH else None


def _turns(chain: Chain, vertex: int) -> bool:
    before = chain.piece((vertex - 1) % len(chain))
    turn = chain.piece(vertex).direction_at(0.0) - before.direction_at(before.length)
    return abs(math.remainder(turn, 2 * math.pi)) > SQUARE_CORNER


def _sigma(point: SurveyPoint) -> float:
    return math.sqrt((point.sigma_east**2 + point.sigma_north**2) / 2)


def _length(point: SurveyPoint, name: str, warnings: list[Reason]) -> float | None:
    try:
        return length_in(point.remark, name)
    except ValueError as fault:
        reason = Reason(
            ref="remark-length",
            what=f"point {point.point}: `{name}=` in the remark cannot be read: {fault}",
            why="it is taken as not given",
            file=point.file,
            line=point.row or None,
            do=f"write it with its unit, like {name}=18in",
        )
        if reason not in warnings:
            warnings.append(reason)
        return None


def _no_radius(point: SurveyPoint) -> Reason:
    return Reason(
        ref="object-without-radius",
        what=f"object {point.point} is one shot without `r=` in its remark",
        why=f"its size is not known; a radius of {UNKNOWN_REACH * 1000:.0f} mm is assumed",
        file=point.file,
        line=point.row or None,
        do="add r= to the remark, or shoot the object's outline; check the distance on site",
    )


def _odd_jamb(line: Line) -> Reason:
    last = line.points[-1]
    return Reason(
        ref="jamb-alone",
        what=f"{line.name}: {len(line.points)} shots, but an opening has two jambs",
        why=f"point {last.point} has no partner and is left out",
        file=last.file,
        line=last.row or None,
        do="shoot both jambs of each opening",
    )


def _no_wall(line: Line, point: SurveyPoint) -> Reason:
    return Reason(
        ref="opening-without-wall",
        what=f"{line.name} at point {point.point} stands in no surveyed wall",
        why=f"no WALL line passes within {WALL_REACH * 1000:.0f} mm of both jambs, so the opening cannot be checked with its wall",
        file=point.file,
        line=point.row or None,
        do="shoot the wall the opening stands in, or check the opening on site",
    )


def _no_such_point(near: str) -> Reason:
    return Reason(
        ref="gate-point-unknown",
        what=f"[[gate]] near = {near!r}: the survey has no such point",
        why="the gate is left out",
        file="job.toml",
        do="name a surveyed point, or shoot the middle of the gate as GATE",
    )
