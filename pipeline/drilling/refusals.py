"""Sheets that are refused as a whole, and what the sheet does not tell: each with what to measure again."""

from __future__ import annotations

import math
import statistics
from collections.abc import Mapping, Sequence
from typing import Final

from pipeline.drilling.lineup import Lineup
from pipeline.drilling.network import Network
from pipeline.drilling.sheet import FILE, SheetRow, base_of
from pipeline.drilling.slips import MOST, Explanation, Found, in_words
from pipeline.drilling.table import fault
from pipeline.errors import JobError, Reason, SurveyError
from pipeline.geometry.chain import Point
from pipeline.model.layout import Hole, Layout
from pipeline.model.shop import Shop
from pipeline.model.survey import Frame
from pipeline.units import ReportUnits, format_length

FACTORS: Final = {  # of a sheet read in another unit than it was written in
    25.4: "millimetres, and was read as inches",
    1 / 25.4: "inches, and was read as millimetres",
    1 / 12: "feet, and was read as inches",
    1 / 304.8: "feet, and was read as millimetres",
    0.1: "centimetres, and was read as millimetres",
    1 / 2.54: "centimetres, and was read as inches",
    0.001: "metres, and was read as millimetres",
    1 / 25.4e-3: "metres, and was read as inches",
}
NEAR_FACTOR: Final = 0.02  # [-]
FAR: Final = 2.0  # [m] of coordinates from where the plan has the holes, half of them: no frame is so far off
FEW: Final = 3  # readings from which on a whole sheet is judged


def refuse_unusable(rows: Sequence[SheetRow], layout: Layout) -> None:
    """Raise for cells that no hole of the plan can have."""
    plan = {hole.name: hole for hole in layout.holes}
    faults = []
    for row in rows:
        hole = plan.get(row.hole) or plan.get(base_of(row.hole))
        ties = len(hole.ties) if hole else 0
        if (row.tie_a or row.tie_b) and ties < 2:
            do = "measure to the next hole, or with the total station"
            faults.append(fault(FILE, row.row, f"{row.hole} has no ties in the plan: no two marks lie well for it", do))
        if row.to_next and hole and hole.role == "pocket":
            faults.append(
                fault(FILE, row.row, f"{row.hole} is a pocket beside the line, no hole is next to it", "measure its ties, or take the figure out")
            )
        if base_of(row.hole) and row.word in ("missing", "abandoned"):
            do = "take its line out; one drilled behind it gets the next letter"
            faults.append(fault(FILE, row.row, f"{row.hole} is not in the plan and is not there either: {row.remark}", do))
    if faults:
        raise JobError(faults)


def refuse_other_unit(rows: Sequence[SheetRow], layout: Layout) -> None:
    """Raise when half of the distances are off by the factor of another unit."""
    plan = {hole.name: hole for hole in layout.holes}
    ratios = [ratio for row in rows if row.hole in plan for ratio in _ratios(row, plan[row.hole])]
    if len(ratios) < FEW:
        return
    middle = statistics.median(ratios)
    words = next((words for factor, words in FACTORS.items() if abs(middle / factor - 1) < NEAR_FACTOR), "")
    if words:
        raise JobError(
            Reason(
                ref="sheet-unit",
                what=f"{FILE} seems to be in {words}",
                why=f"its distances are {middle:.3g} times those of the plan",
                file=FILE,
                do="write the lengths with their unit, or in the job's report units",
            )
        )


def _ratios(row: SheetRow, hole: Hole) -> list[float]:
    planned = (hole.to_next, *(tie.distance for tie in hole.ties[:2]))
    return [figure.value / plan for figure, plan in zip((row.to_next, row.tie_a, row.tie_b), planned, strict=False) if figure and plan]


