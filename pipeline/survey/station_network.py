"""From total-station shots to points: reduced, placed, adjusted in plan and height together, blunders named."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Final

import msgspec

from pipeline.errors import Reason, SurveyError
from pipeline.model.job import Job
from pipeline.model.shop import SurveyOptions
from pipeline.model.survey import SurveyPoint
from pipeline.survey.adjustment import Solution, point_covariances
from pipeline.survey.closure import closure_in_words
from pipeline.survey.codes import CodedShot, checked_point, read_description
from pipeline.survey.cogo import fitted_turn, join, polar
from pipeline.survey.common_errors import common_errors
from pipeline.survey.field_book import ReadPoint, Shot, Tie
from pipeline.survey.network import ANGULAR, COORDINATES, Network, NetworkPoint, Observation
from pipeline.survey.placing import placed
from pipeline.survey.pointings import InstrumentErrors, Pointing, errors_in_words, pointings
from pipeline.survey.reduction import straight_zenith
from pipeline.survey.slips import unit_slip
from pipeline.survey.snooping import Rejected, Snooped, snooped_beside
from pipeline.survey.solved import Solved
from pipeline.survey.station_placing import StationPlacing, placed_by_pointings
from pipeline.survey.summary import adjustment_summary, fit_reasons, rounded, scale_of_sigmas, worst_residuals
from pipeline.survey.tape_reasons import listed, tie_blunder, unchecked, unlocated_ties
from pipeline.survey.tied_points import descriptions, is_tie, with_checks
from pipeline.survey.ties_beside_shots import Beside, laid_beside, with_tied_codes
from pipeline.units import ReportUnits, format_length

NORTH_SIGMA: Final = 1e-6  # [rad] of the azimuth that makes a first sight without a distance north; nothing else says so
SETUP_REMARK: Final = "setup"  # of a point that was set up on and never sighted
MISTAKEN_TARGET: Final = 0.1  # [m] within which a point stands where a sight went
LARGE_INSTRUMENT_ERROR: Final = math.radians(60 / 3600)  # beyond a minute an instrument belongs in the workshop (common practice)


def points_from_shots(shots: Sequence[Shot], given: Sequence[ReadPoint], job: Job, table: Mapping[str, str], ties: Sequence[Tie] = ()) -> Solved:
    """Return the points of a total-station survey.

    Parameters
    ----------
    shots : sequence of Shot
        In the order shot.
    given : sequence of ReadPoint
        Points with coordinates; those among them that were set up on, sighted or tied hold the frame, each with its weight.
    job : Job
        For the instrument's sigmas.
    table : mapping
        The shop's own codes.
    ties : sequence of Tie
        Taped beside the shots; adjusted with them.

    Raises
    ------
    SurveyError
        When the shots give no coordinates at all.
    """
    options = job.options.survey
    coded = _descriptions(shots, table)
    ties = with_checks(ties, table, coded)
    if ties:
        coded = with_tied_codes(coded, descriptions(ties, table))
    sights, errors, warnings = pointings(shots, options, job.shop.limits.setups)
    sights += _second_sights(sights, coded)
    marks = {point.point: point for point in given if point.point in coded}
    slip = _marks_slip(sights, marks) or _setups_slip(sights)
    if slip:
        raise SurveyError(slip)
    placing = _placing(sights, marks)
    holds = [*_placing_holds(placing, shots), *_foreign_points(given, marks)]
    beside = laid_beside(placing, ties, coded, job) if ties else Beside(placing)
    placing = beside.placing
    kept = [sight for sight in sights if sight.setup in placing.places and sight.target in placing.places]
    if not kept:
        raise SurveyError(holds)
    found = snooped_beside(_network(kept, placing, marks, beside.observations, options), beside.aside)
    blunder_warnings, blunder_holds = _blunders(found, shots, beside.ties, marks, job)
    points = _points(coded, found.solution, placing, marks, _origins(shots, ties), options)
    common = common_errors(found.solution, [point.point for point in points])
    rest = [point for point in given if point.point not in marks] if marks else []
    points += [msgspec.structs.replace(point, order=len(points) + point.order) for point in placed(rest, options, table)]
    return Solved(
        points=tuple(points),
        adjustment=adjustment_summary(found, tuple(reason.what for reason in blunder_warnings if reason.ref == "blunder")),
        warnings=(
            *warnings,
            *_instrument_warnings(errors, shots[0].file),
            *beside.warnings,
            *blunder_warnings,
            *(unchecked(found.solution, coded, ties[0].file) if ties else ()),
        ),
        holds=(*holds, *beside.holds, *blunder_holds),
        notes=(*errors_in_words(errors), *closure_in_words(sights)),
        common=common,
    )


def _descriptions(shots: Sequence[Shot], table: Mapping[str, str]) -> dict[str, CodedShot]:
    """Return each point's code in the order shot; a setup has the code it was sighted under, if it was."""
    coded: dict[str, CodedShot] = {}
    for shot in shots:
        coded.setdefault(shot.setup, CodedShot("", "", (), SETUP_REMARK))
        described = read_description(shot.description, table)
        before = coded.setdefault(shot.target, described)
        if described.code and not before.code:
            coded[shot.target] = described
    return coded


