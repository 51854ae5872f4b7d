"""Paper sizes, the standard scales of the trade, and the frame every sheet has."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Final, Literal

import msgspec

from pipeline.drawings.ink import BROAD, FINE, Area, Mark, Stroke, Words, box, fitted, in_lines
from pipeline.geometry.chain import Point
from pipeline.model.shop import Paper
from pipeline.units import FOOT, INCH, ReportUnits

SIZES: Final[dict[Paper, tuple[float, float]]] = {"letter": (215.9, 279.4), "a4": (210.0, 297.0)}  # [mm], ANSI Y14.1 A, ISO 216
MARGIN: Final = 11.0  # [mm] no office printer needs more
STRIP: Final = 19.0  # [mm] height of the title strip at the foot
GAP: Final = 3.0  # [mm]
_STRIP_CAPS: Final = ((2.2, 1), (1.8, 1), (1.5, 1), (1.6, 2), (1.2, 3))  # capitals of the strip's titles [mm], and how many lines of them

Orientation = Literal["upright", "lying"]


class Scale(msgspec.Struct, frozen=True):
    """A standard scale: how it is written, and how many times larger the site is than the sheet."""

    name: str
    ratio: float


INCH_SCALES: Final = (
    Scale('6" = 1\'-0"', 2), Scale('3" = 1\'-0"', 4), Scale('1-1/2" = 1\'-0"', 8), Scale('1" = 1\'-0"', 12), Scale('3/4" = 1\'-0"', 16),
    Scale('1/2" = 1\'-0"', 24), Scale('3/8" = 1\'-0"', 32), Scale('1/4" = 1\'-0"', 48), Scale('3/16" = 1\'-0"', 64), Scale('1/8" = 1\'-0"', 96),
    Scale('1" = 10\'', 120), Scale('3/32" = 1\'-0"', 128), Scale('1/16" = 1\'-0"', 192), Scale('1" = 20\'', 240), Scale('1" = 30\'', 360), Scale('1/32" = 1\'-0"', 384), Scale('1" = 40\'', 480),
    Scale('1" = 50\'', 600), Scale('1" = 60\'', 720),
    Scale('1" = 100\'', 1200), Scale('1" = 200\'', 2400), Scale('1" = 500\'', 6000),
)  # fmt: skip  # architects' and engineers' scales
METRIC_SCALES: Final = tuple(
    Scale(f"1:{ratio}", ratio) for ratio in (2, 5, 10, 20, 25, 50, 75, 100, 125, 150, 200, 250, 300, 400, 500, 1000, 2000, 5000)
)


class SheetFacts(msgspec.Struct, frozen=True, kw_only=True):
    """What every sheet of a job says about the job.

    `earlier` are the (number, content) of the revisions before; `as_drilled` says that the holes were measured after drilling.
    """

    title: str
    job: str
    shop: str
    due: str
    revision: int
    content: str
    rules: str
    units: ReportUnits
    paper: Paper
    verdict: str
    earlier: tuple[tuple[int, str], ...] = ()
    as_drilled: bool = False

    @property
    def mark(self) -> str:
        """The revision as sheets carry it."""
        return f"{self.revision}, as drilled" if self.as_drilled else f"{self.revision}"

    @property
    def complies(self) -> bool:
        return self.verdict != "does not comply"


class Frame(msgspec.Struct, frozen=True):
    """A sheet: its size, and the room for drawing inside margins and above the title strip [mm]."""

    width: float
    height: float

    @property
    def left(self) -> float:
        return MARGIN

    @property
    def right(self) -> float:
        return self.width - MARGIN

    @property
    def top(self) -> float:
        return self.height - MARGIN

    @property
    def bottom(self) -> float:
        return MARGIN + STRIP + GAP

    @property
    def room(self) -> tuple[float, float]:
        """(width, height) of the drawing area [mm]"""
        return (self.right - self.left, self.top - self.bottom)

    @property
    def centre(self) -> Point:
        return ((self.left + self.right) / 2, (self.bottom + self.top) / 2)


def frame_of(paper: Paper, orientation: Orientation = "upright") -> Frame:
    """Return an empty sheet."""
    width, height = SIZES[paper]
    return Frame(width, height) if orientation == "upright" else Frame(height, width)


def scales_of(units: ReportUnits) -> tuple[Scale, ...]:
    """Return the standard scales of a system of units, largest first."""
    return INCH_SCALES if units == "inch" else METRIC_SCALES


def largest_scale(size: Point, room: tuple[float, float], units: ReportUnits, *, least_ratio: float = 0.0) -> Scale:
    """Return the largest standard scale at which something of `size` [m] fits in `room` [mm], never larger than `least_ratio`."""
    needed = max(size[0] * 1000 / room[0], size[1] * 1000 / room[1], least_ratio)
    for scale in scales_of(units):
        if scale.ratio >= needed * (1 - 1e-9):
            return scale
    return Scale(f"1:{math.ceil(needed / 1000) * 1000}", math.ceil(needed / 1000) * 1000)


def title_strip(frame: Frame, facts: SheetFacts, sheet: str, scale: str) -> tuple[Mark, ...]:
    """Return the strip at the foot of a sheet: job, sheet, scale, revision, rules, and what decides."""
    x, y, width = frame.left, MARGIN, frame.right - frame.left
    cells = _cells(width)
    marks: list[Mark] = [Stroke(points=((x, y + STRIP), (x + width, y + STRIP)), width=BROAD)]
    marks.append(Stroke(points=((x, y), (x + width, y)), width=FINE))
    rows = (
        (("Job", f"{facts.title}", True), ("", f"{facts.job} · {facts.shop}", False)),
        (("Sheet", sheet, True), ("", f"Scale {scale}" if scale else "", False)),
        (("Revision", facts.mark, True), ("", f"due {facts.due}" if facts.due else f"content {facts.content[:8]}", False)),
        (("Rules", facts.rules, True), ("", "feet and inches to 1/16" if facts.units == "inch" else "millimetres", False)),
    )
    for (start, room), cell in zip(cells, rows, strict=True):
        marks += _cell(x + start, y, room, cell)
    return (*marks, *_verdict_line(x, y, width, facts))


def _cells(width: float) -> tuple[tuple[float, float], ...]:
    shares = (0.37, 0.25, 0.14, 0.24)
    starts = [sum(shares[:index]) * width for index in range(4)]
    return tuple((start, share * width - 3.5) for start, share in zip(starts, shares, strict=True))


def _cell(x: float, y: float, room: float, rows: tuple[tuple[str, str, bool], ...]) -> list[Mark]:
    (label, first, _), (_, second, _) = rows
    lines, cap = in_lines(first, room, _STRIP_CAPS, bold=True)
    high = STRIP - 6.7 if len(lines) == 1 else STRIP - 3.4 - cap
    marks: list[Mark] = [Words(text=label, at=(x, y + STRIP - 2.4), cap=1.4, grey=0.3)]
    marks += [Words(text=line, at=(x, y + high - row * (cap + 0.7)), cap=cap, bold=True) for row, line in enumerate(lines)]
    return [*marks, Words(text=fitted(second, room, 1.5), at=(x, y + STRIP - 10.4), cap=1.5)]


def _verdict_line(x: float, y: float, width: float, facts: SheetFacts) -> list[Mark]:
    note = "Local codes, the authority having jurisdiction and licensed practice decide. This fence replaces no supervision."
    if facts.complies:
        return [Words(text=fitted(note, width, 1.5), at=(x, y + 2.4), cap=1.5)]
    stamp = "DOES NOT COMPLY"
    return [
        Area(points=((x, y + 1.0), (x + 40.0, y + 1.0), (x + 40.0, y + 6.2), (x, y + 6.2))),
        Words(text=stamp, at=(x + 20.0, y + 3.6), cap=2.4, bold=True, align="centre", middle=True, grey=1.0),
        Words(text=fitted(note, width - 43, 1.5), at=(x + 43.0, y + 2.4), cap=1.5),
    ]


def revision_table(x: float, y: float, facts: SheetFacts) -> tuple[Mark, ...]:
    """Return the table of the last revisions, newest on top, its lower left at (x, y) [mm], 9 mm high and 48 mm wide."""
    rows = [
        (facts.revision, facts.content, "as drilled" if facts.as_drilled else "this one"),
        *((number, content, "") for number, content in reversed(facts.earlier)),
    ][:2]
    marks: list[Mark] = [Stroke(points=((x, y + 6.6), (x + 48.0, y + 6.6)), width=FINE)]
    for column, head in ((0.0, "revision"), (14.0, "content"), (34.0, "")):
        marks.append(Words(text=head, at=(x + column, y + 7.4), cap=1.3, grey=0.3))
    for row, (number, content, note) in enumerate(rows):
        for column, text in ((0.0, str(number)), (14.0, content[:8]), (34.0, note)):
            marks.append(Words(text=text, at=(x + column, y + 4.2 - 3.0 * row), cap=1.5))
    return tuple(marks)


def scale_bar(x: float, y: float, scale: Scale, units: ReportUnits) -> tuple[Mark, ...]:
    """Return a scale bar of four equal parts, about 50 mm long, with its lower left end at (x, y) [mm]."""
    step, label = _bar_step(scale, units)
    part = step * 1000 / scale.ratio
    marks: list[Mark] = [box(x, y, 4 * part, 1.6, width=FINE)]
    for index in (0, 2):
        left = x + index * part
        marks.append(Area(points=((left, y), (left + part, y), (left + part, y + 1.6), (left, y + 1.6))))
    for index in (0, 2, 4):
        marks.append(Words(text=label(index), at=(x + index * part, y + 2.6), cap=1.5, align="centre"))
    return tuple(marks)


def _bar_step(scale: Scale, units: ReportUnits) -> tuple[float, Callable[[int], str]]:
    """Return the length of one part of the bar [m] and what prints a multiple of it."""
    if units == "inch":
        steps = [INCH, 3 * INCH, 6 * INCH, *(FOOT * value for value in (1, 2, 5, 10, 20, 50, 100, 200))]
        step = min(steps, key=lambda value: abs(math.log(value * 4000 / scale.ratio / 48)))
        if step < FOOT:
            return step, lambda index: f'{index * step / INCH:.0f}"'
        return step, lambda index: f"{index * step / FOOT:.0f}'"
    steps = [0.01, 0.02, 0.05, 0.1, 0.2, 0.5, 1.0, 2.0, 5.0, 10.0, 20.0, 50.0]
    step = min(steps, key=lambda value: abs(math.log(value * 4000 / scale.ratio / 48)))
    if step < 0.5:
        return step, lambda index: f"{index * step * 1000:.0f} mm"
    return step, lambda index: f"{index * step:g} m"


def north_arrow(x: float, y: float, turn: float = 0.0) -> tuple[Mark, ...]:
    """Return a north arrow 9 mm high about the middle (x, y) [mm], turned as the site is on its sheet [rad], with an upright N beyond its tip."""
    cosine, sine = math.cos(turn), math.sin(turn)

    def at(across: float, up: float) -> Point:
        return (x + across * cosine - up * sine, y + across * sine + up * cosine)

    letter = at(0.0, 6.3)
    return (
        Area(points=(at(0.0, 4.5), at(-2.0, -1.1), at(0.0, 0.1))),
        Stroke(points=(at(0.0, 4.5), at(2.0, -1.1), at(0.0, 0.1)), closed=True, width=FINE),
        Stroke(points=(at(0.0, -4.5), at(0.0, 0.1)), width=FINE),
        Words(text="N", at=letter, cap=1.9, bold=True, align="centre", middle=True),
    )
