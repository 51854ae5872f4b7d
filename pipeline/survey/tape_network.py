"""From tape ties to points: placed, adjusted, blunders named, heights from level differences."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

from pipeline.errors import Reason, SurveyError
from pipeline.model.job import Job
from pipeline.model.survey import SurveyPoint
from pipeline.survey.adjustment import Solution, point_covariances
from pipeline.survey.codes import CodedShot
from pipeline.survey.common_errors import common_errors
from pipeline.survey.field_book import ReadPoint, Tie
from pipeline.survey.network import Network, NetworkPoint, Observation
from pipeline.survey.refusals import refusal
from pipeline.survey.snooping import Snooped, snooped, snooped_beside
from pipeline.survey.solved import Solved
from pipeline.survey.summary import adjustment_summary, fit_reasons, rounded, scale_of_sigmas, worst_residuals
from pipeline.survey.tape_placing import Place, Placing, placed_by_ties
from pipeline.survey.tape_reasons import listed, placing_holds, scale_slip, size_in_words, tie_blunder, unchecked, unlocated_ties
from pipeline.survey.tied_points import descriptions, lines_of_ties, mean_lengths, tie_observations, with_checks, written_sides
from pipeline.units import ReportUnits

Heights = Mapping[str, tuple[float, float]]  # level and its sigma [m]


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
    ties = with_checks(ties, table)
    distances = [tie for tie in ties if not tie.level]
    if not distances:
        raise refusal("no-ties", "there is no distance in the tape file", why="nothing fixes the points", file=ties[0].file if ties else "")
    coded = descriptions(ties, table)
    held = {mark.point: mark for mark in marks if mark.point in coded}
    slip = scale_slip(distances, {name: (mark.east, mark.north) for name, mark in held.items()})
    if slip:
        raise SurveyError(slip)
    known, base = _frame(distances[0], held)
    placing = placed_by_ties(
        mean_lengths(distances), known, base, written_sides(distances), lines_of_ties(coded), float(job.options.survey.tape_sigma)
    )
    kept = [tie for tie in distances if tie.start in placing.places and tie.end in placing.places]
    wild = [tie for tie in kept if (tie.start, tie.end) in placing.gross or (tie.end, tie.start) in placing.gross]
    sound = [tie for tie in kept if tie not in wild]
    found = snooped_beside(_network(sound, placing.places, held, job), tie_observations(wild, float(job.options.survey.tape_sigma)))
    heights, levels = _heights(ties, held, job)
    blunders = [tie_blunder(rejected, kept, job) for rejected in found.rejected]
    warnings, fit_holds = fit_reasons(found, "ties", distances[0].file)
    return Solved(
        points=_points(coded, found.solution, placing, held, heights, distances, job),
        adjustment=adjustment_summary(found, tuple(reason.what for reason in blunders)),
        warnings=(*blunders, *warnings, *unchecked(found.solution, coded, kept[0].file), *levels),
        holds=(*placing_holds(placing, distances, coded), *unlocated_ties(found, kept, job), *fit_holds),
        common=common_errors(found.solution, list(coded)),
    )


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


def _network(ties: Sequence[Tie], places: Mapping[str, Place], held: Mapping[str, ReadPoint], job: Job) -> Network:
    base = ties[0]  # never set aside: its ends are where it puts them
    fixed = dict.fromkeys(held, "EN") if len(held) >= 2 else {base.start: "EN", base.end: "N"}
    points = [NetworkPoint(name=name, east=east, north=north, held=fixed.get(name, "")) for name, (east, north) in places.items()]
    return Network(points=tuple(points), observations=tie_observations(ties, float(job.options.survey.tape_sigma)))


def _heights(ties: Sequence[Tie], held: Mapping[str, ReadPoint], job: Job) -> tuple[Heights, list[Reason]]:
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
    return {
        name: (rounded(float(found.solution.places[number, 2])), rounded(math.sqrt(spread[number] + sigma**2 * (name not in known))) or sigma)
        for number, name in enumerate(names)
    }, _level_warnings(found, levels[0].file, job.options.report_units)


def _level_warnings(found: Snooped, file: str, units: ReportUnits) -> list[Reason]:
    """Say which levels were left out, and which do not close without anything telling the wrong one."""
    warnings = [
        Reason(
            ref="blunder",
            what=f"{rejected.observation.label} is off by about {size_in_words(rejected.final_size, units)} and was left out",
            why="the other levels agree without it",
            file=file,
            do="level it again",
        )
        for rejected in found.rejected
    ]
    if found.unlocated:
        warnings.append(
            Reason(
                ref="levels-disagree",
                what=f"these levels do not close: {listed([o.label for o in found.unlocated])}",
                why="nothing tells which is wrong",
                file=file,
                do="level them again",
            )
        )
    return warnings


def _points(
    coded: Mapping[str, CodedShot],
    found: Solution,
    placing: Placing,
    held: Mapping[str, ReadPoint],
    heights: Heights,
    ties: Sequence[Tie],
    job: Job,
) -> tuple[SurveyPoint, ...]:
    spread = point_covariances(found) * scale_of_sigmas(found)
    worst = worst_residuals(found)
    rows = {tie.end: tie for tie in reversed(ties)}
    number_of = {name: number for number, name in enumerate(found.design.names)}
    doubtful = {*placing.two_sided, *placing.against}
    options = job.options.survey
    points = []
    for order, (name, shot) in enumerate(coded.items()):
        if name not in placing.places:
            continue
        number, tie = number_of[name], rows.get(name, ties[0])
        level, sigma_level = heights.get(name, (held[name].elev if name in held else None, float(options.elevation_sigma)))
        floor = float(options.position_sigma) if name in held else 0.0
        points.append(
            SurveyPoint(
                point=name, code=shot.code, line=shot.line, modifiers=shot.modifiers, remark=shot.remark,
                east=rounded(float(found.places[number, 0])),
                north=rounded(float(found.places[number, 1])),
                elev=level,
                sigma_east=max(floor, rounded(math.sqrt(max(0.0, spread[number, 0, 0])))),
                sigma_north=max(floor, rounded(math.sqrt(max(0.0, spread[number, 1, 1])))),
                cov_east_north=round(float(spread[number, 0, 1]), 15),
                sigma_elev=None if level is None else sigma_level,
                state="suspect" if name in doubtful else "check" if shot.code == "CHECK" else "used",
                residual=None if name not in worst else rounded(worst[name]),
                why="its side is in doubt" if name in doubtful else "",
                order=order, file=tie.file, row=tie.row,
            )
        )  # fmt: skip
    return tuple(points)