def _second_sights(sights: Sequence[Pointing], coded: Mapping[str, CodedShot]) -> list[Pointing]:
    """A CHECK shot is a sight of the point it names too: from another setup it ties the two, from the same one it checks the first."""
    by_name = {name.lower(): name for name in coded}
    second = []
    for sight in sights:
        named = by_name.get(checked_point(coded[sight.target]).lower())
        if named is not None and named not in (sight.setup, sight.target):
            second.append(sight._replace(target=named))
    return second


def _placing(sights: Sequence[Pointing], marks: Mapping[str, ReadPoint]) -> StationPlacing:
    """Return approximate places; a single known mark shifts the instrument's own frame."""
    placing = placed_by_pointings(
        sights,
        {name: (mark.east, mark.north) for name, mark in marks.items()},
        {name: mark.elev for name, mark in marks.items() if mark.elev is not None},
    )
    if len(marks) != 1:
        return placing
    name, mark = next(iter(marks.items()))
    if name not in placing.places:
        return placing
    east, north = mark.east - placing.places[name][0], mark.north - placing.places[name][1]
    return placing._replace(places={point: (place[0] + east, place[1] + north) for point, place in placing.places.items()})


def _marks_slip(sights: Sequence[Pointing], marks: Mapping[str, ReadPoint]) -> list[Reason]:
    """Marks seen from one setup with distances tell whether their coordinates are in another unit, or have N and E swapped."""
    by_group: dict[str, dict[str, Pointing]] = {}
    for sight in sights:
        if sight.target in marks and sight.level and sight.hz is not None:
            by_group.setdefault(sight.group, {})[sight.target] = sight
    for seen in by_group.values():
        local = [polar((0.0, 0.0), sight.hz or 0.0, sight.level or 0.0) for sight in seen.values()]
        known = [(marks[name].east, marks[name].north) for name in seen]
        if len(seen) < 2:
            continue
        apart = math.dist(known[0], known[1])
        slip = unit_slip(math.dist(local[0], local[1]) / apart) if apart > 0 else None
        first = next(iter(seen.values())).shot
        if slip:
            return [_slip("unit-against-marks", f"the shots put the marks {math.dist(local[0], local[1]) / apart:.3f} times as far apart as their coordinates do", f"that is what {slip[0]} read as {slip[1]} gives, in one of the two files", "write the unit in job.toml: [survey] unit", first)]  # fmt: skip
        upright, mirrored = fitted_turn(local, known)[2], fitted_turn(local, known, mirrored=True)[2]
        if len(seen) >= 3 and upright > 0.1 and mirrored < 0.1 * upright:
            return [_slip("swapped", f"the marks {', '.join(seen)} lie as in a mirror: {upright:.2f} m off what the shots say, {mirrored:.3f} m with N and E exchanged", "northing and easting of the marks are swapped", 'write [survey] columns = "PENZD" (or "PNEZD") in job.toml, or put the points file right', first)]  # fmt: skip
    return []


def _setups_slip(sights: Sequence[Pointing]) -> list[Reason]:
    """Two setups that measured one another tell whether one of them was in another unit."""
    lengths = {(sight.setup, sight.target): sight for sight in sights if sight.level}
    for (setup, target), sight in lengths.items():
        back = lengths.get((target, setup))
        slip = unit_slip((sight.level or 0.0) / (back.level or 1.0)) if back else None
        if back and slip:
            what = f"{setup} to {target} is {(sight.level or 0.0) / (back.level or 1.0):.3f} times as long as {target} to {setup}"
            why = f"that is what {slip[0]} read as {slip[1]} gives: the instrument stood in another unit at one of the two setups"
            return [_slip("unit-between-setups", what, why, "bring the distances of that setup to the unit of the others", back.shot)]
    return []


def _slip(ref: str, what: str, why: str, do: str, shot: Shot) -> Reason:
    return Reason(ref=ref, what=what, why=why, do=do, file=shot.file, line=shot.row)


