"""What the crew is told once the holes are drilled: what changed, what to measure or drill again, and the holes as they are."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from typing import Any, Final

import msgspec

from pipeline.drawings import cautions
from pipeline.drawings.changes import Change, changes
from pipeline.drawings.dossier import Dossier
from pipeline.drawings.pages import TextPart, TickBox, heading, listed, paragraph, subheading, table
from pipeline.model.drilling import Cure, DrilledHole, Drilling, Misfit, Reading, ToTape
from pipeline.model.fabrication import PanelDrawing
from pipeline.model.layout import Hole
from pipeline.units import INCH, MILLIMETRE, ReportUnits, format_length

_FELT: Final[dict[ReportUnits, float]] = {"inch": INCH / 32, "mm": MILLIMETRE / 2}  # [m] less prints as nothing
_ALONG: Final = ("back", "ahead")
_ACROSS: Final = ("away", "to the pool")
_BADLY: Final = 0.01  # [m] one sigma
_LISTED: Final = 12  # cures in words; the first is the cheapest
_STATES: Final = {
    "planned": "not measured: taken as planned",
    "measured": "",
    "moved": "off its place",
    "missing": "NOT DRILLED YET",
    "added": "added",
    "abandoned": "GIVEN UP, filled: no post here",
}
_SHORT: Final = {"planned": "not measured", "missing": "NOT DRILLED", "abandoned": "GIVEN UP"}  # in the schedule, beside the remark


def opening(dossier: Dossier) -> list[TextPart]:
    """Return what opens the crew's booklet of any package but the first: what changed since the last one, and what is left to do."""
    if dossier.before is None and dossier.drilled is None:
        return []
    found = changes(dossier.before, dossier.layout, dossier.fabrication, dossier.units) if dossier.before is not None else ()
    if dossier.drilled is None and not found:
        return []  # a line among the cautions says so
    title = f"What changed since revision {dossier.before.revision}" if dossier.before is not None else "The fence follows the holes as drilled"
    flow: list[Any] = [heading(title), paragraph(cautions.WATER_WATCH, "loud")]
    if not dossier.facts.complies:
        flow.append(
            paragraph("DOES NOT COMPLY: at least one clause is not met by the holes as they are. See the inspection booklet before any work.", "loud")
        )
    if dossier.drilled is not None:
        flow += _follows(dossier, dossier.drilled)
    return [TextPart("Changes", (*flow, *_table_of(dossier, found)))]


def nothing_changed(revision: int) -> str:
    """Say that a package differs from the one before in words and figures only."""
    return f"Since revision {revision} no hole and no panel changed: only what is computed or said about them."


def _table_of(dossier: Dossier, all_found: tuple[Change, ...]) -> list[Any]:
    if dossier.before is None:
        return []
    found = all_found if dossier.drilled is None else tuple(_of_panels(all_found, dossier))
    if not all_found and not dossier.succession.changed:
        return [paragraph(f"Since revision {dossier.before.revision} no hole and no panel changed: only what is computed or said about them.")]
    if not found:
        return [paragraph(f"Since revision {dossier.before.revision} no panel changed; where each hole stands is in the schedule.")]
    rows = [(change.which, change.what, change.was, change.now) for change in found]
    title = "Holes and panels, what was and what is" if dossier.drilled is None else "Panels, what was and what is"
    return [subheading(title), table(("which", "what", "was", "now"), rows, (24, 52, 45, 45))]


def _of_panels(found: tuple[Change, ...], dossier: Dossier) -> Iterator[Change]:
    """Leave out the holes, which are told above and stand in the schedule, and how far apart a panel's holes are where it stays as it was made."""
    holes = {hole.hole for hole in dossier.drilled.holes} if dossier.drilled is not None else set()
    stock = {panel.name for panel in dossier.layout.panels if panel.kind == "stock"}
    for change in found:
        if change.which in holes or (change.which in stock and change.what == "length") or change.was == change.now:
            continue
        if change.what in ("mark", "cut") and waits(change.which, dossier):
            continue  # not known well enough: the panel waits for a tape
        yield change


