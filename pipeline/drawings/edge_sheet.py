"""The fit of the water's edge for the inspector: the line, how well it is known, every shot with its residual, and what the fit decided."""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from typing import Final

from pipeline.drawings import plan_names, plan_view
from pipeline.drawings.dossier import Dossier
from pipeline.drawings.ink import FINE, Area, Mark, Ring, Stroke, Words, fitted, wrapped
from pipeline.drawings.label_placing import Bounds, Candidate, Obstacles, place_labels
from pipeline.drawings.pages import TextPart, drawn
from pipeline.drawings.paper import frame_of, largest_scale, north_arrow, scale_bar
from pipeline.drawings.plan import BLUE, SIENNA
from pipeline.drawings.plan_view import View
from pipeline.geometry.chain import Chain, Point
from pipeline.model.site import FittedLine, Residual
from pipeline.units import INCH, MILLIMETRE, ReportUnits, format_length

TITLE: Final = "Fit of the water's edge"
_HEAD: Final = 14.0  # [mm] of the lines that say how the sheet is read
_FOOT: Final = 11.0  # [mm] of the scale bar
_LINE: Final = 2.9  # [mm] from one line of the foot to the next
_CAP: Final = 1.5  # [mm] of words below the drawing
_NUMBER_CAP: Final = 1.4  # [mm] of the numbers of shots
_MOST_LINES: Final = 9  # of what the fit decided; the artifact has all
_ROOM: Final = 13.0  # [mm] round the line for whiskers and numbers
_LONGEST: Final = 8.0  # [mm] of a whisker of a shot the fit rests on
_ASIDE: Final = 9.0  # [mm] of one set aside, which is not to scale
_MAGNIFIED: Final = (1, 2, 5, 10, 20, 25, 50, 75, 100, 150, 200, 250, 300, 400, 500)  # times residuals are drawn larger than the plan
_ARROW: Final = 16.0  # [mm] kept free for the north arrow
_SAGITTA: Final = 0.001  # [m] between an arc and its lines
_STEP: Final = 0.25  # [m] between places the band is drawn through, and
_FEWEST: Final = 8  # of them on each piece
_PIECE_CAP: Final = 1.9  # [mm] of those of pieces
_MOST_DRAWN: Final = 300  # whiskers of one line; of a scan some of its shots
_MOST_NUMBERED: Final = 80  # shots with their numbers, those off by most first
_MOST_PIECES: Final = 24  # of a line whose pieces are numbered; a free curve has many


def edge_part(dossier: Dossier) -> TextPart:
    """Return the page of the fit, turned as the plan is, or a quarter more where that lies on its side."""
    lines, units = dossier.site.waters, dossier.units
    width, height = _room_of(dossier)
    said = _decided(lines, width - _ARROW, units)
    area = (0.0, _FOOT + _LINE * len(said), width, height - _HEAD)
    plan = dossier.plan_sheets[0]
    quarters = (math.pi / 2, -math.pi / 2) if plan.frame.width > plan.frame.height else (0.0,)
    turn = max((plan.view.turn + quarter for quarter in quarters), key=math.cos)  # north as far up as may be
    view = _view([line.chain for line in (*lines, *dossier.site.copings)], area, turn, units)
    times = _times(lines, view)
    marks: list[Mark] = [
        Words(text=text, at=(0.0, height - 3.0 - 3.6 * row), cap=1.9) for row, text in enumerate(wrapped(_how_to_read(lines, times), width, 1.9))
    ]
    for coping in dossier.site.copings:
        marks.append(Stroke(points=_on_sheet(coping.chain, view), width=FINE, dash=(1.6, 1.0), grey=0.4, closed=coping.chain.closed))
    for line in lines:
        marks += _line(line, view, times)
    marks += _numbers(lines, view, times, area, units)
    marks += [Words(text=text, at=(0.0, _FOOT + _LINE * (len(said) - 1 - row)), cap=_CAP, bold=bold) for row, (text, bold) in enumerate(said)]
    marks += [*scale_bar(3.0, 1.0, view.scale, units), Words(text=f"Scale {view.scale.name}", at=(60.0, 1.8), cap=_CAP, middle=True)]
    marks += _residual_bar(95.0, 1.0, view, times, units)
    marks += north_arrow(width - 8.0, 8.0, view.turn)
    return TextPart(TITLE, (drawn(marks, width, height),))


def _room_of(dossier: Dossier) -> tuple[float, float]:
    """Return (width, height) of what may be drawn on a page of text [mm]."""
    width, height = frame_of(dossier.facts.paper).room
    return width, height - 0.5


