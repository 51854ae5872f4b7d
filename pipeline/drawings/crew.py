"""crew.pdf: what two people on a deck need, in the order they need it; cautions before anything, what changed before all else."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

from pipeline.drawings import as_drilled, cautions
from pipeline.drawings.details import detail_parts
from pipeline.drawings.dossier import Dossier
from pipeline.drawings.pages import Part, PlanPart, TextPart, TickBox, heading, in_columns, listed, paragraph, space, subheading, table
from pipeline.drawings.plan_view import is_mark
from pipeline.drawings.unrolled import unrolled_parts
from pipeline.model.compliance import Caution
from pipeline.model.layout import Gate, Hole, Joint, Layout, Panel
from pipeline.units import ReportUnits, format_length

_ROWS_BESIDE = 30  # of a table that stands beside another: what stands side by side is not broken over two pages
_STEP = 0.02  # [m] a smaller rise between two holes is the deck's fall


def crew_parts(dossier: Dossier) -> tuple[Part, ...]:
    """Return the parts of the crew's booklet in their order."""
    return (
        *as_drilled.opening(dossier),
        _cautions(dossier),
        *(PlanPart(sheet.name, sheet.name, sheet.frame) for sheet in dossier.plan_sheets[:-1]),
        _setting_out(dossier),
        _hole_schedule(dossier) if dossier.drilled is None else as_drilled.schedule(dossier, dossier.drilled),
        *detail_parts(dossier),
        *unrolled_parts(dossier),
        _hanging(dossier),
        *_as_drilled(dossier),
        _hand_over(dossier),
    )


def caution_flowables(dossier: Dossier) -> list[Any]:
    """Return the cautions of this job, then the general ones, as they open every booklet."""
    found = dossier.compliance.cautions
    flow: list[Any] = [
        heading("Before anything else"),
        paragraph(cautions.WATER_WATCH, "loud"),
        paragraph("Watching the water on the day: ______________________", "strong"),
    ]
    if not dossier.facts.complies:
        flow.append(paragraph("DOES NOT COMPLY: at least one clause is not met as drawn. See the inspection booklet before any work.", "loud"))
    flow += [subheading("What this job raises"), *_caution_list([caution for caution in found if caution.raised_by])]
    flow += [
        subheading("What holds for every job"),
        *_caution_list([caution for caution in found if not caution.raised_by and caution.text != cautions.WATER_WATCH], "cell"),
    ]
    flow += [space(2), *(paragraph(line, "strong") for line in cautions.deference(dossier.compliance))]
    return flow


def _caution_list(found: Sequence[Caution], style: str = "body") -> list[Any]:
    if not found:
        return [paragraph("Nothing that compliance found.")]
    return listed(
        [f"{caution.text}{f' Here: {caution.raised_by}.' if caution.raised_by else ''} [{caution.source}]" for caution in found], style=style
    )


def _cautions(dossier: Dossier) -> TextPart:
    flow = caution_flowables(dossier)
    flow += [heading("Load"), in_columns(listed(cautions.tools(dossier.job, dossier.layout, dossier.fabrication), boxes=True))]
    if dossier.before is not None and not as_drilled.opening(dossier):
        flow.append(paragraph(as_drilled.nothing_changed(dossier.before.revision)))
    return TextPart("Cautions, tools, material", tuple(flow), follows=True)


