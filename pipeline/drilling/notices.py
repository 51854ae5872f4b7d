"""What the office and the crew have to be told of the holes as drilled."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

from pipeline.drilling.misfits import COVERAGE, gates_hardly_known
from pipeline.drilling.release import Known, runs_of, sure
from pipeline.drilling.sheet import FILE
from pipeline.errors import JobError, Reason
from pipeline.model.drilling import Cure, DrilledHole, Drilling, Misfit, Reading
from pipeline.model.layout import Gate, Layout
from pipeline.model.shop import Shop
from pipeline.units import ReportUnits, format_length

FELT: Final = 0.0008  # [m] half of what a tape reads; less prints as nothing
LOOSE: Final = 0.01  # [m] one sigma: a hole known worse than this is measured again before the inspector comes


def warnings_of(plan: Layout, drilling: Drilling, shop: Shop, units: ReportUnits) -> Iterator[Reason]:
    """Yield a warning for everything of a drilled job that somebody has to know or do."""
    yield from (_not_followed(one, units) for one in _once(drilling.not_followed))
    yield from (_elsewhere(hole, units) for hole in drilling.holes if hole.state == "moved")
    yield from (_loose(hole, units) for hole in drilling.holes if hole.state in ("moved", "added") and hole.sigma > LOOSE)
    yield from (_missing(hole) for hole in drilling.holes if hole.state == "missing")
    yield from (_misfit(one, drilling, shop, units) for one in drilling.misfits)
    yield from (reason for kind in ("custom", "stock") for reason in _to_tape(drilling, kind, units))
    sigmas = {one.hole: one.to_next_sigma or 0.0 for one in drilling.holes}
    yield from (
        _loose_gate(gate, off, sigmas.get(gate.hinge_hole, 0.0), units) for gate, off in gates_hardly_known(plan, drilling.layout, shop, sigmas)
    )
    pockets = {hole.name for hole in drilling.layout.holes if hole.role == "pocket"}
    planned = [hole.hole for hole in drilling.holes if hole.state == "planned" and hole.hole not in pockets]
    if drilling.as_drilled and planned:
        yield _unmeasured(planned)


def _once(readings: tuple[Reading, ...]) -> list[Reading]:
    """Return one reading of each line that has the same cause."""
    return list({(one.row, one.cause, one.kind in ("east", "north") or one.kind): one for one in readings}.values())


def _not_followed(one: Reading, units: ReportUnits) -> Reason:
    to = f"mark {one.to}" if one.kind == "tie" else one.to
    what = f"{one.hole} to {to} reads {format_length(one.value, units)}" if one.to else f"the coordinates of {one.hole}"
    return Reason(
        ref="reading-not-followed",
        what=f"{what}: not followed" + (f", {one.cause}" if one.cause else ""),
        why=one.why,
        file=FILE,
        line=one.row,
        do=f"measure {one.hole}{f' to {to}' if one.to else ''} again before anything there is cut or hung; until then the plan stands for it",
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


def _misfit(misfit: Misfit, drilling: Drilling, shop: Shop, units: ReportUnits) -> Reason:
    certain = sure(misfit, Known.of(drilling.holes, drilling.readings), shop)
    alone = (
        "nothing, if the fence is wanted so"
        if misfit.posts
        else "no single hole drilled again would save it"
        if certain
        else "tape it before anything is made or drilled: the readings leave open whether it hangs"
    )
    return Reason(
        ref="panel-becomes-custom",
        what=f"{misfit.panel} no longer hangs in its holes and is made custom, for {misfit.extra:.2f} {shop.currency} more: fabric, posts, work, less the stock panel",
        why=_off_in_words(misfit, shop, units),
        file=FILE,
        do=_cure_in_words(misfit.cure, shop, units) if misfit.cure else alone,
    )


def _off_in_words(misfit: Misfit, shop: Shop, units: ReportUnits) -> str:
    if misfit.posts:
        return f"from {misfit.first} to {misfit.last} it has {abs(misfit.posts)} {'post' if abs(misfit.posts) == 1 else 'posts'} {'more' if misfit.posts > 0 else 'fewer'} than the stock panel"
    side = "too wide" if misfit.off > 0 else "too narrow"
    takes = format_length(shop.setting_out.fit_tolerance, units)
    return f"{misfit.first} to {misfit.last} is {format_length(abs(misfit.off), units)} {side}; {takes} is what a stock panel takes"


def _cure_in_words(cure: Cure, shop: Shop, units: ReportUnits) -> str:
    saved = " and ".join(cure.saves)
    better = "cheaper" if cure.cost < cure.cost_as_is else "no cheaper"
    note = f"; {cure.note}" if cure.note else ""
    return (
        f"or drill {cure.hole} again {format_length(cure.move, units)} {cure.toward} "
        f"({format_length(cure.range[0], units)} to {format_length(cure.range[1], units)}): saves {saved} as stock; "
        f"{cure.cost:.2f} {shop.currency} in all against {cure.cost_as_is:.2f} as it is, {better}{note}"
    )


def _to_tape(drilling: Drilling, kind: str, units: ReportUnits) -> Iterator[Reason]:
    """Yield one warning for all panels of a kind that wait for a tape."""
    kinds = {panel.name: panel.kind for panel in drilling.layout.panels}
    waiting = [one for one in drilling.to_tape if kinds.get(one.panel) == kind]
    if not waiting:
        return
    one, custom = len(waiting) == 1, kind == "custom"
    names = _and([each.panel for each in waiting])
    runs = ", ".join(f"{first} to {last}" for each in waiting for first, last in runs_of(each.spans))
    known = format_length(COVERAGE * max(each.sigma for each in waiting), units)
    yield Reason(
        ref="panel-to-tape",
        what=f"{names} {'waits' if one else 'wait'} for a tape: distances of {'its' if one else 'their'} holes are known to {known} only"
        + ("" if custom else ", and a stock panel may not hang in them"),
        why="ties, shots and the plan place each hole by itself; what a panel is cut and hung by is the distance from hole to hole, by a tape",
        file=FILE,
        do=f"tape {runs}, every hole to the next, and add it as to_next; {names} {'is' if one else 'are'} not {'cut' if custom else 'hung'} before",
    )


def _and(names: list[str]) -> str:
    return " and ".join(filter(None, (", ".join(names[:-1]), names[-1])))


def _loose_gate(gate: Gate, off: float, sigma: float, units: ReportUnits) -> Reason:
    seem = f", and seem {format_length(abs(off), units)} {'too far apart' if off > 0 else 'too near'} for its leaf" if abs(off) > FELT else ""
    return Reason(
        ref="gate-known-badly",
        what=f"the holes of {gate.name} are known to {format_length(COVERAGE * sigma, units)} from one another only{seem}",
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
