"""From tape ties to points: placed, adjusted, blunders named, heights from level differences."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Final

import msgspec

from pipeline.errors import Reason, SurveyError
from pipeline.model.job import Job
from pipeline.model.survey import SurveyPoint
from pipeline.survey.adjustment import Solution, detectable, point_covariances
from pipeline.survey.codes import LINE_CODES, CodedShot, checked_point, read_description
from pipeline.survey.field_book import ReadPoint, Tie
from pipeline.survey.misreadings import likely_cause
from pipeline.survey.network import Network, NetworkPoint, Observation
from pipeline.survey.refusals import refusal
from pipeline.survey.slips import unit_slip
from pipeline.survey.snooping import Snooped, snooped
from pipeline.survey.solved import Solved
from pipeline.survey.summary import adjustment_summary, fit_reasons, rounded, scale_of_sigmas, worst_residuals
from pipeline.survey.tape_placing import Line, Place, Placing, placed_by_ties
from pipeline.units import ReportUnits, format_length

BLIND: Final = 0.1  # [m] smallest blunder a tie would show, beyond which it counts as unchecked
NEEDED_CODES: Final = LINE_CODES | {"MARK", "DOOR", "WINDOW", "START", "END", "GATE"}  # whatever they are wrong about, the fence is


def points_from_ties(ties: Sequence[Tie], marks: Sequence[ReadPoint], job: Job, table: Mapping[str, str]) -> Solved:
    """Return the points of a tape survey.

    Parameters
    ----------
    ties : sequence of Tie
        In the order measured; the first is the base line.
    marks : sequence of ReadPoint
        Points with coordinates; those among them that ties use hold the frame.
    job : Job
        For the tape's sigma and length.
    table : mapping
        The shop's own codes.

    Raises
    ------
    SurveyError
        When the ties give no coordinates at all.
    """
    ties = _with_checks(ties, table)
    distances = [tie for tie in ties if not tie.level]
    if not distances:
        raise refusal("no-ties", "there is no distance in the tape file", why="nothing fixes the points", file=ties[0].file if ties else "")
    coded = _descriptions(ties, table)
    held = {mark.point: mark for mark in marks if mark.point in coded}
    known, base = _frame(distances[0], held)
    placing = placed_by_ties(_mean_lengths(distances), known, base, _sides(distances), _lines(coded), float(job.options.survey.tape_sigma))
    holds = _placing_holds(placing, distances, coded)
    kept = [tie for tie in distances if tie.start in placing.places and tie.end in placing.places]
    network = _network(kept, placing.places, held, job)
    found = snooped(network)
    heights, levels = _heights(ties, held, job)
    warnings, blunder_holds = _blunders(found, kept, job)
    warnings += _unchecked(found.solution, coded, kept[0].file)
    holds += blunder_holds + _scale_slip(kept, held)
    points = _points(coded, found.solution, placing, held, heights, distances, job)
    summary = adjustment_summary(found, tuple(reason.what for reason in warnings if reason.ref == "blunder"))
    return Solved(points=points, adjustment=summary, warnings=tuple(warnings + levels), holds=tuple(holds))


def _with_checks(ties: Sequence[Tie], table: Mapping[str, str]) -> list[Tie]:
    """A tie to a CHECK is a second tie to the point its remark names."""
    names = {name.lower(): name for tie in ties for name in (tie.start, tie.end)}
    out = []
    for tie in ties:
        named = names.get(checked_point(read_description(tie.description, table)).lower())
        checks = named is not None and named != tie.start
        out.append(msgspec.structs.replace(tie, end=named, description="") if checks else tie)
    return out


def _descriptions(ties: Sequence[Tie], table: Mapping[str, str]) -> dict[str, CodedShot]:
    """Return each point's code in the order measured: from the ties that end at it; the base line's code is for both its ends."""
    coded: dict[str, CodedShot] = {}
    blank = CodedShot("", "", (), "")
    for tie in ties:
        for name in (tie.start, tie.end):
            coded.setdefault(name, blank)
        shot = read_description(tie.description, table)
        if (shot.code or shot.remark) and not coded[tie.end].code and not tie.level:
            coded[tie.end] = shot
    first = ties[0]
    shot = read_description(first.description, table)
    if not coded[first.start].code and not any(tie.end == first.start and tie.description for tie in ties):
        coded[first.start] = shot._replace(modifiers=())
    return coded


def _frame(base: Tie, held: Mapping[str, ReadPoint]) -> tuple[dict[str, Place], tuple[Place, Place]]:
    """Return the known points and the base line: marks with coordinates, else the first line, laid from west to east."""
    if len(held) >= 2:
        known = {name: (mark.east, mark.north) for name, mark in held.items()}
        ends = [known[name] for name in (base.start, base.end) if name in known]
        if len(ends) < 2:
            ends = list(known.values())[:2]
        return known, (ends[0], ends[1])
    origin = next(((mark.east, mark.north) for name, mark in held.items() if name in (base.start, base.end)), (0.0, 0.0))
    start = origin if base.end not in held else (origin[0] - base.dist, origin[1])
    end = (start[0] + base.dist, start[1])
    return {base.start: start, base.end: end}, (start, end)


def _mean_lengths(ties: Sequence[Tie]) -> dict[tuple[str, str], float]:
    gathered: dict[tuple[str, str], list[float]] = {}
    for tie in ties:
        pair = (tie.end, tie.start) if (tie.end, tie.start) in gathered else (tie.start, tie.end)
        gathered.setdefault(pair, []).append(tie.dist)
    return {pair: sum(lengths) / len(lengths) for pair, lengths in gathered.items()}


def _sides(ties: Sequence[Tie]) -> dict[str, str]:
    sides: dict[str, str] = {}
    for tie in ties:
        if tie.side:
            sides.setdefault(tie.end, tie.side)
    return sides


def _lines(coded: Mapping[str, CodedShot]) -> list[Line]:
    lines: dict[tuple[str, str], list[str]] = {}
    closed: set[tuple[str, str]] = set()
    for name, shot in coded.items():
        if shot.code in LINE_CODES:
            lines.setdefault((shot.code, shot.line), []).append(name)
            if shot.code == "WATER" or "C" in shot.modifiers:
                closed.add((shot.code, shot.line))
    return [Line(tuple(names), key in closed) for key, names in lines.items()]


def _network(ties: Sequence[Tie], places: Mapping[str, Place], held: Mapping[str, ReadPoint], job: Job) -> Network:
    base = ties[0]
    fixed = dict.fromkeys(held, "EN") if len(held) >= 2 else {base.start: "EN", base.end: "N"}
    points = [NetworkPoint(name=name, east=east, north=north, held=fixed.get(name, "")) for name, (east, north) in places.items()]
    sigma = float(job.options.survey.tape_sigma)
    observations = tuple(
        Observation(kind="distance", at=tie.start, to=tie.end, value=tie.dist, sigma=tie.sigma or sigma, label=_label(tie)) for tie in ties
    )
    return Network(points=tuple(points), observations=observations)


def _label(tie: Tie) -> str:
    return f"tie {tie.start}–{tie.end}"


def _placing_holds(placing: Placing, ties: Sequence[Tie], coded: Mapping[str, CodedShot]) -> list[Reason]:
    """Return a reason for every doubt that is left about where points lie."""
    holds = []
    if placing.mirrored:
        holds.append(_mirror_hold(ties[0]))
    if placing.two_sided:
        holds.append(_two_solutions_hold(placing.two_sided, ties[0].file))
    if placing.short:
        needed = [name for name in placing.short if coded[name].code in NEEDED_CODES]
        holds.append(_short_hold(needed or list(placing.short), ties))
    if placing.against:
        holds.append(_against_hold(placing.against, ties))
    return holds


def _mirror_hold(base: Tie) -> Reason:
    return Reason(
        ref="mirror-image",
        what="nothing in the ties tells left from right: the survey may be its own mirror image",
        why="distances alone fit a pool and its mirror image alike",
        file=base.file,
        do=f"write left or right in a `side` column for at least one point, seen from {base.start} to {base.end}",
    )


def _two_solutions_hold(names: Sequence[str], file: str) -> Reason:
    return Reason(
        ref="two-solutions",
        what=f"two places fit the ties of {_listed(names)} equally well",
        why="two ties meet on both sides of the line between their ends, and the order of the line does not settle it",
        file=file,
        do="measure a third tie to them from a point off that line, or write their side",
    )


def _short_hold(names: Sequence[str], ties: Sequence[Tie]) -> Reason:
    return Reason(
        ref="no-second-tie",
        what=f"{_listed(names)} {'has' if len(names) == 1 else 'have'} no second tie",
        why="one distance puts a point anywhere on a circle",
        file=ties[0].file,
        line=next((tie.row for tie in ties if names[0] in (tie.start, tie.end)), None),
        do="measure a second one, from a point in another direction",
    )


def _against_hold(names: Sequence[str], ties: Sequence[Tie]) -> Reason:
    return Reason(
        ref="side-contradicts",
        what=f"the side written for {_listed(names)} contradicts the ties",
        why="seen from the base line's first point to its second, the ties put it on the other side",
        file=ties[0].file,
        line=next((tie.row for tie in ties if tie.end == names[0] and tie.side), None),
        do="see which is right: the side, or the ends the distances were measured from",
    )


def _blunders(found: Snooped, ties: Sequence[Tie], job: Job) -> tuple[list[Reason], list[Reason]]:
    """Return (warnings, holds) that name the ties which stood out."""
    by_key = {(tie.start, tie.end, tie.dist): tie for tie in ties}
    warnings, holds = [], []
    for rejected in found.rejected:
        o = rejected.observation
        tie = by_key[(o.at, o.to, o.value)]
        cause = likely_cause(tie, rejected.size, max(4 * rejected.sigma_size, 0.01), float(job.shop.setting_out.tape_length))
        warnings.append(
            Reason(
                ref="blunder",
                what=f"{_label(tie)} reads about {_size(rejected.size, job.options.report_units)} and was left out",
                why=f"the other ties agree without it (test {rejected.statistic:.1f} against {rejected.critical:.1f})"
                + (f"; likely {cause}" if cause else ""),
                file=tie.file,
                line=tie.row,
                do="measure it again when you are there",
            )
        )
    if found.unlocated:
        named = [by_key[(o.at, o.to, o.value)] for o in found.unlocated]
        worst = max(abs(float(size)) for size in found.solution.residuals)
        holds.append(
            Reason(
                ref="blunder-not-located",
                what=f"one of these does not fit, and nothing tells which: {_listed([_label(tie) for tie in named])}",
                why=f"they disagree by {format_length(worst, job.options.report_units)} or more, and there are not enough spare ties to tell them apart",
                file=named[0].file,
                line=named[0].row,
                do="measure these again, and one more tie to each of their points",
            )
        )
    more_warnings, more_holds = fit_reasons(found, "ties", ties[0].file)
    return warnings + more_warnings, holds + more_holds


def _unchecked(found: Solution, coded: Mapping[str, CodedShot], file: str) -> list[Reason]:
    """Warn of points with a tie that nothing checks: were it a hand's breadth off, no residual would show it."""
    blind = detectable(found) > BLIND
    ends = [(o.at, o.to) for o, missed in zip(found.network.observations, blind.tolist(), strict=True) if missed]
    counts: dict[str, int] = {}
    for o in found.network.observations:
        for name in (o.at, o.to):
            counts[name] = counts.get(name, 0) + 1
    # the end with fewer ties is the one that hangs by it
    loose = list(dict.fromkeys(min(pair, key=lambda name: counts[name]) for pair in ends))
    loose = [name for name in loose if coded[name].code in NEEDED_CODES]
    if not loose:
        return []
    return [
        Reason(
            ref="unchecked",
            what=f"nothing checks {_listed(loose)}: a wrong tie there would not show",
            why="just two ties, or three of which two run the same way",
            file=file,
            do="measure one more tie to each, from a point in another direction",
        )
    ]