def _foreign_points(given: Sequence[ReadPoint], marks: Mapping[str, ReadPoint]) -> list[Reason]:
    if not given or marks:
        return []
    return [
        Reason(
            ref="no-common-point",
            what="the points with coordinates and the shots have no point in common",
            why="nothing says how the two lie to one another",
            file=given[0].file,
            do="use the same numbers for the marks in both files, or take the points file out of the job",
        )
    ]


def _placing_holds(placing: StationPlacing, shots: Sequence[Shot]) -> list[Reason]:
    file = shots[0].file
    holds = list(placing.reasons) if placing.loose_setups or placing.loose_targets else []
    if placing.loose_setups:
        first = next(shot for shot in shots if shot.setup == placing.loose_setups[0])
        holds.append(
            Reason(
                ref="setup-not-tied",
                what=f"{listed(placing.loose_setups)} cannot be tied to the other setups",
                why="too few of its targets are known: a backsight is missing, or a point was named differently",
                file=file,
                line=first.row,
                do="shoot two marks from every setup, under the same names",
            )
        )
    loose = [target for target in placing.loose_targets if not any(shot.target == target and shot.setup in placing.loose_setups for shot in shots)]
    if loose:
        holds.append(
            Reason(
                ref="target-not-fixed",
                what=f"{listed(loose)} {'was' if len(loose) == 1 else 'were'} sighted without what fixes a place",
                why="a direction alone, or a distance alone, or a slope distance without its zenith angle, is not enough",
                file=file,
                line=next(shot.row for shot in shots if shot.target == loose[0]),
                do="shoot it again with direction, zenith angle and distance",
            )
        )
    return holds


def _network(
    sights: Sequence[Pointing], placing: StationPlacing, marks: Mapping[str, ReadPoint], taped: Sequence[Observation], options: SurveyOptions
) -> Network:
    observations: list[Observation] = list(taped)
    for sight in sights:
        observations += _observations(sight, placing)
    own_frame = len(marks) < 2
    first = sights[0]
    held: dict[str, str] = {}
    if own_frame:
        held[first.setup] = "EN"
        north = next((sight for sight in sights if sight.group == first.group and sight.hz is not None), None)
        if north is not None and north.level:
            held[north.target] = "E"
        elif north is not None:
            observations.append(
                Observation(
                    kind="azimuth", at=north.setup, to=north.target, value=0.0, sigma=NORTH_SIGMA, label=f"north {north.setup}→{north.target}"
                )
            )
    if not any(mark.elev is not None for mark in marks.values()):
        held[first.setup] = held.get(first.setup, "") + "U"
    for name, mark in marks.items():
        if name in placing.places:
            observations += _coordinates_of(name, mark, options, own_frame)
    points = tuple(
        NetworkPoint(name=name, east=east, north=north, up=placing.heights.get(name, 0.0), held=held.get(name, ""))
        for name, (east, north) in placing.places.items()
    )
    return Network(points=points, observations=tuple(observations))


def _observations(sight: Pointing, placing: StationPlacing) -> list[Observation]:
    """Return a sight as observations: in space where heights hang together, else in plan."""
    name = f"{sight.setup}→{sight.target}"
    found = []
    apart = math.dist(placing.places[sight.setup], placing.places[sight.target])
    if sight.hz is not None and apart > 0:
        found.append(
            Observation(
                kind="direction", at=sight.setup, to=sight.target, value=sight.hz, sigma=sight.sigma_hz, group=sight.group, label=f"direction {name}"
            )
        )
    in_space = sight.hi is not None and sight.ht is not None and sight.setup in placing.heights and sight.target in placing.heights
    hi, ht = sight.hi or 0.0, sight.ht or 0.0
    if sight.zenith is not None and in_space and apart > 0:
        flat = straight_zenith(sight.zenith, sight.level or apart)
        found.append(
            Observation(
                kind="zenith", at=sight.setup, to=sight.target, value=flat, sigma=sight.sigma_zenith, hi=hi, ht=ht, label=f"zenith angle {name}"
            )
        )
    if sight.slope is not None and in_space:
        found.append(
            Observation(
                kind="slope", at=sight.setup, to=sight.target, value=sight.slope, sigma=sight.sigma_slope, hi=hi, ht=ht, label=f"distance {name}"
            )
        )
    elif sight.level and apart > 0:
        found.append(
            Observation(kind="distance", at=sight.setup, to=sight.target, value=sight.level, sigma=sight.sigma_slope, label=f"distance {name}")
        )
    return found


