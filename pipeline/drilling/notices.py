"""What the office and the crew have to be told of the holes as drilled."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

from pipeline.drilling.misfits import gates_hardly_known
from pipeline.drilling.sheet import FILE
from pipeline.errors import JobError, Reason
from pipeline.model.drilling import Cure, DrilledHole, Drilling, Misfit, Reading
from pipeline.model.layout import Gate, Layout, Panel
from pipeline.model.shop import Shop
from pipeline.units import ReportUnits, format_length

LOOSE: Final = 0.01  # [m] one sigma: a hole known worse than this is measured again before the inspector comes
CUT_BY: Final = 0.003 / 2.58  # [m] one sigma: a custom panel cut by distances known so fits its holes within 3 mm in 99 of 100


def warnings_of(plan: Layout, drilling: Drilling, shop: Shop, units: ReportUnits) -> Iterator[Reason]:
    """Yield a warning for everything of a drilled job that somebody has to know or do."""
    yield from (_not_followed(one, units) for one in _once(drilling.not_followed))
    yield from (_elsewhere(hole, units) for hole in drilling.holes if hole.state == "moved")
    yield from (_loose(hole, units) for hole in drilling.holes if hole.state in ("moved", "added") and hole.sigma > LOOSE)
    yield from (_missing(hole) for hole in drilling.holes if hole.state == "missing")
    yield from (_misfit(one, shop, units) for one in drilling.misfits)
    yield from (_loose_panel(panel, drilling, units) for panel in _loose_panels(drilling) if drilling.as_drilled)
    sigmas = {one.hole: one.to_next_sigma or 0.0 for one in drilling.holes}
    yield from (_loose_gate(gate, off, units) for gate, off in gates_hardly_known(plan, drilling.layout, shop, sigmas))
    pockets = {hole.name for hole in drilling.layout.holes if hole.role == "pocket"}
    planned = [hole.hole for hole in drilling.holes if hole.state == "planned" and hole.hole not in pockets]
    if drilling.as_drilled and planned:
        yield _unmeasured(planned)


def _once(readings: tuple[Reading, ...]) -> list[Reading]:
    """Return one reading of each line that has the same cause."""
    return list({(one.row, one.cause, one.kind in ("east", "north") or one.kind): one for one in readings}.values())


def _not_followed(one: Reading, units: ReportUnits) -> Reason:
    what = f"{one.hole} to {one.to} reads {format_length(one.value, units)}" if one.to else f"the coordinates of {one.hole}"
    return Reason(
        ref="reading-not-followed",
        what=f"{what}: not followed" + (f", {one.cause}" if one.cause else ""),
        why=one.why,
        file=FILE,
        line=one.row,
        do=f"measure {one.hole}{f' to {one.to}' if one.to else ''} again before the custom panel there is cut",
    )


def _elsewhere(hole: DrilledHole, units: ReportUnits) -> Reason:
    off = f", {format_length(hole.off_plan, units)} from where it was planned" if hole.off_plan is not None else ""
    return Reason(
        ref="hole-off-plan",
        what=f"{hole.hole} stands elsewhere{off}" + (f": {hole.remark}" if hole.remark else ""),
        why="panels and checks follow it there",
        file=FILE,
        do="look whether it keeps its distance to joints, drains, pipes and the deck's edge",
    )


def _loose(hole: DrilledHole, units: ReportUnits) -> Reason:
    return Reason(
        ref="hole-known-badly",
        what=f"{hole.hole} is known to {format_length(2 * hole.sigma, units)} only",
        why="distances along the line do not tell how far a hole stands from the water",
        file=FILE,
        do=f"measure two ties of {hole.hole}, or shoot it, and add them to its line",
    )


def _missing(hole: DrilledHole) -> Reason:
    return Reason(
        ref="hole-missing",
        what=f"{hole.hole} is not drilled" + (f": {hole.remark}" if hole.remark else ""),
        why="the package counts on it where the plan has it",
        file=FILE,
        do=f"drill {hole.hole} by its ties and measure it before its panel is cut",
    )


def _misfit(misfit: Misfit, shop: Shop, units: ReportUnits) -> Reason:
    side = "too wide" if misfit.off > 0 else "too narrow"
    return Reason(
        ref="panel-becomes-custom",
        what=f"{misfit.panel} no longer hangs in its holes and is made custom, for {misfit.extra:.2f} {shop.currency} more: fabric, posts, work, less the stock panel",
        why=f"{misfit.first} to {misfit.last} is {format_length(abs(misfit.off), units)} {side}; "
        f"{format_length(shop.setting_out.fit_tolerance, units)} is what a stock panel takes",
        do=_cure_in_words(misfit.cure, shop, units) if misfit.cure else "no single hole drilled again would save it",
    )


def _cure_in_words(cure: Cure, shop: Shop, units: ReportUnits) -> str:
    saved = " and ".join(cure.saves)
    better = "cheaper" if cure.cost < cure.cost_as_is else "no cheaper"
    note = f"; {cure.note}" if cure.note else ""
    return (
        f"or drill {cure.hole} again {format_length(cure.move, units)} {cure.toward} "
        f"({format_length(cure.range[0], units)} to {format_length(cure.range[1], units)}): saves {saved} as stock; "
        f"{cure.cost:.2f} {shop.currency} in all against {cure.cost_as_is:.2f} as it is, {better}{note}"
    )


def _loose_panels(drilling: Drilling) -> list[Panel]:
    """Return the custom panels with a distance between measured holes that is not known well enough to cut by."""
    loose = {one.hole for one in drilling.holes if one.state not in ("planned", "missing") and (one.to_next_sigma or 0.0) > CUT_BY}
    return [panel for panel in drilling.layout.panels if panel.kind == "custom" and loose & set(panel.holes[:-1])]


def _loose_panel(panel: Panel, drilling: Drilling, units: ReportUnits) -> Reason:
    sigma = max(one.to_next_sigma or 0.0 for one in drilling.holes if one.hole in panel.holes[:-1])
    return Reason(
        ref="panel-known-badly",
        what=f"the holes of {panel.name} are known to {format_length(2 * sigma, units)} from one another only",
        why="places by ties or by the instrument do not tell the distance of neighbouring holes as a tape does",
        file=FILE,
        do=f"tape {panel.holes[0]} to {panel.holes[-1]}, hole to hole, before {panel.name} is cut",
    )


def _loose_gate(gate: Gate, off: float, units: ReportUnits) -> Reason:
    return Reason(
        ref="gate-known-badly",
        what=f"the holes of {gate.name} seem {format_length(abs(off), units)} {'too far apart' if off > 0 else 'too near'} for its leaf",
        why="the readings do not tell whether the gate still hangs, and a gate cannot be made to measure",
        file=FILE,
        do=f"tape {gate.hinge_hole} to {gate.latch_hole}, hole to hole, and add it to the sheet",
    )


def _unmeasured(holes: list[str]) -> Reason:
    names = ", ".join(holes[:8]) + (f" and {len(holes) - 8} more" if len(holes) > 8 else "")
    return Reason(
        ref="holes-not-measured",
        what=f"not measured: {names}",
        why="custom panels there are for the holes as planned",
        file=FILE,
        do="measure them before those panels are cut",
    )


def gate_does_not_fit(gate: Gate, off: float, cure: tuple[str, float, str] | None, shop: Shop, units: ReportUnits) -> JobError:
    """Return why a job is held whose gate does not fit its holes: a gate cannot be made to measure."""
    side = "too far apart" if off > 0 else "too near to each other"
    do = (
        f"drill {cure[0]} again, {format_length(cure[1], units)} {cure[2]} at least"
        if cure
        else f"drill {gate.latch_hole} and {gate.hinge_hole} again"
    )
    return JobError(
        Reason(
            ref="gate-does-not-fit",
            what=f"the holes of {gate.name} stand {format_length(abs(off), units)} {side} for its leaf",
            why=f"a gate takes {format_length(shop.setting_out.fit_tolerance, units)}; one that does not close is an open door to the water",
            file=FILE,
            do=f"{do} ({shop.setting_out.redrill_price:.2f} {shop.currency}), measure it and send the sheet again",
        )
    )
