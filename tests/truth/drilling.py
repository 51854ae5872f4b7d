"""A crew that drills and measures: true holes off their marks by a few millimetres, and the sheet it sends back.

Holes stand where the plan has them, off by a normal error east and north.  The sheet holds what a tape reads of the *true* holes: to the
nearest 1/16 in or whole millimetre, in the job's report units, with the error of holding the tape on two centres.  Slips are put in on purpose.
"""

from __future__ import annotations

import csv
import dataclasses
import io
import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import Literal

from pipeline.geometry.chain import Point
from pipeline.model.layout import Layout
from pipeline.model.survey import Frame
from pipeline.units import METRES_PER
from tests.truth.instruments import DISTANCE_SIGMA, Noise, feet_and_inches

SCATTER = 0.003  # [m] east and north, of a hole set out and drilled
TAPE_HELD = 0.0005  # [m] of a reading over a few feet, both ends on hole centres (common practice, no source); rounding comes on top
TIE_HELD = 0.0015  # [m] of a tie over some metres (common practice, no source)
Form = Literal["to_next", "ties", "total station"]


@dataclass(frozen=True)
class Drilled:
    """The holes as they truly are [m], job-plan coordinates.

    `line` are the holes a post stands in, in walking order, the pockets apart; `remarks` what the crew writes beside a hole.
    """

    layout: Layout
    places: dict[str, Point]
    line: tuple[str, ...]
    remarks: dict[str, str] = field(default_factory=dict)

    def to_next(self, hole: str) -> float | None:
        """True distance to the next hole of the line; None at the end of an open one."""
        index = self.line.index(hole)
        if index + 1 == len(self.line) and not self.layout.closed:
            return None
        return math.dist(self.places[hole], self.places[self.line[(index + 1) % len(self.line)]])


def drill(layout: Layout, seed: int, scatter: float = SCATTER) -> Drilled:
    """Drill every hole of a plan, off by `scatter` [m] east and north."""
    noise = Noise(seed)
    places = {hole.name: (hole.east + noise.normal(scatter), hole.north + noise.normal(scatter)) for hole in layout.holes}
    return Drilled(layout, places, tuple(hole.name for hole in layout.holes if hole.role != "pocket"))


def along(drilled: Drilled, hole: str) -> Point:
    """The unit vector from a hole toward the next one."""
    index = drilled.line.index(hole)
    other = drilled.line[(index + 1) % len(drilled.line)]
    sign = 1.0
    if index + 1 == len(drilled.line) and not drilled.layout.closed:
        other, sign = drilled.line[index - 1], -1.0
    (x0, y0), (x1, y1) = drilled.places[hole], drilled.places[other]
    length = sign * math.hypot(x1 - x0, y1 - y0)
    return ((x1 - x0) / length, (y1 - y0) / length)


def put_off(drilled: Drilled, hole: str, distance: float, turn: float = 0.0) -> Drilled:
    """One hole drilled `distance` [m] off, `turn` [rad] to the left of the walk."""
    east, north = along(drilled, hole)
    step = (math.cos(turn) * east - math.sin(turn) * north, math.sin(turn) * east + math.cos(turn) * north)
    x, y = drilled.places[hole]
    return dataclasses.replace(drilled, places={**drilled.places, hole: (x + distance * step[0], y + distance * step[1])})


def not_drilled(drilled: Drilled, hole: str, remark: str) -> Drilled:
    """One hole that is not there: forgotten, or given up and filled."""
    line = tuple(name for name in drilled.line if name != hole)
    places = {name: place for name, place in drilled.places.items() if name != hole}
    return dataclasses.replace(drilled, places=places, line=line, remarks={**drilled.remarks, hole: remark})


def added(drilled: Drilled, after: str, name: str, place: Point, remark: str) -> Drilled:
    """One hole more, in the line behind `after`."""
    index = drilled.line.index(after) + 1
    line = (*drilled.line[:index], name, *drilled.line[index:])
    return dataclasses.replace(drilled, places={**drilled.places, name: place}, line=line, remarks={**drilled.remarks, name: remark})


Sheet = dict[str, dict[str, float | str]]