def _setting_out(dossier: Dossier) -> TextPart:
    layout, units = dossier.layout, dossier.units
    marks = [mark for mark in dossier.site.marks if is_mark(mark, layout)]
    flow: list[Any] = [heading("How to set out")]
    steps = [
        'Find the marks below. The first two are the base: check the distance between them before anything else, it has to agree within 1/4".'
        if units == "inch"
        else "Find the marks below. The first two are the base: check the distance between them before anything else, it has to agree within 6 mm.",
        "Each hole is where two tape ties meet: hold one tape at each mark, level and pulled straight, and mark where they cross. Two tapes cross at two places, one on either side of the line between their marks: take the one on the fence's side; the plan shows it.",
        "Stand with the pool on your left: the holes are numbered in the direction you walk.",
        'Then check the distance to the next hole, centre to centre, and the diagonals below. What disagrees by more than 1/4" is measured again before it is drilled.'
        if units == "inch"
        else "Then check the distance to the next hole, centre to centre, and the diagonals below. What disagrees by more than 6 mm is measured again before it is drilled.",
        "The water's edge decides: no hole is drilled nearer to it than the schedule's ties put it.",
    ]
    flow += listed(steps, numbered=True)
    flow += [subheading("Marks, with their places on this package's plan"), _mark_table(dossier, marks)]
    checks = _distances_to_check(layout, marks, units)
    flow += [space(1.5), in_columns(checks)] if len(checks) > 2 and len(layout.check_distances) <= _ROWS_BESIDE else checks
    return TextPart("Setting out", tuple(flow))


def _distances_to_check(layout: Layout, marks: Sequence[Any], units: ReportUnits) -> list[Any]:
    """Return the tables of distances between marks and across the fence, each under its heading."""
    flow: list[Any] = []
    if len(marks) >= 2:
        flow += [subheading("Between marks"), table(("from", "to", "distance"), _between(marks, units), (24, 24, 32))]
    if layout.check_distances:
        rows = [(TickBox(), each.first, each.second, format_length(each.distance, units)) for each in layout.check_distances]
        flow += [subheading("Diagonals to check, hole to hole"), table(("", "from", "to", "distance"), rows, (7, 24, 24, 32))]
    return flow


def _mark_table(dossier: Dossier, marks: Sequence[Any]) -> Any:
    if not marks:
        return paragraph("The survey has no marks: no ties can be given. Measure from the water's edge and have the survey completed.", "strong")
    rows = [(mark.name, "mark" if mark.kind == "mark" else "corner of a wall", *_east_north(mark.place, dossier.units)) for mark in marks]
    return table(("mark", "what it is", "east", "north"), rows, (30, 40, 40, 40))


def _east_north(place: tuple[float, float], units: Any) -> tuple[str, str]:
    return (format_length(place[0], units), format_length(place[1], units))


def _between(marks: Sequence[Any], units: Any) -> list[tuple[str, str, str]]:
    return [
        (first.name, second.name, format_length(math.dist(first.place, second.place), units))
        for index, first in enumerate(marks)
        for second in marks[index + 1 :]
    ][:10]


def lean_arrow(hole: Hole) -> str:
    """Return a hole's lean as seen with the pool on the left: an arrow, the angle, the side."""
    if hole.lean_toward == "plumb":
        return "plumb"
    arrow = "→" if hole.lean_toward == "away" else "←"
    return f"{arrow} {math.degrees(hole.lean):.1f}°"


def _hole_schedule(dossier: Dossier) -> TextPart:
    units, holes = dossier.units, dossier.layout.holes
    rows = []
    for hole, next_row in zip(holes, (*holes[1:], None), strict=True):
        ties = [word for tie in hole.ties[:2] for word in (tie.mark, format_length(tie.distance, units))] + [""] * 4
        to_next = _to_nearest(hole, holes, units) if hole.role == "pocket" else _to_next(hole, next_row, holes, units)
        rows.append((TickBox(), hole.name, hole.carries, hole.role, to_next, *ties[:4], lean_arrow(hole), format_length(hole.depth, units)))
    head = ("", "hole", "carries", "role", "to next", "from", "tie", "from", "tie", "lean", "depth")
    flow = [
        heading("Holes, in walking order, pool on the left"),
        paragraph(
            "To next: centre to centre, straight, as a tape reads it, to the hole of the next row or to the one named beside it. Lean: → away from the pool, ← toward it. Tick when drilled, cleaned and sleeved."
        ),
        *_about_pockets(holes),
        table(head, rows, (7, 15, 14, 15, 28.5, 17, 24, 17, 24, 18, 14)),
    ]
    return TextPart("Hole schedule", tuple(flow), follows=True)