def _view(chains: Sequence[Chain], area: Bounds, turn: float, units: ReportUnits) -> View:
    """Return the window on all lines at the largest standard scale that leaves room for whiskers and numbers."""
    points = [plan_view.turned((float(x), float(y)), turn) for chain in chains for x, y in chain.densified(0.05)]
    left, bottom, right, top = plan_view.bounds_of(points)
    room = (area[2] - area[0] - 2 * _ROOM, area[3] - area[1] - 2 * _ROOM)
    return View(
        scale=largest_scale((right - left, top - bottom), room, units),
        centre=plan_view.turned(((left + right) / 2, (bottom + top) / 2), -turn),
        middle=((area[0] + area[2]) / 2, (area[1] + area[3]) / 2),
        area=area,
        turn=turn,
    )


def _on_sheet(chain: Chain, view: View) -> tuple[Point, ...]:
    return tuple(view.on_sheet((float(x), float(y))) for x, y in chain.densified(_SAGITTA))


def _times(lines: Sequence[FittedLine], view: View) -> int:
    """Return how many times larger than the plan residuals and band are drawn, so that the longest of them has room."""
    longest = max(max(2 * max(line.sigma_normals), *(abs(row.offset) for row in line.residuals if row.used), 1e-6) for line in lines)
    return max((times for times in _MAGNIFIED if longest * times * 1000 / view.scale.ratio <= _LONGEST), default=_MAGNIFIED[0])


def _how_to_read(lines: Sequence[FittedLine], times: int) -> str:
    aside = any(not row.used for line in lines for row in line.residuals)
    some = " Of very many shots some are drawn." if any(len(_drawn(line)) < len(line.residuals) for line in lines) else ""
    rings = " Rings: shots set aside, on their side of the line but not to scale; how far off is written beside them." if aside else ""
    return (
        "Whiskers: how far each shot lies off the edge as fitted. Grey band: two standard deviations of the edge to either side. "
        f"Both {times} times larger than the plan. Numbers inside: pieces of the edge, as the lines below name them.{some}{rings}"
    )


def _beside(line: FittedLine, station: float, offset: float, view: View, times: float) -> Point:
    """Return where on the sheet [mm] a place `offset` [m] to the left of a line stands, drawn so many times larger."""
    x, y = view.on_sheet(line.chain.point_at(station))
    bearing = line.chain.direction_at(station) + view.turn + math.pi / 2
    away = offset * times * 1000 / view.scale.ratio
    return (x + away * math.cos(bearing), y + away * math.sin(bearing))


def _line(line: FittedLine, view: View, times: float) -> list[Mark]:
    """Return the band, the line, its vertices, and the whisker of every shot."""
    marks: list[Mark] = list(_band(line, view, times))
    marks.append(Stroke(points=_on_sheet(line.chain, view), width=0.35, closed=line.chain.closed, colour=BLUE))
    if len(line.chain) <= _MOST_PIECES:
        marks += [Ring(centre=view.on_sheet(vertex), radius=0.6, width=FINE, fill=1.0) for vertex in line.chain.vertices]
        marks += _piece_numbers(line, view)
    for row in _drawn(line):
        foot, end = _whisker(line, row, view, times)
        marks.append(Stroke(points=(foot, end), width=0.18 if row.used else FINE, colour=SIENNA))
        marks.append(Ring(centre=end, radius=0.35, fill=0.0, width=FINE) if row.used else Ring(centre=end, radius=1.1, width=0.25))
    return marks


def _band(line: FittedLine, view: View, times: float) -> list[Area]:
    """Return the band of two standard deviations, piece by piece."""
    areas, marks = [], line.chain.piece_stations()
    for start, end in itertools.pairwise(marks):
        count = max(_FEWEST, math.ceil((end - start) / _STEP))
        inset = min(1e-4, (end - start) / 10)  # off the vertices, where another piece's direction begins
        stations = [start + inset + (end - start - 2 * inset) * step / count for step in range(count + 1)]
        left = [_beside(line, station, 2 * line.sigma_at(station), view, times) for station in stations]
        right = [_beside(line, station, -2 * line.sigma_at(station), view, times) for station in stations]
        areas.append(Area(points=(*left, *reversed(right)), grey=0.88))
    return areas


def _piece_numbers(line: FittedLine, view: View) -> list[Mark]:
    """Number the pieces inside, as the fit's own words count them: from one on."""
    marks: list[Mark] = []
    for number, start in enumerate(line.chain.piece_stations()[: len(line.chain)], 1):
        middle = start + line.chain.piece(number - 1).length / 2
        x, y = view.on_sheet(line.chain.point_at(middle))
        bearing = line.chain.direction_at(middle) + view.turn + math.pi / 2
        at = (x + (_LONGEST + 2.5) * math.cos(bearing), y + (_LONGEST + 2.5) * math.sin(bearing))
        marks.append(Words(text=str(number), at=at, cap=_PIECE_CAP, bold=True, align="centre", middle=True))
    return marks