def _size(size: float, units: ReportUnits) -> str:
    return f"{format_length(abs(size), units)} {'long' if size > 0 else 'short'}"


def _scale_slip(ties: Sequence[Tie], held: Mapping[str, ReadPoint]) -> list[Reason]:
    """Ties between marks whose coordinates are known tell the unit: feet for metres and the reverse."""
    for tie in ties:
        if tie.start in held and tie.end in held:
            one, other = held[tie.start], held[tie.end]
            apart = math.hypot(one.east - other.east, one.north - other.north)
            slip = unit_slip(tie.dist / apart) if apart > 0 else None
            if slip:
                return [
                    Reason(
                        ref="unit-against-marks",
                        what=f"{_label(tie)} is {tie.dist / apart:.3f} times as long as the marks' coordinates say",
                        why=f"that is what {slip[0]} read as {slip[1]} gives, in one of the two files",
                        file=tie.file,
                        line=tie.row,
                        do="write the unit in job.toml: [survey] unit, and the ties with their unit beside each number",
                    )
                ]
    return []


def _heights(ties: Sequence[Tie], held: Mapping[str, ReadPoint], job: Job) -> tuple[dict[str, tuple[float, float]], list[Reason]]:
    """Return (level, sigma) [m] of each levelled point, by least squares over the differences."""
    levels = [tie for tie in ties if tie.level]
    if not levels:
        return {}, []
    sigma = float(job.options.survey.elevation_sigma)
    names = list(dict.fromkeys(name for tie in levels for name in (tie.start, tie.end)))
    known = {name: mark.elev for name, mark in held.items() if name in names and mark.elev is not None} or {levels[0].start: 0.0}
    points = tuple(NetworkPoint(name=name, east=0, north=0, up=known.get(name, 0.0), held="U" if name in known else "") for name in names)
    rises = tuple(
        Observation(kind="rise", at=tie.start, to=tie.end, value=tie.dist, sigma=tie.sigma or sigma, label=f"level {tie.start}–{tie.end}")
        for tie in levels
    )
    try:
        found = snooped(Network(points=points, observations=rises))
    except SurveyError as fault:
        return {}, list(fault.reasons)
    spread = point_covariances(found.solution)[:, 2, 2]
    warnings = [
        Reason(
            ref="blunder",
            what=f"{rejected.observation.label} is off by about {_size(rejected.size, job.options.report_units)} and was left out",
            why="the other levels agree without it",
            file=levels[0].file,
            do="level it again",
        )
        for rejected in found.rejected
    ]
    if found.unlocated:
        warnings.append(
            Reason(
                ref="levels-disagree",
                what=f"these levels do not close: {_listed([o.label for o in found.unlocated])}",
                why="nothing tells which is wrong",
                file=levels[0].file,
                do="level them again",
            )
        )
    return {
        name: (rounded(float(found.solution.places[number, 2])), rounded(math.sqrt(spread[number] + sigma**2 * (name not in known))) or sigma)
        for number, name in enumerate(names)
    }, warnings