def _follows(dossier: Dossier, drilling: Drilling) -> list[Any]:
    """Say what came of the measuring: readings not followed, holes to drill, panels that changed, and what would be cheaper."""
    units = dossier.units
    flow: list[Any] = [
        paragraph("This revision follows the holes as they were drilled: panels and cuts are for them, and the checks were run again.", "strong"),
        paragraph(_in_numbers(drilling)),
    ]
    sections = (
        ("Measure these again: the readings cannot be, and were not followed", [_reading_words(one, units) for one in drilling.not_followed]),
        ("Holes that are not as planned", [_hole_words(hole, drilling, units) for hole in drilling.holes if _is_told(hole)]),
        ("Stock panels that do not hang in these holes", [_misfit_words(one, dossier) for one in drilling.misfits]),
        ("What would cost less: drill ONE of these holes again", [_cure_words(one, dossier) for one in drilling.cures[:_LISTED]]),
        ("Tape these, hole to hole: before that the panel is not cut, or not hung", to_tape_words(dossier)),
        ("Cut already", cut_words(dossier)),
    )
    for title, items in sections:
        if items:
            flow += [subheading(title), *listed(items, boxes=title.startswith(("Measure", "Tape")))]
    return flow


def to_measure(drilling: Drilling) -> set[str]:
    """Return the holes that somebody has to measure still: not drilled or not measured yet, read wrong, or with a distance a panel waits for."""
    aside = {hole.name for hole in drilling.layout.holes if hole.role == "pocket"}
    line = {hole.hole for hole in drilling.holes if hole.state == "missing" or (hole.state == "planned" and hole.hole not in aside)}
    return line | {reading.hole for reading in drilling.not_followed} | {first for one in drilling.to_tape for first, _ in one.spans}


def _in_numbers(drilling: Drilling) -> str:
    line = [hole for hole in drilling.holes if hole.state != "abandoned"]
    told = sum(hole.state in ("measured", "moved", "added") for hole in line)
    words = f"Measured: {told} of {len(line)} holes."
    if told < len(line):
        words += " The others are taken as planned until somebody measures them."
    return words


def _is_told(hole: DrilledHole) -> bool:
    return hole.state in ("moved", "missing", "added", "abandoned")


def _reading_words(reading: Reading, units: ReportUnits) -> str:
    """Return a reading that was not followed: what was read, what the holes have, why, and the likely slip."""
    if reading.kind in ("east", "north"):
        return f"{reading.hole}, {reading.kind} (line {reading.row} of the sheet): {_sentence(reading.why, reading.cause)}"
    read, has = format_length(reading.value, units), format_length(reading.value - reading.residual, units)
    to = f"mark {reading.to}" if reading.kind == "tie" else reading.to
    return f"{reading.hole} to {to}: {read} on the sheet (line {reading.row}), the holes have {has}. {_sentence(reading.why, reading.cause)}"


def _sentence(why: str, cause: str) -> str:
    told = "; ".join(part for part in (why, "" if cause in why else cause) if part)
    return f"{_capital(told)}." if told else ""


def _capital(text: str) -> str:
    return f"{text[:1].upper()}{text[1:]}"


def _hole_words(hole: DrilledHole, drilling: Drilling, units: ReportUnits) -> str:
    far, way = off_told(hole, drilling)
    off = f"{format_length(far, units)} {way}" if far > _FELT[units] else ""
    badly = f"known to {format_length(2 * hole.sigma, units)} only: measure two ties of it" if hole.sigma > _BADLY else ""
    instead = f"instead of {hole.instead_of}" if hole.instead_of else ""
    state, remark = _STATES[hole.state], hole.remark
    if remark.lower().startswith(state.lower()):
        state, remark = remark, ""
    told = ", ".join(part for part in (state, off if hole.state == "moved" else "", instead, remark, badly) if part)
    return f"{hole.hole}: {told}"


def off_told(hole: DrilledHole, drilling: Drilling) -> tuple[float, str]:
    """Return how far [m] and whither a hole is off its planned place, as seen on the walk with the pool on the left.

    Of a hole that stands elsewhere the direction that is surest told, and it alone: by distances along the line the other may be mere noise.
    """
    if hole.planned is None or hole.place is None:
        return 0.0, ""
    heading = _heading_at(hole, drilling)
    along, left = (math.cos(heading), math.sin(heading)), (-math.sin(heading), math.cos(heading))
    off = (hole.place[0] - hole.planned[0], hole.place[1] - hole.planned[1])
    parts = [(off[0] * way[0] + off[1] * way[1], _sigma_in(way, hole), names) for way, names in ((along, _ALONG), (left, _ACROSS))]
    if hole.state == "moved" and all(sigma > 0 for _, sigma, _ in parts):
        part, _, names = max(parts, key=lambda each: abs(each[0]) / each[1])
        return abs(part), names[part > 0]
    part, _, names = max(parts, key=lambda each: abs(each[0]))
    return math.hypot(*off), names[part > 0]


def _sigma_in(way: tuple[float, float], hole: DrilledHole) -> float:
    """Return the standard deviation of a hole's place in one direction [m]."""
    return math.sqrt(max(0.0, way[0] ** 2 * hole.variance_east + way[1] ** 2 * hole.variance_north + 2 * way[0] * way[1] * hole.covariance))