def _to_next(hole: Hole, next_row: Hole | None, holes: Sequence[Hole], units: ReportUnits) -> str:
    """Return the distance to the next hole of the line, and to which where that is not the next row's: at the end of a loop, before a row left out."""
    if hole.to_next is None:
        return "–"
    line = [one.name for one in holes if one.role != "pocket"]
    after = line[(line.index(hole.name) + 1) % len(line)]
    said = format_length(hole.to_next, units)
    return said if next_row is not None and next_row.name == after else f"{said} (to {after})"


def _to_nearest(pocket: Hole, holes: Sequence[Hole], units: ReportUnits) -> str:
    """Return how far a pocket is from the hole of the line that is nearest to it, and which that is."""
    nearest = min((hole for hole in holes if hole.role != "pocket"), key=lambda hole: math.dist(hole.place, pocket.place))
    return f"{format_length(math.dist(nearest.place, pocket.place), units)} (to {nearest.name})"


def _about_pockets(holes: Sequence[Hole]) -> list[Any]:
    """Say once what a pocket hole is, where the fence has one."""
    if all(hole.role != "pocket" for hole in holes):
        return []
    return [
        paragraph(
            "Pocket: the one extra hole a gate takes, beside the line on the pool side (common practice); drilled and sleeved like the others. The sheet that comes with the gate set says what stands in it; plug it while nothing does."
        )
    ]


def _hanging(dossier: Dossier) -> TextPart:
    layout, units = dossier.layout, dossier.units
    joints = {joint.before: joint for joint in layout.joints}
    parts: list[Panel | Gate] = [*layout.panels, *layout.gates]
    hung = sorted(parts, key=lambda one: (len(_first_hole(one)), _first_hole(one)))
    made = (
        ""
        if not _has_custom(dossier)
        else "Custom panels are made after drilling, from the holes as drilled. "
        if dossier.drilled is None
        else "Custom panels are for the holes as drilled. "
    )
    stock = any(panel.kind == "stock" for panel in layout.panels)
    gives = " A stock panel as made may be a little shorter or longer than that: its fabric gives." if stock else ""
    rows = [(TickBox(), str(number), *_hung(one, units), _then(dossier, _last_hole(one), joints)) for number, one in enumerate(hung, 1)]
    flow = [
        heading("Hang the panels in this order"),
        paragraph(f"{made}Latch each joint before the next panel is hung; the water is watched until the last latch."),
        *_first_latch(dossier, _first_hole(hung[0])),
        paragraph(f"Length: from its first hole to its last, bay by bay.{gives}"),
        table(("", "no.", "panel", "kind", "holes", "posts", "length between its holes", "then"), rows, (7, 10, 15, 17, 32, 13, 25, 73)),
    ]
    return TextPart("Panels and latches", tuple(flow))


def _has_custom(dossier: Dossier) -> bool:
    return any(panel.kind == "custom" for panel in dossier.layout.panels)


def _first_hole(one: Panel | Gate) -> str:
    return one.hinge_hole if isinstance(one, Gate) else one.holes[0]


def _last_hole(one: Panel | Gate) -> str:
    return one.latch_hole if isinstance(one, Gate) else one.holes[-1]


def _hung(one: Panel | Gate, units: Any) -> tuple[str, ...]:
    holes = f"{_first_hole(one)} to {_last_hole(one)}"
    if isinstance(one, Gate):
        return one.name, "gate", holes, "2", format_length(one.leaf, units)
    return one.name, one.kind, holes, str(one.posts), format_length(one.length, units)


def _first_latch(dossier: Dossier, first: str) -> list[Any]:
    """Say where the first panel of a fence that begins at a wall is latched, before any other."""
    said = _at_wall(dossier, first)
    return [paragraph(f"Begin at the wall: {said}.", "strong")] if said else []


def _at_wall(dossier: Dossier, hole: str) -> str:
    """Say where the post in an end hole is latched to a wall; nothing where the fence does not end at one there."""
    if not any(end.hole == hole and end.wall for end in dossier.layout.ends):
        return ""
    return f"latch {hole} to the plate on the wall at {format_length(dossier.job.shop.latch.height, dossier.units)} above the deck"


