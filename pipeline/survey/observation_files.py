"""The form `observations`: raw total-station shots with a header, one pointing a line."""

from __future__ import annotations

import math
import re
from collections.abc import Mapping, Sequence
from typing import Final

import msgspec

from pipeline.errors import Reason
from pipeline.survey.decoding import numbered_lines
from pipeline.survey.delimited import header_places, split_line
from pipeline.survey.field_book import Page, Quarantined, Shot
from pipeline.survey.point_files import quarantine, refuse_too_many
from pipeline.survey.quantities import angle, is_number, number, tape_length
from pipeline.survey.refusals import refusal
from pipeline.units import MILLIMETRE, UnitName

SECOND: Final = math.pi / 648000  # [rad]
_COLUMNS: Final = (
    "setup",
    "target",
    "face",
    "hi",
    "ht",
    "hz_deg",
    "zenith_deg",
    "slope_dist",
    "code",
    "remark",
    "sigma_hz_sec",
    "sigma_zenith_sec",
    "sigma_dist_mm",
)
LEAST_FOR_NOTATION: Final = 10  # angles needed to tell a notation: by chance all minutes and seconds stay below 60 once in 25,000 then
STEEPEST: Final = math.radians(50)  # from level, of the middle one of a survey's zenith angles


def read_shots(text: str, file: str, unit: UnitName, most: int) -> Page:
    """Read a file of shots; lengths without a unit stand in `unit`, `most` is the limit of their count.

    Raises
    ------
    SurveyError
        When the angles are of another kind than degrees from the zenith.
    """
    lines = numbered_lines(text)
    refuse_too_many(len(lines), most, file, "observations")
    delimiter, places = header_places(lines[0][1])
    shots: list[Shot] = []
    quarantined: list[Quarantined] = []
    written: list[str] = []
    for row, line in lines[1:]:
        fields = split_line(line, delimiter)
        try:
            shots.append(_shot(fields, places, unit, file, row))
            written.append(_cell(fields, places, "hz_deg"))
        except ValueError as fault:
            quarantined.append(quarantine(file, row, line, str(fault)))
    _refuse_other_angles(shots, written, file)
    shots, warnings = _faces_by_zenith(shots, file)
    return Page(file=file, form="observations", shots=tuple(shots), quarantined=tuple(quarantined), warnings=tuple(warnings))


def _cell(fields: Sequence[str], places: Mapping[str, int], name: str) -> str:
    place = places.get(name, -1)
    return fields[place].strip() if 0 <= place < len(fields) else ""


def _shot(fields: Sequence[str], places: Mapping[str, int], unit: UnitName, file: str, row: int) -> Shot:
    cells = {name: _cell(fields, places, name) for name in _COLUMNS}
    setup, target, face = cells["setup"], cells["target"], cells["face"]
    if not setup or not target:
        raise ValueError("setup or target is missing")
    if setup == target:
        raise ValueError("setup and target are the same point")
    if face not in ("", "1", "2"):
        raise ValueError(f"face is {face[:20]!r}, it can be 1, 2 or empty")
    hz, slope = _angle(cells["hz_deg"]), _length(cells["slope_dist"], unit)
    if hz is None and slope is None:
        raise ValueError("neither a direction nor a distance was measured")
    if slope is not None and slope <= 0:
        raise ValueError(f"a distance of {cells['slope_dist']!r} is none")
    code, remark = cells["code"], cells["remark"]
    return Shot(
        setup=setup[:64],
        target=target[:64],
        face=int(face) if face else None,
        hi=_length(cells["hi"], unit),
        ht=_length(cells["ht"], unit),
        hz=hz,
        zenith=_angle(cells["zenith_deg"]),
        slope=slope,
        sigma_hz=_sigma(cells["sigma_hz_sec"], SECOND),
        sigma_zenith=_sigma(cells["sigma_zenith_sec"], SECOND),
        sigma_dist=_sigma(cells["sigma_dist_mm"], MILLIMETRE),
        description=f"{code} / {remark}" if remark and "/" not in code else f"{code} {remark}".strip(),
        file=file,
        row=row,
    )


def _length(text: str, unit: UnitName) -> float | None:
    return tape_length(text, unit) if text else None


def _angle(text: str) -> float | None:
    return angle(text) if text else None


def _sigma(text: str, scale: float) -> float | None:
    if not text:
        return None
    value = number(text) * scale
    if value <= 0:
        raise ValueError(f"a standard deviation of {text!r} is none")
    return value


def _faces_by_zenith(shots: Sequence[Shot], file: str) -> tuple[list[Shot], list[Reason]]:
    """Tell each shot's face by its zenith reading, where it has one; the circle cannot be mistaken, the cell can."""
    out, wrong = [], []
    for shot in shots:
        told = shot.face
        if shot.zenith is not None:
            told = 2 if shot.zenith % (2 * math.pi) > math.pi else 1
            if shot.face is not None and shot.face != told:
                wrong.append(shot.row)
        out.append(msgspec.structs.replace(shot, face=told or 1))
    if not wrong:
        return out, []
    shown = ", ".join(map(str, wrong[:10]))
    warning = Reason(
        ref="face-against-zenith",
        what=f"the face written in {'line' if len(wrong) == 1 else 'lines'} {shown} is not the face of the zenith angle there",
        why="a zenith angle beyond 180 degrees is read on face 2; the angle was believed",
        file=file,
        line=wrong[0],
        do="put the face column right",
    )
    return out, [warning]


def _refuse_other_angles(shots: Sequence[Shot], written: Sequence[str], file: str) -> None:
    """Raise when the angles are elevation angles, gon, or degrees, minutes and seconds packed into a decimal."""
    zeniths = sorted(min(shot.zenith % (2 * math.pi), -shot.zenith % (2 * math.pi)) for shot in shots if shot.zenith is not None)
    packed = [text for text in written if re.fullmatch(r"\d{1,3}\.\d{4,}", text)]
    decimals = [text for text in written if is_number(text, comma=True)]
    turns = [float(text.replace(",", ".")) for text in decimals]
    if any(turn > 360 for turn in turns) and max(turns) <= 400:
        raise _other_angles(file, "hz_deg", f"directions up to {max(turns):.4f}", "gon (400 to the circle)", "export the angles in degrees")
    middle = zeniths[len(zeniths) // 2] if zeniths else math.pi / 2
    if middle < math.pi / 2 - STEEPEST:
        raise _other_angles(
            file,
            "zenith_deg",
            f"zenith angles about {math.degrees(middle):.1f} degrees",
            "elevation angles (0 at the horizon)",
            "export zenith angles: 90 degrees at the horizon",
        )
    if len(packed) >= max(LEAST_FOR_NOTATION, len(decimals) // 2) and all(_could_be_packed(text) for text in packed):
        raise _other_angles(
            file,
            "hz_deg",
            f"angles like {packed[0]}, in all of which the decimals could be minutes and seconds",
            "DDD.MMSS: degrees, minutes and seconds written as one decimal number",
            "export decimal degrees, or DDD-MM-SS.s",
        )


def _could_be_packed(text: str) -> bool:
    decimals = text.split(".")[1]
    return int(decimals[:2]) < 60 and int(decimals[2:4]) < 60


def _other_angles(file: str, column: str, seen: str, likely: str, cure: str) -> Exception:
    return refusal(
        "angle-notation",
        f"{column} holds {seen}",
        why=f"likely {likely}; read as degrees every point would be wrong",
        file=file,
        do=cure,
    )
