"""A second total station's raw shots: each setup brought onto the marks it sees, each hole's coordinates from there."""

from __future__ import annotations

import cmath
import math
import re
from collections.abc import Mapping, Sequence
from typing import Final

import msgspec

from pipeline.drilling.table import Line, fault
from pipeline.errors import JobError, Reason, SurveyError
from pipeline.geometry.chain import Point
from pipeline.units import tidy

COLUMNS: Final = {
    "setup": ("setup",),
    "target": ("target",),
    "face": ("face",),
    "hi": ("hi",),
    "ht": ("ht",),
    "hz_deg": ("hz_deg", "hz"),
    "zenith_deg": ("zenith_deg", "zenith", "v_deg"),
    "slope_dist": ("slope_dist", "sd"),
    "code": ("code",),
    "remark": ("remark", "note"),
}
UNFIT: Final = 0.020  # [m] a mark that fits its setup worse was moved, or is another one
APART: Final = 0.015  # [m] two shots of one hole farther apart are of two holes
READ_TO: Final = 0.0025  # [m] what a place from whole millimetres and seconds is read to, with its setup's own rounding
LONGEST: Final = 500.0  # [m] of a shot on a pool's deck
_NUMBER: Final = re.compile(r"^-?\d+(?:[.,]\d*)?$")
_SEXAGESIMAL: Final = re.compile(r"^(\d{1,3})[-°d:\s]\s*(\d{1,2})[-'m:\s]\s*(\d{1,2}(?:\.\d*)?)[\"s]?$")


class Shot(msgspec.Struct, frozen=True):
    """One shot, both faces made one: its setup, target, direction [rad], level distance [m] and line."""

    setup: str
    target: str
    direction: float
    level: float
    row: int

    @property
    def local(self) -> complex:
        """East and north from the setup, in the instrument's own orientation [m]."""
        return complex(self.level * math.sin(self.direction), self.level * math.cos(self.direction))


def shots_of(lines: Sequence[Line], unit: float, file: str) -> tuple[Shot, ...]:
    """Return the shots of a file; `unit` is its slope distances' [m].

    Raises
    ------
    JobError
        With every line that is no shot.
    """
    faults, shots = list[Reason](), []
    for line in lines:
        try:
            shots.append(_shot(line, unit))
        except ValueError as wrong:
            do = "give setup, target, hz_deg, zenith_deg and slope_dist; angles as 123.4567 or 123-27-24"
            faults.append(fault(file, line.row, f"is no shot: {wrong}", do))
    if faults:
        raise JobError(faults)
    return tuple(shots)


def places_of(shots: Sequence[Shot], marks: Mapping[str, Point], file: str) -> dict[str, Point]:
    """Return where the shots have their targets, marks left out [m].

    Raises
    ------
    SurveyError
        When a setup sees too few marks, a mark does not fit the others, or two shots of a hole do not fit each other.

    Notes
    -----
    Turn and place of a setup are those that bring what it saw of the marks onto them with the least squares: with z the marks seen and w the marks, both about
    their means, the turn is the argument of sum(w conj(z)) (a rigid motion of the plane, without scale; own derivation).
    """
    faults, seen = list[Reason](), dict[str, list[tuple[complex, int]]]()
    for setup in dict.fromkeys(shot.setup for shot in shots):
        own = [shot for shot in shots if shot.setup == setup]
        pairs = [(shot.local, complex(*marks[shot.target]), shot) for shot in own if shot.target in marks]
        known = [(z, w) for z, w, _ in pairs] + ([(0j, complex(*marks[setup]))] if setup in marks else [])
        if len({w for _, w in known}) < 2:
            do = "shoot two marks from every setup, or stand on one and shoot another"
            faults.append(fault(file, own[0].row, f"setup {setup} sees {len({w for _, w in known})} of the survey's marks", do))
            continue
        turn, shift = _motion(known)
        faults += [_unfit(file, shot, abs(z * turn + shift - w)) for z, w, shot in pairs if abs(z * turn + shift - w) > UNFIT]
        for shot in own:
            if shot.target not in marks:
                seen.setdefault(shot.target, []).append((shot.local * turn + shift, shot.row))
    faults += [
        fault(file, row, f"{target} was shot at places {abs(place - places[0][0]):.3f} m apart", "was one of them another hole?")
        for target, places in seen.items()
        for place, row in places[1:]
        if abs(place - places[0][0]) > APART
    ]
    if faults:
        raise SurveyError(faults)
    means = {target: sum(place for place, _ in places) / len(places) for target, places in seen.items()}
    return {target: (mean.real, mean.imag) for target, mean in means.items()}


def _motion(known: Sequence[tuple[complex, complex]]) -> tuple[complex, complex]:
    """Return turn and shift that bring what was seen onto what is known."""
    seen, there = (sum(side) / len(known) for side in zip(*known, strict=True))
    turned = sum((w - there) * (z - seen).conjugate() for z, w in known)
    turn = cmath.rect(1.0, cmath.phase(turned))
    return turn, there - seen * turn


def _unfit(file: str, shot: Shot, off: float) -> Reason:
    do = "look whether the mark was moved, or is another one; shoot it again"
    return fault(file, shot.row, f"mark {shot.target} lies {off * 1000:.0f} mm off where setup {shot.setup} sees it", do)


def _shot(line: Line, unit: float) -> Shot:
    cells = line.cells
    setup, target = cells.get("setup", ""), cells.get("target", "")
    if not setup or not target:
        raise ValueError("it names no setup or no target")
    direction, zenith = _angle(cells.get("hz_deg", "")), _angle(cells["zenith_deg"]) if "zenith_deg" in cells else math.pi / 2
    slope = cells.get("slope_dist", "")
    if not _NUMBER.match(slope):
        raise ValueError(f"slope_dist {slope[:20]!r} is no number")
    level = float(slope.replace(",", ".")) * unit * abs(math.sin(zenith))
    if not 0.0 < level <= LONGEST:
        raise ValueError(f"{level:.1f} m is no distance on a deck")
    if cells.get("face") == "2" or zenith > math.pi:
        direction += math.pi
    return Shot(setup, target, direction % (2 * math.pi), level, line.row)


def _angle(text: str) -> float:
    """Return an angle of decimal degrees, or degrees, minutes and seconds [rad]."""
    plain = tidy(text)
    if _NUMBER.match(plain) and len(plain) < 30:
        return math.radians(float(plain.replace(",", ".")))
    found = _SEXAGESIMAL.match(plain)
    if not found or int(found[2]) > 59 or float(found[3]) >= 60:
        raise ValueError(f"{text[:20]!r} is no angle")
    return math.radians(int(found[1]) + int(found[2]) / 60 + float(found[3]) / 3600)