def _drawn(line: FittedLine) -> list[Residual]:
    """Return the shots that are drawn: all that were set aside, of the others every one, or every second, third ... of very many."""
    used = [row for row in line.residuals if row.used]
    return [*(row for row in line.residuals if not row.used), *used[:: math.ceil(len(used) / _MOST_DRAWN) or 1]]


def _whisker(line: FittedLine, row: Residual, view: View, times: float) -> tuple[Point, Point]:
    """Return where the whisker of a shot begins on the line and where it ends [mm]; of one set aside the end is not to scale."""
    foot = view.on_sheet(line.chain.point_at(row.station))
    if row.used:
        return foot, _beside(line, row.station, row.offset, view, times)
    return foot, _beside(line, row.station, math.copysign(_ASIDE * view.scale.ratio / 1000, row.offset), view, 1.0)


def _numbers(lines: Sequence[FittedLine], view: View, times: float, area: Bounds, units: ReportUnits) -> list[Mark]:
    """Write the numbers of shots beside their whiskers where there is room: those set aside first, then those off by most."""
    hard, soft = Obstacles(area), Obstacles(area)
    ends = []
    for line in lines:
        hard.add_polyline(_on_sheet(line.chain, view), 0.2)
        for row in _drawn(line):
            foot, end = _whisker(line, row, view, times)
            hard.add_line(foot, end, 0.1)
            ends.append((row, end))
            if not row.used:
                hard.add_box((*end, 1.2, 1.2, 0.0))
        for mark in _piece_numbers(line, view) if len(line.chain) <= _MOST_PIECES else ():
            if isinstance(mark, Words):
                hard.add_box((*mark.at, 1.6, 1.2, 0.0))
    ends.sort(key=lambda one: (one[0].used, -abs(one[0].offset)))
    wanted: list[tuple[str, list[Candidate]]] = []
    for row, end in ends[:_MOST_NUMBERED]:
        text = row.point if row.used else f"{row.point}: {format_length(abs(row.offset), units)}"
        reaches = (0.9, 1.6, 2.4) if row.used else (1.8, 2.6, 3.6, 6.0, 9.0)
        wanted.append((row.point, plan_names.round_about(text, end, _NUMBER_CAP, reaches, bold=not row.used)))
    placed = place_labels(wanted, hard, soft, area, clearance=0.15)
    return [each.candidate.words for each in placed if each.free]


def _decided(lines: Sequence[FittedLine], room: float, units: ReportUnits) -> list[tuple[str, bool]]:
    """Return what is said of each line below the drawing, and whether it is bold: shots, how well the edge is known, what the fit decided."""
    said: list[tuple[str, bool]] = []
    for line in lines:
        aside = sum(not row.used for row in line.residuals)
        rest = f", {aside} set aside" if aside else ""
        said.append(
            (
                f"WATER{line.line}: {len(line.residuals)} shots{rest}; one shot lies about the line by {_fine(line.sigma0, units)}; "
                f"the edge is known to {_fine(min(line.sigma_normals), units)} to {_fine(max(line.sigma_normals), units)} (one standard deviation)",
                True,
            )
        )
        rows = wrapped("; ".join(line.notes), room, _CAP) if line.notes else []
        if len(rows) > _MOST_LINES:
            rows = [*rows[: _MOST_LINES - 1], f"{fitted(rows[_MOST_LINES - 1], room - 30, _CAP)} …"]
        said += [(row, False) for row in rows]
    return said


def _fine(length: float, units: ReportUnits) -> str:
    """Print a standard deviation: to a tenth of a millimetre, or a hundredth of an inch."""
    return f"{length / INCH:.2f} in" if units == "inch" else f"{length / MILLIMETRE:.1f} mm"


def _residual_bar(x: float, y: float, view: View, times: float, units: ReportUnits) -> list[Mark]:
    """Return a bar for whiskers and band, of a round length, beside the scale bar of the plan."""
    unit, steps = (INCH, (1 / 16, 1 / 8, 1 / 4, 1 / 2, 1.0, 2.0, 4.0)) if units == "inch" else (MILLIMETRE, (1.0, 2.0, 5.0, 10.0, 20.0, 50.0, 100.0))
    factor = unit * times * 1000 / view.scale.ratio
    step = min(steps, key=lambda value: abs(math.log(value * factor / 12.0)))
    long = step * factor
    return [
        Stroke(points=((x, y + 0.8), (x + long, y + 0.8)), width=0.25, colour=SIENNA),
        *(Stroke(points=((end, y), (end, y + 1.6)), width=0.25, colour=SIENNA) for end in (x, x + long)),
        Words(text=f"{format_length(step * unit, units)} of a residual or of the band", at=(x + long + 2.0, y + 0.8), cap=_CAP, middle=True),
    ]
