"""The crew's sheet, as_drilled.csv: what was read of every hole, and what became of it."""

from __future__ import annotations

import math
import re
from collections.abc import Iterable, Mapping, Sequence
from typing import Final, Literal

import msgspec

from pipeline.drilling import shots
from pipeline.drilling.table import Line, fault, heads_of, lines_of, nearest_of
from pipeline.errors import JobError, Reason
from pipeline.geometry.chain import Point
from pipeline.model.survey import Frame
from pipeline.units import INCH, METRES_PER, MILLIMETRE, ReportUnits, parse_length, tidy

FILE: Final = "as_drilled.csv"
COLUMNS: Final = {
    "hole": ("hole", "p", "point", "pt", "name"),
    "to_next": ("to_next", "next"),
    "tie_a": ("tie_a",),
    "tie_b": ("tie_b",),
    "east": ("east", "e", "easting", "x"),
    "north": ("north", "n", "northing", "y"),
    "elev": ("elev", "z", "elevation", "height"),
    "remark": ("remark", "remarks", "note", "d", "desc", "description"),
}
LENGTHS: Final = ("to_next", "tie_a", "tie_b")
LONGEST: Final = 1000.0  # [m] no tape is longer; catches a unit forgotten
Word = Literal["", "moved", "missing", "abandoned"]
# In this order: "moved, old hole filled" is a moved hole, "hit steel" alone an abandoned one.
_WORDS: Final[tuple[tuple[Word, str], ...]] = (
    ("abandoned", r"abandon|given up|gave up"),
    ("moved", r"\bmoved?\b|\bshifted\b"),
    ("missing", r"\bmissing\b|not drilled|not there|to be drilled"),
    ("abandoned", r"\bfilled\b|\bsteel\b|\brebar\b"),
)
_ADDED: Final = re.compile(r"^(?P<base>H\d{3,})(?P<letter>[a-z])$")
_NUMBERED: Final = re.compile(r"^[Hh]?0*(?P<number>\d{1,6})(?P<letter>[A-Za-z]?)$")
_PLAIN: Final = re.compile(r"^\d+(?:[.,](?P<decimals>\d*))?$|^[.,](?P<only>\d+)$")
_FRACTION: Final = re.compile(r"^(?:(\d+)[\s-]+)?(\d+)/(\d+)$")
_COORDINATE: Final = re.compile(r"^[+-]?\d+(?:[.,](?P<decimals>\d*))?$")


class Figure(msgspec.Struct, frozen=True):
    """One figure as written: its value and what it was read to [m]."""

    value: float
    step: float


class SheetRow(msgspec.Struct, frozen=True, kw_only=True):
    """One line of the sheet; what was not measured is None.

    Parameters
    ----------
    hole : str
        A hole of the plan, an added one (H014a), or a mark shot again with the holes.
    to_next, tie_a, tie_b : Figure or None
        [m]
    place : tuple of Figure or None
        East and north in job-plan coordinates [m].
    word : Word
        What the remark says became of the hole.
    remark : str
    row : int
        Line of the file.
    """

    hole: str
    to_next: Figure | None = None
    tie_a: Figure | None = None
    tie_b: Figure | None = None
    place: tuple[Figure, Figure] | None = None
    word: Word = ""
    remark: str = ""
    row: int

    @property
    def measured(self) -> bool:
        return any(cell is not None for cell in (self.to_next, self.tie_a, self.tie_b, self.place))


