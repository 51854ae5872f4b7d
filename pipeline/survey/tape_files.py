"""The form `tape`: distances between named points, and height differences, one a line."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Literal

from pipeline.survey.decoding import numbered_lines
from pipeline.survey.delimited import header_places, split_line
from pipeline.survey.field_book import Page, Quarantined, Tie
from pipeline.survey.point_files import quarantine, refuse_too_many
from pipeline.survey.quantities import number, tape_length
from pipeline.units import MILLIMETRE, UnitName

_SIDES: Mapping[str, Literal["", "left", "right"]] = {"": "", "left": "left", "l": "left", "right": "right", "r": "right"}


def read_ties(text: str, file: str, unit: UnitName, most: int) -> Page:
    """Read a file of tape ties; bare numbers stand in `unit`, `most` is the limit of their count."""
    lines = numbered_lines(text)
    refuse_too_many(len(lines), most, file, "observations")
    delimiter, places = header_places(lines[0][1])
    ties: list[Tie] = []
    quarantined: list[Quarantined] = []
    for row, line in lines[1:]:
        try:
            ties.append(_tie(split_line(line, delimiter), places, unit, file, row))
        except ValueError as fault:
            quarantined.append(quarantine(file, row, line, str(fault)))
    return Page(file=file, form="tape", ties=tuple(ties), quarantined=tuple(quarantined))


def _tie(fields: list[str], places: Mapping[str, int], unit: UnitName, file: str, row: int) -> Tie:
    def cell(name: str) -> str:
        place = places.get(name, -1)
        return fields[place] if 0 <= place < len(fields) else ""

    start, end, text = cell("from"), cell("to"), cell("dist")
    if not start or not end:
        raise ValueError("one of the two points is missing")
    if start == end:
        raise ValueError("both ends are the same point")
    side = _SIDES.get(cell("side").lower())
    if side is None:
        raise ValueError(f"side is {cell('side')[:20]!r}, it can be left or right")
    code, remark = cell("code"), cell("remark")
    level = code.upper() == "LEVEL"
    dist = tape_length(text, unit)
    if dist <= 0 and not level:
        raise ValueError(f"a distance of {text!r} is none")
    return Tie(
        start=start[:64],
        end=end[:64],
        dist=dist,
        text=text,
        unit=unit,
        level=level,
        side=side,
        sigma=_sigma(cell("sigma_mm")),
        description="" if level else f"{code} / {remark}" if remark and "/" not in code else f"{code} {remark}".strip(),
        file=file,
        row=row,
    )


def _sigma(text: str) -> float | None:
    if not text:
        return None
    value = number(text) * MILLIMETRE
    if value <= 0:
        raise ValueError(f"a standard deviation of {text!r} mm is none")
    return value
