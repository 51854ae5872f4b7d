"""The verb of the stage: from the fitted site and the job to every hole in its place."""

from __future__ import annotations

import dataclasses
import math
import re
from collections.abc import Iterator
from dataclasses import dataclass

import msgspec
import numpy as np

from pipeline.errors import InternalFault, LayoutError, Reason
from pipeline.geometry.chain import Chain
from pipeline.geometry.offset import with_bays_rounded
from pipeline.layout.barrier import Course, course_of, refuse_end_at_opening
from pipeline.layout.enclosure import check_enclosure, check_fabric
from pipeline.layout.fence import Laid, Task, fence_along
from pipeline.layout.gate_places import GateWithoutPlace, proposed_gate
from pipeline.layout.gates import NEAR, REACH, wishes_on
from pipeline.layout.grid import GIVE_UNIT, MOVE_UNIT, Measures
from pipeline.layout.ground import with_door_swings
from pipeline.layout.line import hole_line
from pipeline.layout.measures import PRICE_UNIT, drawn_setback, least_setback, measures_of
from pipeline.layout.nearness import chord_clearances
from pipeline.layout.notices import notices, setback_raised
from pipeline.layout.optimum import unpacked
from pipeline.layout.records import ends_of, parts_of
from pipeline.layout.setting_out import distances_across
from pipeline.layout.steps import part_of, straight_over
from pipeline.layout.tables import COST_KEY
from pipeline.layout.walk import Floats, walk_of
from pipeline.layout.waters import outline_round
from pipeline.model.job import Job
from pipeline.model.layout import Alternative, Certificate, Layout
from pipeline.model.shop import CornerStyle
from pipeline.model.site import Site
from pipeline.units import INCH, Length

OTHER_SETBACKS = (-5 * INCH, 5 * INCH)  # [m] beside the job's own, and the least allowed, for the office's table (own judgement)
CURED_BY_CORNERS = {
    "no-room-for-the-line",
    "no-mitre",
    "no-row-fits",
    "custom-panel-blocked",
}  # holds that another line round the corners may not meet
CURED_NEARER = {"no-room-for-the-line", "no-mitre"}  # and those that a line nearer to the water may not meet
BEST_STEPS = tuple(step * INCH for step in range(1, 13))  # [m] over the wanted setback, tried where the job lets it be chosen


@dataclass(frozen=True)
class Draft:
    """A line and the fence along it."""

    line: Chain
    course: Course
    laid: Laid
    proposed: bool
    corner: CornerStyle
    wanted: Chain | None


def lay_out(job: Job, site: Site) -> Layout:
    """Lay out one fence.

    Raises
    ------
    LayoutError
        When no fence fits the site as asked; says where, by how much, and what would cure it.
    """
    site, asked = with_door_swings(site), float(job.options.fence.setback)
    job = with_setback(job, max(asked, least_setback(job)))
    others = _alternatives(job, site) if job.options.fence.best_setback else ()
    job = _with_best_setback(job, others)
    sizes = measures_of(job)
    draft = _from_its_first_hole(drafted(job, site, sizes))
    walk, line = walk_of(draft.line), draft.line
    risers = {index: crossing.riser for index, crossing in draft.laid.crossings.items()}
    parts = parts_of(walk, draft.laid.row, draft.laid.gates, risers, job, site, sizes)
    ends = () if line.closed else ends_of(parts.holes, draft.course.walls)
    check_fabric(parts.holes, line.closed, job, site)
    refuse_end_at_opening(ends, site)
    if all(end.wall for end in ends):
        check_enclosure(parts.holes, line.closed, site)
    layout = Layout(
        line=line,
        setback=float(job.options.fence.setback),
        least_setback=least_setback(job),
        closed=line.closed,
        holes=parts.holes,
        panels=parts.panels,
        joints=parts.joints,
        gates=parts.gates,
        ends=ends,
        check_distances=distances_across(parts.holes, closed=line.closed),
        alternatives=others or _with_its_own(_alternatives(job, site), draft.laid, walk.places(np.asarray(draft.laid.row.stations)), job, site),
        certificate=_certificate(draft.laid),
        wanted=draft.wanted,
    )
    crossings = tuple(draft.laid.crossings.values())
    raised = setback_raised(asked, layout.least_setback, job.options.report_units)
    return msgspec.structs.replace(layout, warnings=raised + notices(layout, crossings, job, site, proposed=draft.proposed, corner=draft.corner))