def read_sheet(content: bytes, holes: Iterable[str], marks: Mapping[str, Point], units: ReportUnits, frame: Frame) -> tuple[SheetRow, ...]:
    r"""Read the sheet of the holes as drilled, in any mix of its forms.

    Parameters
    ----------
    content : bytes
        Of as_drilled.csv.
    holes : iterable of str
        Names of the plan's holes.
    marks : mapping
        The marks that may be shot again [m].
    units : ReportUnits
        Of bare numbers among the lengths.
    frame : Frame
        The survey's: coordinates are in it and its unit.

    Raises
    ------
    JobError
        With every fault of the sheet and its line.
    SurveyError
        When raw shots do not fit the marks.

    Examples
    --------
    >>> read_sheet(b"hole,to_next\nH001,3' 0-1/16\"\n", ["H001"], {}, "inch", Frame())[0].to_next.value / 0.0254
    36.0625
    """
    known = _Names(tuple(holes), tuple(marks))
    if "setup" in heads_of(content):
        return _from_shots(lines_of(content, FILE, shots.COLUMNS, needed=("setup", "target")), known, marks, METRES_PER[frame.unit])
    lines = lines_of(content, FILE, COLUMNS, needed=("hole",))
    faults, rows = list[Reason](), dict[str, SheetRow]()
    for line in lines:
        row = _row(line, known, units, frame, faults)
        if row is None:
            continue
        if row.hole in rows:
            faults.append(_fault(line.row, f"{row.hole} stands in line {rows[row.hole].row} already", "keep one line a hole; was it another hole?"))
        rows.setdefault(row.hole, row)
    if not lines:
        faults.append(_fault(None, "no hole is in it", "write one line a hole that was measured"))
    if faults:
        raise JobError(faults)
    return tuple(rows.values())


def _from_shots(lines: Sequence[Line], known: _Names, marks: Mapping[str, Point], unit: float) -> tuple[SheetRow, ...]:
    """Return the rows of a second total station's raw shots; a line without a shot may hold a remark."""
    named = [msgspec.structs.replace(line, cells={**line.cells, "target": _target(line, known)}) for line in lines]
    faults = [
        _fault(line.row, f"no hole or mark is called {line.cells.get('target', '')[:40]!r}", "targets are holes, as H014, and marks")
        for line, read in zip(lines, named, strict=True)
        if not read.cells["target"]
    ]
    if faults:
        raise JobError(faults)
    places = shots.places_of(shots.shots_of([line for line in named if "hz_deg" in line.cells], unit, FILE), marks, FILE)
    rows: dict[str, SheetRow] = {}
    for line in named:
        hole, remark = line.cells["target"], line.cells.get("remark", "")[:200]
        place = (Figure(places[hole][0], shots.READ_TO), Figure(places[hole][1], shots.READ_TO)) if hole in places else None
        if hole not in marks and (hole not in rows or remark):
            rows[hole] = SheetRow(hole=hole, place=place, word=word_of(remark), remark=remark, row=line.row)
    return tuple(rows.values())


def _target(line: Line, known: _Names) -> str:
    return known.read(line.cells.get("target", ""))


def base_of(added: str) -> str:
    """Return the hole of the plan behind which an added one stands ("H014" of "H014a"); nothing for a name of the plan."""
    found = _ADDED.match(added)
    return found["base"] if found else ""


class _Names(msgspec.Struct, frozen=True):
    holes: tuple[str, ...]
    marks: tuple[str, ...]

    def read(self, cell: str) -> str:
        """Return the name a cell means: a mark, a hole of the plan, or an added one; nothing where it is none."""
        if cell in self.marks or cell in self.holes:
            return cell
        found = _NUMBERED.match(cell)
        if not found:
            return ""
        base = f"H{int(found['number']):03d}"
        return base + found["letter"].lower() if base in self.holes else ""


def _row(line: Line, known: _Names, units: ReportUnits, frame: Frame, faults: list[Reason]) -> SheetRow | None:
    cell = line.cells.get("hole", "")
    hole = known.read(cell)
    if not hole:
        near = nearest_of(cell, [*known.holes, *known.marks])
        faults.append(_fault(line.row, f"no hole or mark is called {cell[:40]!r}", f"{near}holes are H001 and so on; one added behind H014 is H014a"))
        return None
    before = len(faults)
    lengths = {name: _length(line, name, units, faults) for name in LENGTHS}
    place = _place(line, frame, faults)
    remark = line.cells.get("remark", "")[:200]
    row = SheetRow(hole=hole, place=place, word=word_of(remark), remark=remark, row=line.row, **lengths)
    if hole in known.marks and hole not in known.holes and (any(lengths.values()) or place is None):
        faults.append(
            _fault(line.row, f"{hole} is a mark: only its coordinates can be measured again", "give its north and east, or take the line out")
        )
    return row if len(faults) == before else None