def _coordinates_of(name: str, mark: ReadPoint, options: SurveyOptions, own_frame: bool) -> list[Observation]:
    """Return a mark's coordinates as observations with the weight of a surveyed point."""
    found = []
    if not own_frame:
        found += [
            Observation(kind="east", at=name, value=mark.east, sigma=float(options.position_sigma), label=f"easting of mark {name}"),
            Observation(kind="north", at=name, value=mark.north, sigma=float(options.position_sigma), label=f"northing of mark {name}"),
        ]
    if mark.elev is not None:
        found.append(Observation(kind="up", at=name, value=mark.elev, sigma=float(options.elevation_sigma), label=f"elevation of mark {name}"))
    return found


def _instrument_warnings(errors: Sequence[InstrumentErrors], file: str) -> list[Reason]:
    large = [
        words
        for words, e in zip(errors_in_words(errors), errors, strict=True)
        if max(abs(e.collimation), abs(e.index_error)) > LARGE_INSTRUMENT_ERROR
    ]
    return [
        Reason(
            ref="instrument",
            what=f"the instrument is far out of adjustment at {words}",
            why="the means of both faces are free of it, and it was taken out of the shots on one face",
            file=file,
            do="have the instrument adjusted, and shoot marks on both faces",
        )
        for words in large
    ]


def _blunders(
    found: Snooped, shots: Sequence[Shot], ties: Sequence[Tie], marks: Mapping[str, ReadPoint], job: Job
) -> tuple[list[Reason], list[Reason]]:
    """Return (warnings, holds) that name the observations which stood out."""
    units = job.options.report_units
    by_sight: dict[tuple[str, str], list[Rejected]] = {}
    warnings = []
    for rejected in found.rejected:
        o = rejected.observation
        if is_tie(o):
            warnings.append(tie_blunder(rejected, ties, job))
        elif o.kind in COORDINATES and o.at in marks:
            warnings.append(_mark_blunder(rejected, marks[o.at], units))
        else:
            by_sight.setdefault((o.at, o.to), []).append(rejected)
    for sight in by_sight.values():
        warnings += [_other_target(sight, found, shots, units)] if len(sight) > 1 else [_blunder(sight[0], found, shots, units)]
    more_warnings, more_holds = fit_reasons(found, "shots and ties" if ties else "shots", shots[0].file)
    if found.unlocated and all(is_tie(o) for o in found.unlocated):
        return warnings + more_warnings, [*unlocated_ties(found, ties, job), *more_holds]
    return warnings + more_warnings, [*_unlocated(found, shots), *more_holds]


def _blunder(rejected: Rejected, found: Snooped, shots: Sequence[Shot], units: ReportUnits) -> Reason:
    shot = _shot_of(rejected.observation, shots)
    return Reason(
        ref="blunder",
        what=f"{rejected.observation.label} {_off(rejected, found, units)} and was left out",
        why=f"everything else agrees without it (test {rejected.statistic:.1f} against {rejected.critical:.1f})",
        file=shot.file,
        line=shot.row,
        do="see the target's name and height, and shoot it again when you are there",
    )


def _mark_blunder(rejected: Rejected, mark: ReadPoint, units: ReportUnits) -> Reason:
    return Reason(
        ref="blunder",
        what=f"{rejected.observation.label} is about {_length_off(rejected, units)} and was left out",
        why=f"the shots and the other marks agree without it (test {rejected.statistic:.1f} against {rejected.critical:.1f})",
        file=mark.file,
        line=mark.row or None,
        do="see the mark's coordinates where they came from, and whether the mark was moved",
    )


def _other_target(sight: Sequence[Rejected], found: Snooped, shots: Sequence[Shot], units: ReportUnits) -> Reason:
    """Several things measured in one sight are off: it went to another point than was written."""
    shot = _shot_of(sight[0].observation, shots)
    o = sight[0].observation
    meant = _point_sighted(sight, found.solution)
    return Reason(
        ref="blunder",
        what=f"the shot {o.at}→{o.to} was left out: its {' and '.join(f'{_thing(r)} {_off(r, found, units)}' for r in sight)}",
        why="everything else agrees without it; so much at once is another target than was written" + (f", likely {meant}" if meant else ""),
        file=shot.file,
        line=shot.row,
        do="see the target's name in the field book",
    )


def _thing(rejected: Rejected) -> str:
    return rejected.observation.label.rpartition(" ")[0]