def measured(
    drilled: Drilled, form: Form, seed: int, *, marks: Mapping[str, Point] | None = None, held: float | None = None, only: Iterable[str] | None = None
) -> Sheet:
    """What the crew reads of the holes [m], hole by hole; `held` is the error of one reading, `only` the holes measured."""
    noise = Noise(seed)
    sheet: Sheet = {}
    chosen = None if only is None else set(only)
    for name in sorted(drilled.places, key=lambda name: (name not in drilled.line, drilled.line.index(name) if name in drilled.line else 0, name)):
        if chosen is not None and name not in chosen:
            continue
        row = _READ[form](drilled, name, noise, marks or {}, held)
        if row:
            sheet[name] = row
    for name, remark in drilled.remarks.items():
        sheet.setdefault(name, {})["remark"] = remark
    return sheet


def _read_to_next(drilled: Drilled, name: str, noise: Noise, marks: Mapping[str, Point], held: float | None) -> dict[str, float | str]:
    if name not in drilled.line:
        return {}
    length = drilled.to_next(name)
    return {} if length is None else {"to_next": length + noise.normal(TAPE_HELD if held is None else held)}


def _read_ties(drilled: Drilled, name: str, noise: Noise, marks: Mapping[str, Point], held: float | None) -> dict[str, float | str]:
    hole = next((hole for hole in drilled.layout.holes if hole.name == name), None)
    if hole is None or len(hole.ties) < 2:
        return {}
    sigma = TIE_HELD if held is None else held
    return {
        column: math.dist(drilled.places[name], marks[tie.mark]) + noise.normal(sigma)
        for column, tie in zip(("tie_a", "tie_b"), hole.ties, strict=False)
    }


def _read_places(drilled: Drilled, name: str, noise: Noise, marks: Mapping[str, Point], held: float | None) -> dict[str, float | str]:
    sigma = DISTANCE_SIGMA if held is None else held
    east, north = drilled.places[name]
    return {"east": east + noise.normal(sigma), "north": north + noise.normal(sigma)}


_READ = {"to_next": _read_to_next, "ties": _read_ties, "total station": _read_places}


def also_taped(sheet: Sheet, drilled: Drilled, spans: Iterable[tuple[str, str]], seed: int) -> Sheet:
    """The sheet once the crew has taped the distances it was asked for, and written them beside what stands there."""
    noise, more = Noise(seed), dict(sheet)
    for hole, after in spans:
        length = math.dist(drilled.places[hole], drilled.places[after])
        more[hole] = {**more.get(hole, {}), "to_next": length + noise.normal(TAPE_HELD)}
    return more


def with_slip(sheet: Sheet, hole: str, column: str, by: float) -> Sheet:
    """One reading wrong by so much [m]: a foot, six for nine."""
    return {**sheet, hole: {**sheet[hole], column: float(sheet[hole][column]) + by}}


def with_rows_swapped(sheet: Sheet, one: str, other: str) -> Sheet:
    """The readings of two holes written into each other's line."""
    return {name: sheet[other] if name == one else sheet[one] if name == other else row for name, row in sheet.items()}


def written(sheet: Sheet, units: Literal["inch", "mm"], *, frame: Frame | None = None, newline: str = "\n", separator: str = ",") -> str:
    """The sheet as as_drilled.csv: lengths as a tape reads them, coordinates in the survey's own frame and unit."""
    columns = [column for column in ("to_next", "tie_a", "tie_b", "east", "north", "remark") if any(column in row for row in sheet.values())]
    text = io.StringIO()
    writer = csv.writer(text, delimiter=separator, lineterminator=newline)
    writer.writerow(["hole", *columns])
    for name, row in sheet.items():
        lengths = {column: _read(row[column], units) for column in ("to_next", "tie_a", "tie_b") if column in row}
        places = _surveyed(row, frame) if "east" in row and frame is not None else {}
        cells = {**lengths, **places, "remark": str(row.get("remark", ""))}
        writer.writerow([name, *(cells.get(column, "") for column in columns)])
    return text.getvalue()


def _read(value: float | str, units: Literal["inch", "mm"]) -> str:
    return feet_and_inches(float(value)) if units == "inch" else f"{round(float(value) * 1000)}"


def _surveyed(row: Mapping[str, float | str], frame: Frame) -> dict[str, str]:
    east, north = frame.to_survey(float(row["east"]), float(row["north"]))
    return {"east": f"{east / METRES_PER[frame.unit]:.4f}", "north": f"{north / METRES_PER[frame.unit]:.4f}"}
