"""What is said of tape ties that do not fit, do not suffice, or nothing checks."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Final

from pipeline.errors import Reason
from pipeline.model.job import Job
from pipeline.survey.adjustment import Solution, detectable
from pipeline.survey.codes import LINE_CODES, CodedShot
from pipeline.survey.field_book import Tie
from pipeline.survey.misreadings import likely_cause
from pipeline.survey.network import Observation
from pipeline.survey.slips import unit_slip
from pipeline.survey.snooping import Rejected, Snooped
from pipeline.survey.tape_placing import Place, Placing
from pipeline.survey.tied_points import is_tie, tie_label
from pipeline.units import ReportUnits, format_length

BLIND: Final = 0.1  # [m] smallest blunder a tie would show, beyond which it counts as unchecked
ALL_SIDES: Final = 3  # contradictions from which a swap of the whole is likelier than so many slips
NEEDED_CODES: Final = LINE_CODES | {"MARK", "DOOR", "WINDOW", "START", "END", "GATE"}  # whatever they are wrong about, the fence is


def placing_holds(placing: Placing, ties: Sequence[Tie], coded: Mapping[str, CodedShot]) -> list[Reason]:
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
        what=f"two places fit the ties of {listed(names)} equally well",
        why="two ties meet on both sides of the line between their ends, and the order of the line does not settle it",
        file=file,
        do="measure a third tie to them from a point off that line, or write their side",
    )


def _short_hold(names: Sequence[str], ties: Sequence[Tie]) -> Reason:
    return Reason(
        ref="no-second-tie",
        what=f"{listed(names)} {'has' if len(names) == 1 else 'have'} no second tie",
        why="one distance puts a point anywhere on a circle",
        file=ties[0].file,
        line=next((tie.row for tie in ties if names[0] in (tie.start, tie.end)), None),
        do="measure a second one, from a point in another direction",
    )


def _against_hold(names: Sequence[str], ties: Sequence[Tie]) -> Reason:
    sided = {tie.end for tie in ties if tie.side}
    line = next((tie.row for tie in ties if tie.end == names[0] and tie.side), None)
    if len(names) >= ALL_SIDES and len(names) >= len(sided) / 2:
        return Reason(
            ref="side-contradicts",
            what=f"{len(names)} of {len(sided)} written sides contradict the ties and the marks: {listed(names)}",
            why="northing and easting of the marks are swapped, or the sides were seen from the base line's other end",
            file=ties[0].file,
            line=line,
            do='if the marks are swapped, write [survey] columns = "PENZD" (or "PNEZD") in job.toml; else turn the base line round in the tape file',
        )
    return Reason(
        ref="side-contradicts",
        what=f"the side written for {listed(names)} contradicts the ties",
        why="seen from the base line's first point to its second, the ties put it on the other side",
        file=ties[0].file,
        line=line,
        do="see which is right: the side, or the ends the distances were measured from",
    )


def tie_blunder(rejected: Rejected, ties: Sequence[Tie], job: Job) -> Reason:
    """Return the warning that names a tie which was left out, its size, and how it may have been misread."""
    tie = _tie_of(rejected.observation, ties)
    cause = likely_cause(tie, rejected.final_size, max(4 * rejected.sigma_size, 0.01), float(job.shop.setting_out.tape_length))
    return Reason(
        ref="blunder",
        what=f"{tie_label(tie)} reads about {size_in_words(rejected.final_size, job.options.report_units)} and was left out",
        why=f"the other measurements agree without it (test {rejected.statistic:.1f} against {rejected.critical:.1f})"
        + (f"; likely {cause}" if cause else ""),
        file=tie.file,
        line=tie.row,
        do="measure it again when you are there",
    )


def unlocated_ties(found: Snooped, ties: Sequence[Tie], job: Job) -> list[Reason]:
    """Return the hold that names the ties of which one is wrong and nothing tells which."""
    if not found.unlocated:
        return []
    first = _tie_of(found.unlocated[0], ties)
    worst = max(abs(float(size)) for size in found.solution.residuals)
    return [
        Reason(
            ref="blunder-not-located",
            what=f"one of these does not fit, and nothing tells which: {listed([o.label for o in found.unlocated])}",
            why=f"they disagree by {format_length(worst, job.options.report_units)} or more, and there are not enough spare ties to tell them apart",
            file=first.file,
            line=first.row,
            do="measure these again, and one more tie to each of their points",
        )
    ]


def _tie_of(observation: Observation, ties: Sequence[Tie]) -> Tie:
    """Return the tie an observation came from."""
    return next(tie for tie in ties if (tie.start, tie.end, tie.dist) == (observation.at, observation.to, observation.value))


def unchecked(found: Solution, coded: Mapping[str, CodedShot], file: str) -> list[Reason]:
    """Warn of points with a tie that nothing checks: were it a hand's breadth off, no residual would show it."""
    blind = detectable(found) > BLIND
    ends = [(o.at, o.to) for o, missed in zip(found.network.observations, blind.tolist(), strict=True) if missed and is_tie(o)]
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
            what=f"nothing checks {listed(loose)}: a wrong tie there would not show",
            why="just two ties, or three of which two run the same way",
            file=file,
            do="measure one more tie to each, from a point in another direction",
        )
    ]


def size_in_words(size: float, units: ReportUnits) -> str:
    """Return how much too long or short a reading is."""
    return f"{format_length(abs(size), units)} {'long' if size > 0 else 'short'}"


def scale_slip(ties: Sequence[Tie], places: Mapping[str, Place]) -> list[Reason]:
    """Ties between points whose places are known otherwise tell the unit: feet for metres and the reverse."""
    for tie in ties:
        if tie.start in places and tie.end in places:
            apart = math.dist(places[tie.start], places[tie.end])
            slip = unit_slip(tie.dist / apart) if apart > 0 else None
            if slip:
                return [
                    Reason(
                        ref="unit-against-marks",
                        what=f"{tie_label(tie)} is {tie.dist / apart:.3f} times as long as the marks' coordinates say",
                        why=f"that is what {slip[0]} read as {slip[1]} gives, in one of the two files",
                        file=tie.file,
                        line=tie.row,
                        do="write the unit in job.toml: [survey] unit, and the ties with their unit beside each number",
                    )
                ]
    return []


def listed(names: Sequence[str], most: int = 10) -> str:
    """Return names in a row, the first few of many."""
    return ", ".join(names[:most]) + (f" and {len(names) - most} more" if len(names) > most else "")