def _point_sighted(sight: Sequence[Rejected], found: Solution) -> str:
    """Return the point that stands where a sight went, by its own direction and distance; empty where there is none."""
    seen = {rejected.observation.kind: rejected.observation for rejected in sight}
    groups = list(dict.fromkeys(o.group for o in found.network.observations if o.kind == "direction"))
    if "direction" not in seen or seen["direction"].group not in groups:
        return ""
    at, to = seen["direction"].at, seen["direction"].to
    azimuth = seen["direction"].value + float(found.orientations[groups.index(seen["direction"].group)])
    level = join(found.place(at)[:2], found.place(to)[:2])[0]
    if "slope" in seen:
        level = seen["slope"].value * (math.sin(seen["zenith"].value) if "zenith" in seen else 1.0)
    elif "distance" in seen:
        level = seen["distance"].value
    spot = polar(found.place(at)[:2], azimuth, level)
    apart = {name: math.dist(spot, found.places[number, :2]) for number, name in enumerate(found.design.names) if name not in (at, to)}
    nearest = min(apart, key=lambda name: apart[name], default="")
    return nearest if nearest and apart[nearest] < MISTAKEN_TARGET else ""


def _unlocated(found: Snooped, shots: Sequence[Shot]) -> list[Reason]:
    if not found.unlocated:
        return []
    shot = _shot_of(found.unlocated[0], shots)
    return [
        Reason(
            ref="blunder-not-located",
            what=f"one of these does not fit, and nothing tells which: {listed([o.label for o in found.unlocated])}",
            why="there are not enough spare shots to tell them apart",
            file=shot.file,
            line=shot.row,
            do="shoot these again, and one more mark from each of the setups",
        )
    ]


def _shot_of(observation: Observation, shots: Sequence[Shot]) -> Shot:
    """Return the first shot an observation came from; for a mark's coordinates, the first shot at the mark."""
    matching = [shot for shot in shots if {observation.at, observation.to or observation.at} <= {shot.setup, shot.target}]
    return matching[0] if matching else shots[0]


def _off(rejected: Rejected, found: Snooped, units: ReportUnits) -> str:
    """Say by how much an observation is off; an angle by what it makes at the target."""
    o, size = rejected.observation, rejected.final_size
    if o.kind not in ANGULAR:
        return f"is about {_length_off(rejected, units)}"
    design = found.solution.design
    apart = math.dist(found.solution.places[design.names.index(o.at)][:2], found.solution.places[design.names.index(o.to)][:2])
    degrees = abs(math.degrees(size))
    turn = f"{degrees:.1f} degrees" if degrees > 1 else f"{degrees * 3600:.0f} seconds"
    return f"is off by about {turn}, {format_length(abs(size) * apart, units)} {'in height' if o.kind == 'zenith' else 'sideways'} at the target"


def _length_off(rejected: Rejected, units: ReportUnits) -> str:
    return f"{format_length(abs(rejected.final_size), units)} too {'large' if rejected.final_size > 0 else 'small'}"


def _origins(shots: Sequence[Shot], ties: Sequence[Tie]) -> dict[str, tuple[str, int]]:
    """Return the file and line each point was first shot in, else first tied in."""
    origins: dict[str, tuple[str, int]] = {}
    for shot in shots:
        origins.setdefault(shot.target, (shot.file, shot.row))
    for tie in ties:
        origins.setdefault(tie.end, (tie.file, tie.row))
    return origins


def _points(
    coded: Mapping[str, CodedShot],
    found: Solution,
    placing: StationPlacing,
    marks: Mapping[str, ReadPoint],
    origins: Mapping[str, tuple[str, int]],
    options: SurveyOptions,
) -> list[SurveyPoint]:
    spread = point_covariances(found) * scale_of_sigmas(found)
    worst = worst_residuals(found)
    number_of = {name: number for number, name in enumerate(found.design.names)}
    nowhere = (next(iter(origins.values()))[0], 0)
    points = []
    for order, (name, shot) in enumerate(coded.items()):
        if name not in number_of:
            continue
        number, known, (file, row) = number_of[name], name in placing.heights, origins.get(name, nowhere)
        points.append(
            SurveyPoint(
                point=name,
                code=shot.code or ("MARK" if name in marks else ""),
                line=shot.line,
                modifiers=shot.modifiers,
                remark=shot.remark,
                east=rounded(float(found.places[number, 0])),
                north=rounded(float(found.places[number, 1])),
                elev=rounded(float(found.places[number, 2])) if known else None,
                sigma_east=rounded(math.sqrt(max(0.0, spread[number, 0, 0]))),
                sigma_north=rounded(math.sqrt(max(0.0, spread[number, 1, 1]))),
                cov_east_north=round(float(spread[number, 0, 1]), 15),
                sigma_elev=rounded(math.sqrt(max(0.0, spread[number, 2, 2]))) if known else None,
                state="check" if shot.code == "CHECK" else "used",
                residual=rounded(worst[name]) if name in worst else None,
                order=order,
                file=file,
                row=row,
            )
        )
    return points