def _then(dossier: Dossier, last: str, joints: dict[str, Joint]) -> Any:
    """Return what is done at a panel's last hole, in as many lines as a step takes."""
    if last not in joints:
        gates = [f"post of gate {gate.name}" for gate in dossier.layout.gates if last in (gate.hinge_hole, gate.latch_hole)]
        return paragraph(_at_wall(dossier, last) or next(iter(gates), "the fence ends here"), "cell")
    joint, units = joints[last], dossier.units
    said = f"latch {joint.before} to {joint.after} at {format_length(joint.latch_height, units)} above the"
    if abs(joint.rise) <= _STEP:
        return f"{said} deck"
    return paragraph(f"{said} lower deck, step {'up' if joint.rise > 0 else 'down'} {format_length(abs(joint.rise), units)}", "cell")


def _as_drilled(dossier: Dossier) -> tuple[TextPart, ...]:
    """Return the sheet to fill in after drilling: all holes, or, once they were measured, those that have to be measured again."""
    wanted = as_drilled.to_measure(dossier.drilled) if dossier.drilled is not None else {hole.name for hole in dossier.layout.holes}
    if not wanted:
        return ()
    holes = [hole for hole in dossier.layout.holes if hole.name in wanted]
    rows = [
        (hole.name, "–" if hole.role == "pocket" else _to_next(hole, next_row, dossier.layout.holes, dossier.units), _nothing_next(hole), "", "")
        for hole, next_row in zip(holes, (*holes[1:], None), strict=True)
    ]
    how = "feet, inches and sixteenths" if dossier.units == "inch" else "whole millimetres"
    pockets = " A pocket stands beside the line and has no next hole: its two ties." if any(hole.role == "pocket" for hole in holes) else ""
    cut = as_drilled.cut_from_this(dossier)
    flow = [
        heading("The holes as drilled" if dossier.drilled is None else "Holes to measure, still or again"),
        paragraph(
            f"Measure every hole to the next one, centre to centre, in {how}; the office types it as as_drilled.csv with the heads below. Where a hole is off its mark, its two ties as well.{pockets}{cut}"
        ),
        table(
            ("hole", "planned" if dossier.drilled is None else "about", "to_next", "tie_a", "tie_b"), rows, (22, 32, 42, 42, 42), grid=True, high=6.4
        ),
        space(4),
        paragraph("Measured by ______________________   on ______________   tape checked against ______________"),
    ]
    return (TextPart("As drilled", tuple(flow)),)


def _nothing_next(hole: Hole) -> str:
    return "–" if hole.to_next is None else ""


def _hand_over(dossier: Dossier) -> TextPart:
    items = [
        "Gate opened to any position closes and latches by itself, from a hand's width too; ten times out of ten",
        "Release of the gate at the height the inspection booklet names, and no opening near it a hand passes",
        "Gap under the fabric measured at every panel; nothing can be pushed under it",
        "Height measured on the outer side at the lowest place",
        "Every latch hooked, spring keeper closed; nobody can lift the fabric over the height the booklet names",
        "Plugs for all sleeves handed over; owner shown how to lift out and put back a panel",
        "Everything climbable moved away from the fence, inside and outside; doors and windows of the house as the booklet says",
        "Deck vacuumed, not swept; no epoxy on it; drill dust bagged",
        "Sheet of the holes as drilled filled in and sent to the office",
    ]
    said = [
        *cautions.deference(dossier.compliance),
        "Swap the person on watch every 15 minutes or so. Test the gate every week. Check local law before removing any section. Teach swimming and learn resuscitation.",
    ]
    flow = [heading("Hand-over"), *listed(items, boxes=True), subheading("Said to the owner, and understood"), *listed(said, boxes=True), space(8)]
    flow += [paragraph("Crew ______________________   Owner ______________________   Date ______________")]
    return TextPart("Hand-over", tuple(flow))