def which_way(hole: DrilledHole, drilling: Drilling) -> str:
    """Return the side a hole is off its planned place to, in words."""
    return off_told(hole, drilling)[1]


def _heading_at(hole: DrilledHole, drilling: Drilling) -> float:
    """Return the direction of the walk at a hole [rad], from the one before to the one after as planned."""
    line = [one for one in drilling.holes if one.planned is not None]
    index = next(number for number, one in enumerate(line) if one.hole == hole.hole)
    before, after = line[max(0, index - 1)].planned, line[min(len(line) - 1, index + 1)].planned
    assert before is not None and after is not None
    return math.atan2(after[1] - before[1], after[0] - before[0])


def _misfit_words(misfit: Misfit, dossier: Dossier) -> str:
    """Return why a panel is made custom, at what cost, and which hole drilled again would save it where that is not cheaper anyway."""
    units, currency = dossier.units, dossier.fabrication.currency
    wide = f"is {format_length(abs(misfit.off), units)} {'too wide' if misfit.off > 0 else 'too narrow'}"
    posts = f"has {abs(misfit.posts)} {'post' if abs(misfit.posts) == 1 else 'posts'} {'more' if misfit.posts > 0 else 'fewer'}"
    told = f"{misfit.panel} is made custom: {misfit.first} to {misfit.last} {posts if misfit.posts else wide}; it costs {misfit.extra:.2f} {currency} more than the stock panel"
    cheaper = {(cure.hole, cure.saves) for cure in dossier.drilled.cures} if dossier.drilled is not None else set()
    cure = misfit.cure
    if cure is None or (cure.hole, cure.saves) in cheaper:
        return told
    return f"{told}. {cure.hole} drilled again {format_length(cure.move, units)} {cure.toward} would save it, at {cure.cost:.2f} {currency} in all against {cure.cost_as_is:.2f}"


def _cure_words(cure: Cure, dossier: Dossier) -> str:
    """Return a cure: which hole, how far and whither, what it saves, and what either way costs."""
    currency, units = dossier.fabrication.currency, dossier.units
    least, most = (format_length(one, units) for one in cure.range)
    reach = "" if least == most else f" (from {least} to {most} does)"
    saved = f"{', '.join(cure.saves)} {'stays a stock panel' if len(cure.saves) == 1 else 'stay stock panels'}"
    cost = f"{cure.cost:.2f} {currency} instead of {cure.cost_as_is:.2f}, {cure.cost_as_is - cure.cost:.2f} less"
    return f"{cure.hole}: drill it again {format_length(cure.move, units)} {cure.toward}{reach}: {saved}; {cost}{f'. {_capital(cure.note)}' if cure.note else ''}"


def to_tape_words(dossier: Dossier) -> list[str]:
    """Return what has to be taped before a panel is cut or hung."""
    if dossier.drilled is None:
        return []
    kinds = {panel.name: panel.kind for panel in dossier.layout.panels}
    words = {"custom": "it is not cut before", "stock": "as a stock panel it may not hang", "": "the gate may not hang"}
    return [
        f"{one.panel}: {_runs_words(one)}, known to {format_length(2 * one.sigma, dossier.units)} only; " + words[kinds.get(one.panel, "")]
        for one in dossier.drilled.to_tape
    ]


def _runs_words(one: ToTape) -> str:
    """Return the distances to tape, neighbouring ones as one."""
    runs: list[list[str]] = []
    for first, last in one.spans:
        if runs and runs[-1][1] == first:
            runs[-1][1] = last
        else:
            runs.append([first, last])
    told = " and ".join(f"{first} to {last}" for first, last in runs)
    return told if len(runs) == len(one.spans) else f"{told}, every hole to the next"


def as_released(panel: PanelDrawing, dossier: Dossier) -> PanelDrawing:
    """Return a panel as the shop may see it: one that waits for a tape without mark, cut and recipe, so that nobody cuts by them."""
    waits = dossier.drilled.waits(panel.panel) if dossier.drilled is not None else None
    if waits is None or panel.kind == "stock":
        return panel
    steps = (
        f"NOT RELEASED. Tape first, hole to hole: {_runs_words(waits)}.",
        "The office adds them to as_drilled.csv as to_next; the next revision has the mark and the cut.",
        "The spacings drawn here are not known well enough to cut by.",
    )
    return msgspec.structs.replace(panel, mark=None, cut=None, takes_off="not released", recipe=steps)


