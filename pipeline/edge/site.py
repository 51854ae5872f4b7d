"""The verb of this stage: the site as built, from the survey's points."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence

import numpy as np

from pipeline.edge.deck_levels import Followed, deck_levels
from pipeline.edge.furniture import ends_of, furniture_of, gates_of, marks_of
from pipeline.edge.levels import Cut, heights_of
from pipeline.edge.lines import FittedRow, fitted, why_no_line
from pipeline.edge.shots import STANDING, Line, lines_of
from pipeline.edge.steps import Step, risers_of, shots_on_sides, steps_of
from pipeline.errors import Reason, SurveyError
from pipeline.geometry.chain import Chain
from pipeline.model.job import Job
from pipeline.model.site import FittedLine, LevelSurface, Riser, Site
from pipeline.model.survey import Survey, SurveyPoint


def fit_site(job: Job, survey: Survey) -> Site:
    """Fit every line of a site and gather what stands on it.

    Raises
    ------
    SurveyError
        Without a water's edge, or when it cannot be told where it runs.
    """
    rows = {code: _rows(survey, code) for code in ("COPING", "DECK", "WALL", "JOINT", "DRAIN", "UTILITY")}
    waters = _waters(job, survey, [row.line for row in rows["COPING"]])
    lines = {code: tuple(row.line for row in found) for code, found in rows.items()}
    points = tuple(point for point in survey.points if point.state in STANDING)
    steps, step_warnings = steps_of(lines_of(survey, "STEP"))
    riser_row = risers_of(steps, points)
    followed = _followed(points, riser_row.risers, steps, lines["JOINT"], waters)
    levels = followed.patched
    furniture = furniture_of(survey, lines["WALL"])
    gates, gate_warnings = gates_of(job, survey)
    start, end = ends_of(survey)
    return Site(
        waters=tuple(row.line for row in waters),
        copings=lines["COPING"],
        decks=lines["DECK"],
        walls=lines["WALL"],
        joints=lines["JOINT"],
        drains=lines["DRAIN"],
        utilities=lines["UTILITY"],
        point_hazards=furniture.point_hazards,
        risers=riser_row.risers,
        openings=furniture.openings,
        objects=furniture.objects,
        marks=marks_of(survey, lines["WALL"]),
        gates=gates,
        start=start,
        end=end,
        levels=LevelSurface(patches=levels.patches, joint=levels.joint),
        warnings=(
            *_of_rows((*waters, *(row for found in rows.values() for row in found))),
            *step_warnings,
            *riser_row.warnings,
            *_off_levels(levels.set_aside),
            *_coping_stands(followed.coping_step),
            *furniture.warnings,
            *gate_warnings,
        ),
    )


def _waters(job: Job, survey: Survey, copings: Sequence[FittedLine]) -> tuple[FittedRow, ...]:
    lines = lines_of(survey, "WATER")
    if not lines:
        raise SurveyError(_no_water(survey))
    short = [line for line in lines if len(line.points) < 3]
    if short:
        raise SurveyError(
            Reason(
                ref="water-too-short",
                what=f"{line.name} has only {len(line.points)} shot{'s' if len(line.points) != 1 else ''} that may be used",
                why="a closed water's edge needs three at the very least, and several on every side and curve to be fitted",
                file=line.points[0].file,
                line=line.points[0].row or None,
                do="shoot the whole water's edge; correct the line number if these shots belong to another line",
            )
            for line in short
        )
    rows = [(line, fitted(line, copings)) for line in lines]
    faults = [why_no_line(line) or _no_shape(line) for line, row in rows if row is None]
    found = tuple(row for _, row in rows if row is not None)
    faults += [fault for row in found for fault in row.faults]
    if faults:
        raise SurveyError(faults)
    _check_extents(job, found)
    return found


def _no_shape(line: Line) -> Reason:
    return Reason(
        ref="water-without-shape",
        what=f"the {len(line.points)} shots of {line.name} make no closed line",
        why="they lie on one straight line or all in one place, or belong to more lines than one",
        file=line.points[0].file,
        line=line.points[0].row or None,
        do="shoot the whole water's edge; correct the code or the line number of these shots",
    )


def _no_water(survey: Survey) -> Reason:
    first = min(survey.points, key=lambda point: point.order, default=None)
    lost = [point for point in survey.points if point.code == "WATER"]
    if lost:
        what = f"none of the {len(lost)} WATER shots may be used (rejected or taken as checks)"
    else:
        codes = sorted({point.code for point in survey.points if point.code})
        what = f"the survey has no water's edge: no shot is coded WATER (codes found: {', '.join(codes) or 'none'})"
    return Reason(
        ref="no-water",
        what=what,
        why="every setback is measured from the water's edge",
        file=first.file if first else "",
        do="shoot the coping's inside face all round as WATER, or map the crew's own code to WATER under [codes] in shop.toml",
    )


def _check_extents(job: Job, rows: Sequence[FittedRow]) -> None:
    """Hold a pool no pool can be: a wrong unit more often than a strange pool."""
    limits = job.shop.limits
    faults = []
    for row in rows:
        extent = float(np.ptp(row.line.chain.densified(0.05), axis=0).max())
        if not limits.pool_least <= extent <= limits.pool_most:
            faults.append(
                Reason(
                    ref="pool-extent",
                    what=f"WATER{row.line.line} is {extent:.2f} m across",
                    why=f"a pool is taken to be between {limits.pool_least:g} m and {limits.pool_most:g} m; a wrong unit makes it 3.28 times too large or small",
                    do="check `unit` under [survey] in job.toml; for such a pool set [limits] pool_least and pool_most in shop.toml",
                )
            )
    if faults:
        raise SurveyError(faults)


def _rows(survey: Survey, code: str) -> tuple[FittedRow, ...]:
    return tuple(row for line in lines_of(survey, code) if (row := fitted(line)) is not None)


def _of_rows(rows: Sequence[FittedRow]) -> Iterator[Reason]:
    """Return what is to be said of the lines; what would hold a water's edge only warns of the others."""
    for row in rows:
        yield from row.warnings
        yield from row.faults