def _from_its_first_hole(draft: Draft) -> Draft:
    """Return the draft with its line begun at the first hole, and ended at the last one of an open fence; stations count from there."""
    stations, line = draft.laid.row.stations, draft.line
    first, last = stations[0], stations[0] + line.length if line.closed else stations[-1]
    row = part_of(line, first % line.length, last - first + first % line.length) if line.closed else part_of(line, first, last)
    ends = () if line.closed else (row[-1].end,)
    begun = Chain((*(piece.start for piece in row), *ends), tuple(piece.bulge for piece in row), line.closed)

    def counted(places: tuple[float, ...]) -> tuple[float, ...]:
        return tuple((station - first) % line.length if line.closed else station - first for station in places)

    counted_row = dataclasses.replace(draft.laid.row, stations=counted(stations), searched=counted(draft.laid.row.searched))
    gates = tuple(dataclasses.replace(wish, station=counted((wish.station,))[0]) for wish in draft.laid.gates)
    laid = dataclasses.replace(draft.laid, row=counted_row, gates=gates)
    return dataclasses.replace(draft, line=begun, laid=laid)


def with_setback(job: Job, setback: float) -> Job:
    """Return the same job at another setback [m]."""
    fence = msgspec.structs.replace(job.options.fence, setback=Length(setback))
    return msgspec.structs.replace(job, options=msgspec.structs.replace(job.options, fence=fence))


def drafted(job: Job, site: Site, sizes: Measures, *, both_hands: bool = True, unit: int = 1) -> Draft:
    """Return a line and the fence along it, without the records; see `fence.Task` for hands and unit."""
    first: LayoutError | None = None
    for style, setback in _attempts(job):
        if first is not None and setback < job.options.fence.setback and first.reasons[0].ref not in CURED_NEARER:
            break
        try:
            return _in_style(style, with_setback(job, setback), site, sizes, both_hands=both_hands, unit=unit)
        except LayoutError as fault:
            if fault.reasons[0].ref not in CURED_BY_CORNERS:
                raise
            first = first or fault
    raise first or InternalFault(Reason(ref="no-attempt", what="no way round a corner was tried", do="report it with the job's folder"))


def _attempts(job: Job) -> Iterator[tuple[CornerStyle, float]]:
    """Yield the ways round corners with their setback [m]: the shop's own, the other ones, then a mitred line nearer to the water all round."""
    own, wanted, least = job.shop.panel.corner, float(job.options.fence.setback), least_setback(job)
    others: tuple[CornerStyle, ...] = ("rounded", "chamfered", "mitred")
    for style in (own, *(other for other in others if other != own)):
        yield style, wanted
    if 0 < least < wanted:
        for step in range(1, math.ceil((wanted - least) / INCH)):
            yield "mitred", wanted - step * INCH
        yield "mitred", least


def _in_style(style: CornerStyle, job: Job, site: Site, sizes: Measures, *, both_hands: bool, unit: int) -> Draft:
    course = _course(job, site, sizes)
    cornered = hole_line(course.chain, drawn_setback(job), sizes.spacing, style, job, site)
    line = straight_over(cornered.chain, site.risers, 2 * float(job.shop.panel.end_clearance))
    given = tuple(sorted(line.nearest(point)[0] for point in cornered.given))
    laid = _with_a_leaf_that_fits(Task(walk_of(line), course, job, site, sizes, given, cornered.wanted, both_hands, unit))
    return Draft(line, course, laid, not site.gates, style, cornered.wanted)


def _with_a_leaf_that_fits(task: Task) -> Laid:
    """Return the fence with the leaf asked for, or the shop's first one; a gate that finds no place with that gets the widest of the shop's narrower ones that does."""
    asked = {gate.name: gate.leaf for gate in task.site.gates}
    first, *others = (float(leaf) for leaf in task.job.shop.gate.leaf)
    leaves, held = [first, *sorted((leaf for leaf in others if leaf < first), reverse=True)], None
    tried = dict.fromkeys(asked, 0) or {"": 0}
    while True:
        wishes = tuple(
            dataclasses.replace(wish, leaf=asked[wish.name] or leaves[tried[wish.name]]) for wish in wishes_on(task.walk, task.site.gates, first)
        )
        try:
            return fence_along(task, wishes or (proposed_gate(task.walk, task.site, leaves[tried[""]]),))
        except GateWithoutPlace as fault:
            held, name = held or fault, fault.wish.name
            tried[name] += 1
            if asked.get(name) or tried[name] == len(leaves):
                raise held from None


def _course(job: Job, site: Site, sizes: Measures) -> Course:
    parallel = outline_round(site, drawn_setback(job))
    rounded = with_bays_rounded(parallel, sizes.spacing / 2)
    return course_of(rounded, site, job.options.fence.ends, float(job.shop.panel.end_clearance))