def word_of(remark: str) -> Word:
    """Return what a remark says became of the hole.

    Examples
    --------
    >>> word_of("moved 2 in, hit steel"), word_of("hit steel, filled"), word_of("Not drilled yet"), word_of("by the step")
    ('moved', 'abandoned', 'missing', '')
    """
    text = tidy(remark)
    return next((word for word, pattern in _WORDS if re.search(pattern, text)), "")


def _length(line: Line, name: str, units: ReportUnits, faults: list[Reason]) -> Figure | None:
    text = line.cells.get(name, "")
    if not text:
        return None
    try:
        figure = length_figure(text, units)
    except ValueError as wrong:
        faults.append(_fault(line.row, f"{name} {text[:40]!r} is no length: {str(wrong)[:120]}", _how(units)))
        return None
    if not 0 < figure.value <= LONGEST:
        faults.append(_fault(line.row, f"{name} {text[:40]!r} is no distance between holes", _how(units)))
        return None
    return figure


def length_figure(text: str, units: ReportUnits) -> Figure:
    """Read a length as a tape was read: with its unit, in feet, inches and fractions, or a bare number in the report's unit.

    Examples
    --------
    >>> length_figure("914", "mm")
    Figure(value=0.914, step=0.001)
    >>> length_figure("36-1/2", "inch").value / 0.0254
    36.5
    """
    plain = tidy(text)
    if len(plain) > 40:
        raise ValueError("too long")
    unit = INCH if units == "inch" else MILLIMETRE
    number = _PLAIN.match(plain)
    if number:
        decimals = number["decimals"] or number["only"] or ""
        step = unit / 10 ** len(decimals) if decimals or units == "mm" else INCH / 16
        return Figure(float(plain.replace(",", ".")) * unit, max(step, 1e-5))
    fraction = _FRACTION.match(plain)
    if fraction and units == "inch":
        if int(fraction[3]) == 0:
            raise ValueError("a fraction has 0 below the line")
        return Figure((int(fraction[1] or 0) + int(fraction[2]) / int(fraction[3])) * INCH, INCH / 16)
    metric = plain.rstrip(". ").endswith(("m", "meter", "metre", "meters", "metres"))
    return Figure(float(parse_length(plain)), MILLIMETRE if metric else INCH / 16)


def _place(line: Line, frame: Frame, faults: list[Reason]) -> tuple[Figure, Figure] | None:
    texts = {name: line.cells.get(name, "") for name in ("east", "north")}
    if not any(texts.values()):
        return None
    unit = METRES_PER[frame.unit]
    figures = []
    for name, text in texts.items():
        found = _COORDINATE.match(text)
        if not found or len(text) > 30 or not math.isfinite(float(text.replace(",", "."))):
            faults.append(
                _fault(
                    line.row, f"{name} {text[:40]!r} is no coordinate", f"give both, plain numbers in the survey's own frame and unit ({frame.unit})"
                )
            )
            continue
        figures.append(Figure(float(text.replace(",", ".")) * unit, max(unit / 10 ** len(found["decimals"] or ""), 1e-5)))
    if len(figures) < 2:
        return None
    east, north = frame.to_plan(figures[0].value, figures[1].value)
    return Figure(east, figures[0].step), Figure(north, figures[1].step)


def _how(units: ReportUnits) -> str:
    return "write it like 3' 0-1/16\" or 36-1/16" if units == "inch" else "write it in whole millimetres, like 914"


def _fault(row: int | None, what: str, do: str) -> Reason:
    return fault(FILE, row, what, do)