def _followed(
    points: Sequence[SurveyPoint], risers: Sequence[Riser], steps: Sequence[Step], joints: Sequence[FittedLine], waters: Sequence[FittedRow]
) -> Followed:
    """Return the deck's levels from all heights on it, cut where risers and joints cut it."""
    heights, on_coping = heights_of(points)
    heights = shots_on_sides(heights, risers, steps)
    return deck_levels(heights, on_coping, _cuts(risers, joints), tuple(row.line.chain for row in waters), tuple(riser.nosing for riser in risers))


def _cuts(risers: Sequence[Riser], joints: Sequence[FittedLine]) -> list[Cut]:
    cuts = [_cut(riser.nosing, True) for riser in risers]
    return cuts + [_cut(joint.chain, False) for joint in joints if len(joint.chain) == 1]


def _cut(chain: Chain, always: bool) -> Cut:
    (x0, y0), (x1, y1) = chain.vertices[0], chain.vertices[-1]
    return Cut(place=(x0, y0), direction=math.atan2(y1 - y0, x1 - x0), always=always)


def _off_levels(names: Sequence[str]) -> tuple[Reason, ...]:
    if not names:
        return ()
    return (
        Reason(
            ref="level-off",
            what=f"height of {', '.join(names)} lies off the deck",
            why="set aside, so that the levels under the fence rest on the others",
            do="check the rod height at these points, or shoot the step they stand on",
        ),
    )


def _coping_stands(step: float) -> tuple[Reason, ...]:
    if not step:
        return ()
    return (
        Reason(
            ref="coping-off-deck",
            what=f"the coping stands {abs(step) * 1000:.0f} mm {'above' if step > 0 else 'below'} the deck beside it",
            why="the heights of its shots are left out of the levels under the fence, which rest on the deck's own shots",
            do="check on site that the deck falls as the sheets say; shoot more SPOT heights where the fence stands",
        ),
    )