def _alternatives(job: Job, site: Site) -> tuple[Alternative, ...]:
    """Return the same job at other setbacks that the rule packs allow, each searched as the job's own, from one hand and for custom panels and cost alone, and proven in these over all places or not."""
    wanted, least = float(job.options.fence.setback), least_setback(job)
    steps = (0.0, *BEST_STEPS) if job.options.fence.best_setback else OTHER_SETBACKS
    setbacks = {round(wanted + step, 6) for step in steps if wanted + step >= least - 1e-9}
    if 0 < least < wanted:
        setbacks.add(least)
    return tuple(_alternative(with_setback(job, setback), site) for setback in sorted(setbacks))


def _alternative(job: Job, site: Site) -> Alternative:
    try:
        draft = drafted(job, site, measures_of(job), both_hands=False, unit=COST_KEY)
    except LayoutError as fault:
        return Alternative(
            setback=float(job.options.fence.setback), holes=0, custom_panels=0, cost=0.0, least_margin=0.0, note=_without_place(fault.reasons[0].what)
        )
    places = walk_of(draft.line).places(np.asarray(draft.laid.row.stations))
    return _as_alternative(draft.laid, places, draft.line.closed, job, site)


def _without_place(what: str) -> str:
    """Return what was seen without the coordinates it begins with: the table is read in the office, not on the deck."""
    return re.sub(r"^at \([^)]*\) m ", "", what)


def _as_alternative(laid: Laid, places: Floats, closed: bool, job: Job, site: Site) -> Alternative:
    customs, cost, _, _ = _objective(laid.key)
    starts, ends = (places, np.roll(places, -1, axis=0)) if closed else (places[:-1], places[1:])
    nearest = min(float(chord_clearances(starts, ends, water.chain).min()) for water in site.waters)
    return Alternative(
        setback=float(job.options.fence.setback),
        holes=len(places) + len(laid.gates),
        custom_panels=int(customs),
        cost=cost,
        least_margin=nearest - least_setback(job),
        proven=_objective(laid.anywhere)[:2] == (customs, cost),
    )


def _with_its_own(others: tuple[Alternative, ...], laid: Laid, places: Floats, job: Job, site: Site) -> tuple[Alternative, ...]:
    """Return the table with the job's own setback in its place."""
    own = _as_alternative(laid, places, len(laid.row.gaps) == len(laid.row.stations), job, site)
    return tuple(sorted((*others, own), key=lambda other: other.setback))


def _with_best_setback(job: Job, others: tuple[Alternative, ...]) -> Job:
    """Return the job at the setback with the fewest custom panels, then the least cost, then the nearest to the one wanted."""
    wanted = float(job.options.fence.setback)
    buildable = [other for other in others if not other.note and other.setback >= wanted - 1e-9]
    if not buildable or not job.options.fence.best_setback:
        return job
    best = min(buildable, key=lambda other: (other.custom_panels, other.cost, other.setback - wanted))
    return with_setback(job, best.setback)


def _certificate(laid: Laid) -> Certificate:
    objective, bound, anywhere = _objective(laid.key), _objective(laid.bound), _objective(laid.anywhere)[:2]
    return Certificate(
        objective=objective,
        bound=bound,
        gap=max(abs(one - other) for one, other in zip(objective, bound, strict=True)),
        method=(
            "least of all rows whose holes stand at stations 1/16 in apart, as a tape is read, counted from where the gate is wanted on a loop and from the given holes "
            "elsewhere, gates at any of these stations: first the fewest custom panels, then the least cost, then the least use of the give, every spacing read to the nearest 1/16 in, then "
            "the least deviation, how far holes stand off the wanted line and gates from their wishes along it, each to the nearest 1/16 in; "
            f"gates stay within {NEAR:.1f} m of their wishes where that costs no custom panel, else within {REACH:.1f} m; exact dynamic programming, all places of the gate a loop is "
            f"cut at compared by branch and bound, from both hands, of which the better row is kept; {laid.searches} searches; the row so found is `stations`, its bends are evened out "
            f"after that; {_between(objective, anywhere)}"
        ),
        anywhere=anywhere,
        stations=laid.row.searched,
        gates=tuple(wish.station for wish in laid.gates),
    )


def _between(objective: tuple[float, ...], anywhere: tuple[float, ...]) -> str:
    """Return in words what is proven over the places between the stations too."""
    if anywhere == objective[:2]:
        return "custom panels and cost are proven least over all places between them too, by windows every row of panels has to end in; give and deviation are not"
    customs, cost = anywhere
    return f"over the places between them no fewer than {customs:.0f} custom panels, and with as many no less cost than {cost:.2f}, are proven by windows"


def _objective(key: int) -> tuple[float, float, float, float]:
    customs, cost, give, move = unpacked(key)
    return (float(customs), cost * PRICE_UNIT, give * GIVE_UNIT, move * MOVE_UNIT)