def _points(
    coded: Mapping[str, CodedShot],
    found: Solution,
    placing: Placing,
    held: Mapping[str, ReadPoint],
    heights: Mapping[str, tuple[float, float]],
    ties: Sequence[Tie],
    job: Job,
) -> tuple[SurveyPoint, ...]:
    spread = point_covariances(found) * scale_of_sigmas(found)
    worst = worst_residuals(found)
    rows = {tie.end: tie for tie in reversed(ties)}
    points = []
    for order, (name, shot) in enumerate(coded.items()):
        if name not in placing.places:
            continue
        number = found.design.names.index(name)
        level, sigma_level = heights.get(name, (held[name].elev if name in held else None, float(job.options.survey.elevation_sigma)))
        doubtful = name in placing.two_sided or name in placing.against
        floor = float(job.options.survey.position_sigma) if name in held else 0.0
        points.append(
            SurveyPoint(
                point=name,
                code=shot.code,
                line=shot.line,
                modifiers=shot.modifiers,
                remark=shot.remark,
                east=rounded(float(found.places[number, 0])),
                north=rounded(float(found.places[number, 1])),
                elev=level,
                sigma_east=max(floor, rounded(math.sqrt(max(0.0, spread[number, 0, 0])))),
                sigma_north=max(floor, rounded(math.sqrt(max(0.0, spread[number, 1, 1])))),
                cov_east_north=round(float(spread[number, 0, 1]), 15),
                sigma_elev=None if level is None else sigma_level,
                state="suspect" if doubtful else "check" if shot.code == "CHECK" else "used",
                residual=None if name not in worst else rounded(worst[name]),
                why="its side is in doubt" if doubtful else "",
                order=order,
                file=rows[name].file if name in rows else ties[0].file,
                row=rows[name].row if name in rows else ties[0].row,
            )
        )
    return tuple(points)


def _listed(names: Sequence[str], most: int = 10) -> str:
    return ", ".join(names[:most]) + (f" and {len(names) - most} more" if len(names) > most else "")