def refuse_other_frame(rows: Sequence[SheetRow], layout: Layout, frame: Frame) -> None:
    """Raise when half of the coordinates lie far from the plan's holes."""
    plan: dict[str, Point] = {hole.name: hole.place for hole in layout.holes}
    read = [((row.place[0].value, row.place[1].value), plan[row.hole]) for row in rows if row.place and row.hole in plan]
    if len(read) < FEW or statistics.median(math.dist(*pair) for pair in read) < FAR:
        return
    turned = statistics.median(math.dist(_exchanged(place, frame), planned) for place, planned in read) < FAR
    raise JobError(
        Reason(
            ref="sheet-frame",
            what=f"the coordinates of {FILE} lie {statistics.median(math.dist(*pair) for pair in read):.0f} m from where the plan has the holes",
            why="holes cannot be so far from their marks: it is another frame, or another unit",
            file=FILE,
            do="the columns N and E are exchanged: mend the header"
            if turned
            else f"bring them into the survey's frame, in {frame.unit}, or set the instrument up on its marks",
        )
    )


def _exchanged(place: Point, frame: Frame) -> Point:
    east, north = frame.to_survey(*place)
    return frame.to_plan(north, east)


def refuse_gaps(lineup: Lineup, layout: Layout, places: Mapping[str, Point], shop: Shop, units: ReportUnits) -> None:
    """Raise where a given-up hole leaves a span no panel bridges, or an end or gate without its hole."""
    replaced = set(lineup.instead_of.values())
    plan = {hole.name: hole for hole in layout.holes}
    faults = []
    for name in lineup.abandoned:
        if name in replaced:
            continue
        span = _span_over(name, lineup, layout, places) if plan[name].role == "inner" else None
        if span is not None and span[2] <= shop.panel.post_spacing + shop.setting_out.fit_tolerance:
            continue
        between = f" between {span[0]} and {span[1]}, {format_length(span[2], units)} apart" if span else ""
        faults.append(
            Reason(
                ref="hole-given-up",
                what=f"{name} is given up, and no hole takes its place{between}",
                why="its post has nowhere to stand",
                file=FILE,
                do=f"drill {name}a beside it, clear of the old bore, measure it, and add its line",
            )
        )
    if faults:
        raise SurveyError(faults)


def _span_over(name: str, lineup: Lineup, layout: Layout, places: Mapping[str, Point]) -> tuple[str, str, float] | None:
    """Return the holes that stand on both sides of a given-up one, with their distance [m]."""
    order = [hole.name for hole in layout.holes if hole.role != "pocket"]
    stand = {hole.name for hole in lineup.line}
    index = order.index(name)
    before = next((one for one in reversed(order[:index]) if one in stand), None)
    after = next((one for one in order[index + 1 :] if one in stand), None)
    return (before, after, math.dist(places[before], places[after])) if before and after else None


def refuse_doubts(network: Network, found: Found, units: ReportUnits) -> None:
    """Raise where the sheet can be read in two ways that lead to different holes."""
    if len(found.taken) >= MOST:
        raise SurveyError(
            Reason(
                ref="sheet-of-other-holes",
                what=f"more than {MOST} readings of {FILE} cannot be those of the planned holes",
                why="a sheet so far from the plan is another job's, or of another revision",
                file=FILE,
                do="look whose sheet it is, or measure again",
            )
        )
    if found.doubts:
        raise SurveyError(_doubt(network, one, other, units) for one, other in _once(found))


def _once(found: Found) -> list[tuple[Explanation, Explanation]]:
    """Return every doubt once, whichever of its two explanations was taken."""
    seen: dict[frozenset[object], tuple[Explanation, Explanation]] = {}
    for one, other in found.doubts:
        seen.setdefault(frozenset((one.treatment, other.treatment)), (one, other))
    return list(seen.values())


def _doubt(network: Network, one: Explanation, other: Explanation, units: ReportUnits) -> Reason:
    holes = dict.fromkeys(
        name for which in (one, other) for name in (which.hole, *(network.observed[index].hole for index in which.readings)) if name
    )
    rows = [network.observed[index].row for which in (one, other) for index in which.readings]
    return Reason(
        ref="reading-or-hole",
        what=f"either {in_words(network, one, units)}, or {in_words(network, other, units)}",
        why="both explain the sheet about as well, and a panel is cut for one or the other",
        file=FILE,
        line=min(rows, default=None),
        do=f"measure {' and '.join(holes)} again: to the holes on both sides, and by two ties",
    )
