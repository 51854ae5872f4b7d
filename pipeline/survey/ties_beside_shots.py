"""Tape ties of a total-station survey: what they add to the shots' places, so that one network holds both."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import NamedTuple

from pipeline.errors import Reason
from pipeline.model.job import Job
from pipeline.survey.codes import CodedShot
from pipeline.survey.field_book import Tie
from pipeline.survey.network import Observation
from pipeline.survey.station_placing import StationPlacing
from pipeline.survey.tape_placing import Place, placed_by_ties
from pipeline.survey.tape_reasons import listed, placing_holds, scale_slip
from pipeline.survey.tied_points import lines_of_ties, mean_lengths, tie_observations, written_sides

NOWHERE: tuple[Place, Place] = ((0.0, 0.0), (1.0, 0.0))  # a base line for ties without one; no side is asked of it


class Beside(NamedTuple):
    """What the ties of a total-station survey come to.

    Parameters
    ----------
    placing : StationPlacing
        The shots', with the points that ties alone fix.
    ties : tuple of Tie
        Distances between placed points.
    observations : tuple of Observation
        Those, and level differences between points with heights.
    aside : tuple of Observation
        Ties so far off that they are held against the rest only after it was adjusted.
    warnings, holds : tuple of Reason
    """

    placing: StationPlacing
    ties: tuple[Tie, ...] = ()
    observations: tuple[Observation, ...] = ()
    aside: tuple[Observation, ...] = ()
    warnings: tuple[Reason, ...] = ()
    holds: tuple[Reason, ...] = ()


def laid_beside(placing: StationPlacing, ties: Sequence[Tie], coded: Mapping[str, CodedShot], job: Job) -> Beside:
    """Place what ties alone fix from what shots have placed.

    Parameters
    ----------
    placing : StationPlacing
        What the shots placed.
    ties : sequence of Tie
        In the order measured, level differences among them.
    coded : mapping of name to CodedShot
        Of shots and ties, in the order measured.
    job : Job
        For the tape's sigmas.
    """
    distances = [tie for tie in ties if not tie.level]
    known = placing.places
    if not any(name in known for tie in distances for name in (tie.start, tie.end)):
        return Beside(placing, holds=_nothing_in_common(ties))
    options = job.options.survey
    first = distances[0]
    based = first.start in known and first.end in known  # a side is seen along the base line: without it, it means nothing
    base = (known[first.start], known[first.end]) if based else NOWHERE
    sides = written_sides(distances) if based else {}
    found = placed_by_ties(mean_lengths(distances), known, base, sides, lines_of_ties(coded), float(options.tape_sigma))
    kept = [tie for tie in distances if tie.start in found.places and tie.end in found.places]
    wild = [tie for tie in kept if (tie.start, tie.end) in found.gross or (tie.end, tie.start) in found.gross]
    sound = [tie for tie in kept if tie not in wild]
    heights = _carried(placing.heights, [tie for tie in ties if tie.level])
    placed = {**placing.places, **found.places}
    levels = [tie for tie in ties if tie.level and all(name in heights and name in placed for name in (tie.start, tie.end))]
    rises = tuple(_rise(tie, float(options.elevation_sigma)) for tie in levels)
    return Beside(
        placing=placing._replace(places=placed, heights=heights),
        ties=tuple(kept),
        observations=(*tie_observations(sound, float(options.tape_sigma)), *rises),
        aside=tie_observations(wild, float(options.tape_sigma)),
        warnings=_loose_levels([tie for tie in ties if tie.level and tie not in levels]),
        holds=(*placing_holds(found, distances, coded), *scale_slip(kept, placing.places)),
    )


def with_tied_codes(coded: Mapping[str, CodedShot], tied: Mapping[str, CodedShot]) -> dict[str, CodedShot]:
    """Return the codes of shots and ties in one, the shots' first; a tie's code counts where the shots have none."""
    merged = dict(coded)
    for name, shot in tied.items():
        before = merged.setdefault(name, shot)
        if shot.code and not before.code:
            merged[name] = shot
    return merged


def _carried(heights: Mapping[str, float], levels: Sequence[Tie]) -> dict[str, float]:
    """Carry heights along level differences from what is known [m]."""
    carried = dict(heights)
    grown = True
    while grown:
        before = len(carried)
        for tie in levels:
            if tie.start in carried:
                carried.setdefault(tie.end, carried[tie.start] + tie.dist)
            elif tie.end in carried:
                carried[tie.start] = carried[tie.end] - tie.dist
        grown = len(carried) > before
    return carried


def _rise(tie: Tie, sigma: float) -> Observation:
    return Observation(kind="rise", at=tie.start, to=tie.end, value=tie.dist, sigma=tie.sigma or sigma, label=f"level {tie.start}–{tie.end}")


def _nothing_in_common(ties: Sequence[Tie]) -> tuple[Reason, ...]:
    reason = Reason(
        ref="no-common-point",
        what="the tape ties and the shots have no point in common",
        why="nothing says how the two lie to one another",
        file=ties[0].file,
        do="use the same numbers in both files, or measure a tie from two points that were shot",
    )
    return (reason,)


def _loose_levels(levels: Sequence[Tie]) -> tuple[Reason, ...]:
    if not levels:
        return ()
    reason = Reason(
        ref="levels-not-tied",
        what=f"the level differences {listed([f'{tie.start}–{tie.end}' for tie in levels])} hang on no point with a height",
        why="they were not used",
        file=levels[0].file,
        line=levels[0].row,
        do="level one of these points from a mark, or shoot it with zenith angle and both heights",
    )
    return (reason,)