def cut_from_this(dossier: Dossier) -> str:
    """Say which distances the shop cuts by: those of custom panels, and that ties do not stand for them."""
    custom = [panel for panel in dossier.layout.panels if panel.kind == "custom"]
    if not custom:
        return ""
    told = ", ".join(f"{panel.name} ({panel.holes[0]} to {panel.holes[-1]})" for panel in custom)
    return f" Custom panels are cut by the distances to the next hole, and not by ties or shots: no cut without them. Here: {told}."


def waits(panel: str, dossier: Dossier) -> bool:
    """Say whether a panel waits for a tape."""
    return dossier.drilled is not None and dossier.drilled.waits(panel) is not None


def cut_words(dossier: Dossier) -> list[str]:
    """Return what becomes of every piece the shop has cut already: kept, and for which mark now, or of no use any more."""
    units = dossier.units
    kept = [
        f"{drawing.panel}: keep the piece that was cut for a mark at {format_length(drawing.cut_for, units)}; the mark is at {format_length(drawing.mark, units)} now"
        for drawing in dossier.fabrication.panels
        if drawing.cut_for is not None and drawing.mark is not None
    ]
    return kept + [f"{reason.what}: {reason.do}" for reason in dossier.fabrication.warnings if reason.ref == "cut-in-vain"]


def schedule(dossier: Dossier, drilling: Drilling) -> TextPart:
    """Return every hole as it is: the distance to the next one as drilled and as planned, and what became of it."""
    units = dossier.units
    standing = {hole.name: hole for hole in dossier.layout.holes}
    planned = {hole.name: hole for hole in dossier.planned.holes} if dossier.planned is not None else {}
    followers = zip(drilling.holes, (*drilling.holes[1:], None), strict=True)
    rows = [_schedule_row(one, after, standing, planned, drilling, units) for one, after in followers]
    head = ("", "hole", "carries", "role", "to next", "planned", "differs", "off place", "which way", "")
    flow = [
        heading("Holes as drilled, in walking order, pool on the left"),
        paragraph(
            "To next: centre to centre, straight, of the holes as they are, to the hole of the next row or to the one named beside it. Off place: from where the plan had the hole. Panels hang by these distances."
        ),
        table(head, rows, (7, 15, 13, 13, 28.5, 20, 16, 17, 18, 46.5)),
        *_still_to_drill(dossier, drilling),
    ]
    return TextPart("Holes as drilled", tuple(flow))


def _schedule_row(
    one: DrilledHole,
    next_row: DrilledHole | None,
    standing: Mapping[str, Hole],
    plan: Mapping[str, Hole],
    drilling: Drilling,
    units: ReportUnits,
) -> tuple[Any, ...]:
    hole, planned = standing.get(one.hole), plan.get(one.hole)
    to_next, was = hole.to_next if hole else None, planned.to_next if planned else None
    differs = to_next - was if to_next is not None and was is not None else 0.0
    off, way = off_told(one, drilling)
    state = _SHORT.get(one.state, _STATES[one.state])
    words = ", ".join(part for part in ("" if one.remark.lower().startswith(state.lower()) else state, one.remark) if part)
    return (
        TickBox(),
        one.hole,
        hole.carries if hole else "",
        hole.role if hole else "",
        "" if to_next is None else f"{format_length(to_next, units)}{_to_which(one.hole, next_row, standing)}",
        "" if was is None else format_length(was, units),
        _signed(differs, units),
        format_length(off, units) if off > _FELT[units] else "",
        way if off > _FELT[units] else "",
        words,
    )


def _to_which(hole: str, next_row: DrilledHole | None, standing: Mapping[str, Hole]) -> str:
    """Return to which hole a distance leads where that is not the next row's: at the end of a loop, before a hole that was given up."""
    line = [one.name for one in standing.values() if one.role != "pocket"]
    after = line[(line.index(hole) + 1) % len(line)]
    return "" if next_row is not None and next_row.hole == after else f" (to {after})"


def _signed(length: float, units: ReportUnits) -> str:
    if abs(length) <= _FELT[units]:
        return ""
    return f"{'+' if length > 0 else '-'}{format_length(abs(length), units)}"


def _still_to_drill(dossier: Dossier, drilling: Drilling) -> list[Any]:
    """Return the ties of the holes that are not drilled yet."""
    missing = {hole.hole for hole in drilling.holes if hole.state == "missing"}
    rows = []
    for hole in dossier.layout.holes:
        if hole.name in missing:
            ties = [word for tie in hole.ties[:2] for word in (tie.mark, format_length(tie.distance, dossier.units))] + [""] * 4
            rows.append((TickBox(), hole.name, *ties[:4], format_length(hole.depth, dossier.units)))
    if not rows:
        return []
    return [subheading("Still to drill"), table(("", "hole", "from", "tie", "from", "tie", "depth"), rows, (7, 20, 25, 34, 25, 34, 25))]
