"""The verb of this stage: from the plan and what came back from the site to the fence as it stands."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Final

import msgspec
import numpy as np

from pipeline.drilling import refusals
from pipeline.drilling.cures import cures_of, gate_cure
from pipeline.drilling.cut_list import read_cut
from pipeline.drilling.estimate import DIGITS_SQUARED, Estimate, estimated, place_of
from pipeline.drilling.lineup import Lineup, line_up
from pipeline.drilling.misfits import custom_where_misfit, gates_that_do_not_fit, misfits_of
from pipeline.drilling.network import Network, Sigmas, Vector, loosened, network_of
from pipeline.drilling.notices import gate_does_not_fit, warnings_of
from pipeline.drilling.release import Known, sure, to_tape_of
from pipeline.drilling.sheet import SheetRow, read_sheet
from pipeline.drilling.slips import Explanation, Found, explained, how_far, reading_in_words
from pipeline.drilling.standing import standing_layout
from pipeline.geometry.chain import Point
from pipeline.model.drilling import Adjusted, DrilledHole, Drilling, HoleState, Reading, Returned
from pipeline.model.job import Job
from pipeline.model.layout import Hole, Layout
from pipeline.model.site import Site
from pipeline.model.survey import Survey
from pipeline.units import ReportUnits, format_length

ELSEWHERE: Final = 4.0  # [-] standard deviations of setting out and drilling: a hole farther off stands elsewhere
DIGITS: Final = 9  # of a residual [m]


def follow(job: Job, survey: Survey, site: Site, layout: Layout, returned: Returned, files: Mapping[str, bytes]) -> Drilling:
    """Return the holes as they are and the fence that stands in them; `files` are those that came back, by name.

    Raises
    ------
    SurveyError
        When the crew's sheet does not tell where a hole is.
    JobError
        When the crew's sheet or the shop's list cannot be read, or a gate no longer fits its holes.
    """
    units = job.options.report_units
    cut = read_cut(files["cut.csv"], [panel.name for panel in layout.panels], units) if returned.cut else ()
    if returned.as_drilled is None:
        return Drilling(layout=layout, as_drilled=False, holes=_as_planned(job, layout), cut=cut, returned=returned)
    rows = read_sheet(
        files["as_drilled.csv"], [hole.name for hole in layout.holes], {mark.name: mark.place for mark in site.marks}, units, survey.frame
    )
    drilling = measured(job, survey, site, layout, rows)
    drilling = msgspec.structs.replace(drilling, cut=cut, returned=returned)
    return msgspec.structs.replace(drilling, warnings=tuple(warnings_of(layout, drilling, job.shop, units)))


def measured(job: Job, survey: Survey, site: Site, layout: Layout, rows: tuple[SheetRow, ...]) -> Drilling:
    """Return the holes as measured, the fence in them, and what no longer fits; without warnings."""
    shop, units = job.shop, job.options.report_units
    refusals.refuse_unusable(rows, layout)
    refusals.refuse_other_unit(rows, layout)
    refusals.refuse_other_frame(rows, layout, survey.frame)
    lineup = line_up(layout, {row.hole: row for row in rows}, {hole.name: setting_out_sigma(job, hole) for hole in layout.holes})
    network = network_of(lineup, rows, {mark.name: mark for mark in site.marks}, _sigmas(job))
    state = _linearised_at(network)
    found = explained(network, state, units, float(shop.sleeve.bore))
    refusals.refuse_doubts(network, found, units)
    estimate = _with(network, found, how_far(network, state, found))
    places = {hole.name: place_of(network, estimate, hole.name) for hole in lineup.holes}
    refusals.refuse_gaps(lineup, layout, places, shop, units)
    stands = standing_layout(layout, lineup, places, site)
    holes = _holes(job, layout, lineup, rows, network, estimate, places, found)
    sigmas = {one.hole: one.to_next_sigma or 0.0 for one in holes}
    for gate, off in gates_that_do_not_fit(layout, stands, shop, sigmas):
        raise gate_does_not_fit(gate, off, gate_cure(gate.name, layout, stands, shop), shop, units)
    readings = _readings(network, estimate, rows, lineup, found, units)
    known = Known.of(holes, readings)
    misfits = misfits_of(layout, stands, shop)
    certain = {one.panel for one in misfits if sure(one, known, shop)}
    cures = [one for one in cures_of(layout, stands, misfits, lineup.filled(layout), site, shop, units) if certain.issuperset(one.saves)]
    stands = custom_where_misfit(stands, misfits)
    return Drilling(
        layout=stands,
        holes=holes,
        readings=readings,
        misfits=tuple(msgspec.structs.replace(one, cure=next((cure for cure in cures if one.panel in cure.saves), None)) for one in misfits),
        cures=tuple(cure for cure in cures if cure.cost < cure.cost_as_is),
        to_tape=to_tape_of(layout, stands, known, shop),
        adjusted=_adjusted(network, estimate, found, units),
    )


def setting_out_sigma(job: Job, hole: Hole) -> float:
    """Return the standard deviation of a hole set out and drilled, each way in plan [m]."""
    setting_out = job.shop.setting_out
    return math.hypot(hole.tie_sigma if hole.tie_sigma is not None else setting_out.mark_sigma, setting_out.drill_sigma)


def _sigmas(job: Job) -> Sigmas:
    survey = job.options.survey
    return Sigmas(to_next=float(job.shop.setting_out.reading_sigma), tie=float(survey.tape_sigma), coordinate=float(survey.position_sigma))


def _as_planned(job: Job, layout: Layout) -> tuple[DrilledHole, ...]:
    sigmas = {hole.name: setting_out_sigma(job, hole) ** 2 for hole in layout.holes}
    return tuple(
        DrilledHole(
            hole=hole.name,
            state="planned",
            planned=hole.place,
            place=hole.place,
            variance_east=round(sigmas[hole.name], DIGITS_SQUARED),
            variance_north=round(sigmas[hole.name], DIGITS_SQUARED),
        )
        for hole in layout.holes
    )


def _linearised_at(network: Network) -> Vector:
    """Return where the readings are linearised: at the plan, but where holes were moved or added by what was read of those alone."""
    loose = {hole.name for hole in network.lineup.holes if hole.loose}
    if not loose:
        return network.start
    followed = np.array([one.hole in loose or one.to in loose for one in network.observed], dtype=bool)
    return estimated(network, network.prior, followed).state


def _with(network: Network, found: Found, loose: Mapping[str, float]) -> Estimate:
    """Adjust without what is not followed, and with the holes that stand elsewhere let go."""
    out = {index for one in found.taken for index in one.readings}
    followed = np.array([index not in out for index in range(len(network.observed))], dtype=bool)
    prior = network.prior
    for hole, size in loose.items():
        prior = loosened(prior, network.at(hole), size)
    return estimated(network, prior, followed)


def _holes(
    job: Job,
    layout: Layout,
    lineup: Lineup,
    rows: tuple[SheetRow, ...],
    network: Network,
    estimate: Estimate,
    places: Mapping[str, Point],
    found: Found,
) -> tuple[DrilledHole, ...]:
    """Return every hole of the plan and the added ones, in walking order."""
    remarks = {row.hole: row.remark for row in rows}
    loosed = {one.hole for one in found.taken if one.hole}
    out = {index for one in found.taken for index in one.readings}
    touched = {name for index, one in enumerate(network.observed) if index not in out for name in (one.hole, one.to)}
    stands = {hole.name for hole in lineup.holes}
    order: list[str] = []
    for hole in layout.holes:
        order += [hole.name] + [one.name for one in lineup.holes if one.added and one.plan.name == hole.name]
    plan = {hole.name: hole for hole in layout.holes}
    made = []
    for name in order:
        if name not in stands:
            made.append(DrilledHole(hole=name, state="abandoned", planned=plan[name].place, remark=remarks.get(name, "")))
            continue
        covariance = estimate.covariance[network.at(name), network.at(name)]
        drilled = DrilledHole(
            hole=name,
            state="measured" if name in touched else "planned",
            planned=plan[name].place if name in plan else None,
            place=places[name],
            variance_east=round(float(covariance[0, 0]), DIGITS_SQUARED),
            variance_north=round(float(covariance[1, 1]), DIGITS_SQUARED),
            covariance=round(float(covariance[0, 1]), DIGITS_SQUARED),
            to_next_sigma=_chord_sigma(network, estimate, lineup, name),
            instead_of=lineup.instead_of.get(name, ""),
            remark=remarks.get(name, ""),
        )
        made.append(msgspec.structs.replace(drilled, state=_state(job, drilled, lineup, loosed, plan)))
    return tuple(made)


def _state(job: Job, drilled: DrilledHole, lineup: Lineup, loosed: set[str], plan: Mapping[str, Hole]) -> HoleState:
    name = drilled.hole
    if name not in plan:
        return "added"
    if name in lineup.missing:
        return "missing"
    expected = next(one for one in lineup.holes if one.name == name)
    far = (drilled.off_plan or 0.0) > ELSEWHERE * setting_out_sigma(job, plan[name])
    return "moved" if expected.loose or name in loosed or far else drilled.state


def _chord_sigma(network: Network, estimate: Estimate, lineup: Lineup, name: str) -> float | None:
    """Return the standard deviation of the distance to the next hole that stands [m]."""
    line = [one.name for one in lineup.line]
    if name not in line or (name == line[-1] and not lineup.closed):
        return None
    here, there = network.at(name), network.at(line[(line.index(name) + 1) % len(line)])
    way = estimate.state[there] - estimate.state[here]
    way = way / max(float(np.hypot(way[0], way[1])), 1e-6)
    covariance = estimate.covariance
    spread = covariance[here, here] + covariance[there, there] - covariance[here, there] - covariance[there, here]
    return round(math.sqrt(max(float(way @ spread @ way), 0.0)), DIGITS)


def _readings(
    network: Network, estimate: Estimate, rows: tuple[SheetRow, ...], lineup: Lineup, found: Found, units: ReportUnits
) -> tuple[Reading, ...]:
    """Return every reading in the order of the sheet, those of holes that are not there too."""
    because = {index: one for one in found.taken for index in one.readings}
    made = [_reading(network, estimate, index, because.get(index), units) for index in range(len(network.observed))]
    made += [reading for row in rows for reading in _of_no_hole(row, lineup)]
    return tuple(sorted(made, key=lambda one: one.row))


def _reading(network: Network, estimate: Estimate, index: int, because: Explanation | None, units: ReportUnits) -> Reading:
    one = network.observed[index]
    estimate_of_it = one.value - float(estimate.residuals[index])
    return Reading(
        hole=one.hole,
        to=one.to,
        kind=one.kind,
        value=one.figure.value,
        planned=one.planned,
        residual=round(one.figure.value - estimate_of_it, DIGITS),
        sigma=round(one.sigma, DIGITS),
        followed=because is None,
        why=_why(one.figure.value - estimate_of_it, because, units) if because else "",
        cause=because.cause if because else "",
        row=one.row,
    )


def _why(off: float, because: Explanation, units: ReportUnits) -> str:
    side = "more" if off > 0 else "less"
    cause = f": {because.cause}" if because.cause else ""
    return f"it is {format_length(abs(off), units)} {side} than the plan and the other readings leave room for{cause}"


def _of_no_hole(row: SheetRow, lineup: Lineup) -> list[Reading]:
    """Return what was read of a hole that is missing or given up: nothing follows it."""
    if row.hole not in lineup.abandoned and row.hole not in lineup.missing:
        return []
    figures = [("to-next", row.to_next), ("tie", row.tie_a), ("tie", row.tie_b)]
    figures += [("east", row.place[0]), ("north", row.place[1])] if row.place else []
    why = f"{row.hole} is {'given up' if row.hole in lineup.abandoned else 'not drilled'} by its remark: no post stands in it"
    return [
        Reading(hole=row.hole, to="", kind=kind, value=figure.value, residual=0.0, sigma=0.0, followed=False, why=why, row=row.row)  # type: ignore[arg-type]  # a kind by its word
        for kind, figure in figures
        if figure is not None
    ]


def _adjusted(network: Network, estimate: Estimate, found: Found, units: ReportUnits) -> Adjusted:
    out = {index for one in found.taken for index in one.readings}
    ranked = [(round(abs(value), 6), -index) for index, value in enumerate(estimate.scaled) if value is not None]
    worst = max(ranked, default=None)
    return Adjusted(
        readings=len(network.observed),
        followed=len(network.observed) - len(out),
        iterations=estimate.iterations,
        variance_factor=estimate.variance_factor,
        worst=reading_in_words(network.observed[-worst[1]], units) if worst else "",
        worst_statistic=worst[0] if worst else 0.0,
    )
