"""Every line of the site as fitted: what each code's lines may look like, their record for the stages after, what to warn of."""

from __future__ import annotations

import math
import statistics
from collections.abc import Iterator, Sequence
from typing import Final, cast

import msgspec
import numpy as np
from numpy.typing import NDArray

from pipeline.edge.as_built import AsBuilt, Coping, as_built, as_built_inside
from pipeline.edge.fit import stations_of
from pipeline.edge.free_form import FreeFit
from pipeline.edge.order import crossing, tidied
from pipeline.edge.shots import Line, Shots, shots_of
from pipeline.edge.unshown import beside_corners_like_others
from pipeline.edge.weighing import most_set_aside
from pipeline.errors import Reason
from pipeline.geometry.chain import Chain
from pipeline.geometry.projection import project
from pipeline.model.site import FittedLine, LineCode, Residual
from pipeline.model.survey import SurveyPoint

Array = NDArray[np.float64]

ARCS_ALLOWED: Final = frozenset({"WATER", "COPING", "DECK", "OBJECT"})
WELL_SHOT: Final = frozenset({"WATER", "COPING"})  # lines shot closely enough to prove single shots wrong
OPEN_TURN: Final = math.radians(75)  # a curve that turns more between two shots hangs on its model alone
LONG_GAP: Final = 4.0  # [-] times the median spacing, and
LONG_GAP_LEAST: Final = 3.0  # [m] a gap must be so long to be told of, where it holds a corner or a curve
UNLIKELY: Final = 1e-4  # [-] likelihood below which another row of pieces adds nothing to the uncertainty
PLAIN_SCALE: Final = 4.0  # variance factor from which a line's noise is worth a warning


class FittedRow(msgspec.Struct, frozen=True, kw_only=True):
    """A fitted line with what has to be said about it; `faults` say why it cannot be trusted."""

    line: FittedLine
    warnings: tuple[Reason, ...] = ()
    faults: tuple[Reason, ...] = ()


def fitted(line: Line, copings: Sequence[FittedLine] = ()) -> FittedRow | None:
    """Fit one line of the survey, a water's edge inside its coping lines; None where its shots make no line."""
    if len(line.points) < 2:
        return None
    closed = line.closed and len(line.points) >= 3
    outside = [
        Coping(name=f"{one.code}{one.line}", chain=one.chain, sigma=statistics.median(one.sigma_normals)) for one in copings if one.chain.closed
    ]
    try:
        if outside and closed and line.code == "WATER":
            built = as_built_inside(shots_of(line.points), outside, arcs=True)
        else:
            built = as_built(shots_of(line.points), closed=closed, arcs=line.code in ARCS_ALLOWED, blunders=line.code in WELL_SHOT)
    except (ValueError, np.linalg.LinAlgError):
        return None
    known = {point.point: point for point in line.points}
    fit = record(line, built)
    return FittedRow(line=fit, warnings=tuple(_warnings(line, built, fit, known)), faults=tuple(_faults(line, built, known)))


def record(line: Line, built: AsBuilt) -> FittedLine:
    """Return the record of a line as built, with the standard deviation along it and the residual of every shot."""
    shape, chain = built.shape, built.shape.chain
    stations = stations_of(chain)
    sigmas = np.sqrt(shape.fit.normal_sigmas(stations) ** 2 * built.scale + _doubted(built, stations))
    aside = {one.name for one in built.set_aside}
    freedom = shape.fit.degrees_of_freedom
    factor = shape.fit.variance_factor if freedom > 0 else built.scale
    return FittedLine(
        code=cast(LineCode, line.code),
        line=line.line,
        chain=chain,
        sigma_stations=stations,
        sigma_normals=tuple(float(sigma) for sigma in sigmas),
        residuals=tuple(_residuals(chain, line.points, aside)),
        sigma0=float(np.sqrt(np.mean(shape.fit.sigmas**2) * factor)),
        notes=built.notes,
    )


def _doubted(built: AsBuilt, stations: Sequence[float]) -> Array:
    """Return the variance [m²] at stations [m] that comes of not knowing which pieces there are: how far other likely rows of them run off."""
    variance = np.zeros(len(stations))
    places = np.array([built.shape.chain.point_at(station) for station in stations])
    for other, likely in built.others:
        if likely > UNLIKELY:
            variance += likely * project(other, places)[1] ** 2
    return variance


def _residuals(chain: Chain, points: Sequence[SurveyPoint], aside: set[str]) -> Iterator[Residual]:
    stations, offsets = project(chain, np.array([point.place for point in points]).reshape(-1, 2))
    for point, station, offset in zip(points, stations, offsets, strict=True):
        yield Residual(point=point.point, place=point.place, station=float(station), offset=float(offset), used=point.point not in aside)


def _warnings(line: Line, built: AsBuilt, fit: FittedLine, known: dict[str, SurveyPoint]) -> Iterator[Reason]:
    if built.set_aside:
        yield _off_line(line, built, known)
    if built.slender and line.code != "WATER":
        yield _slender(line, built, known)
    if built.doubtful and line.code != "WATER":
        yield _in_doubt(line, built, known)
    if built.tidied.moved or built.late:
        moved = tuple(dict.fromkeys((*built.tidied.moved, *built.late)))
        yield _out_of_order(line, moved, built.tidied.shortened, known)
    if built.tidied.doubles:
        yield _doubled(line, built.tidied.doubles, known)
    if built.scale > PLAIN_SCALE and line.code == "WATER":
        yield _noisy(line, fit)
    if line.code == "WATER":
        yield from _gaps(line, built)


def _faults(line: Line, built: AsBuilt, known: dict[str, SurveyPoint]) -> Iterator[Reason]:
    if built.doubtful and line.code == "WATER":
        yield _in_doubt(line, built, known)
    if built.slender and line.code == "WATER":
        yield _slender(line, built, known)
    if built.unshown and line.code == "WATER" and not set(built.unshown) & set(built.doubtful):
        yield _unshown(line, built, known)
    if sum(not one.coping for one in built.set_aside) > most_set_aside(len(line.points)):
        yield msgspec.structs.replace(
            _off_line(line, built, known),
            ref="line-in-doubt",
            why=f"more than {most_set_aside(len(line.points))} of {len(line.points)} shots fit no common line, so none can be told to be wrong",
        )
    fault = _crossed(line, built.shape.shots, closed=built.shape.chain.closed)
    if fault is not None:
        yield fault
    if not built.shape.fit.converged:
        yield _reason(
            line,
            line.points[0],
            ref="line-not-converged",
            what=f"the fit of {line.name} did not settle",
            why="its position would not be the least-squares one",
            do="shoot more points on its curves and sides",
        )


def why_no_line(line: Line) -> Reason | None:
    """Return why the shots of a closed line make none: it crosses itself, and no order mends that; None where that is not the cause."""
    return _crossed(line, tidied(shots_of(line.points), closed=True).shots, closed=True)


def _crossed(line: Line, shots: Shots, *, closed: bool) -> Reason | None:
    crossed = crossing(shots.points, closed=closed)
    if crossed is None:
        return None
    names = shots.names
    first, second = (f"{names[side]}-{names[(side + 1) % len(names)]}" for side in crossed)
    return _reason(
        line,
        next(point for point in line.points if point.point == names[crossed[0]]),
        ref="line-crosses-itself",
        what=f"{line.name} crosses itself: the side {first} meets the side {second}",
        why="an edge cannot cross itself, and no order of the shots that was found mends it",
        do="give each pool its own line number, or correct the order or the code of these shots",
    )


def _off_line(line: Line, built: AsBuilt, known: dict[str, SurveyPoint]) -> Reason:
    shots = ", ".join(f"{one.name} ({abs(one.offset):.3f} m {_side(line, one.offset)})" for one in built.set_aside)
    outside = all(one.offset < 0 for one in built.set_aside) and line.code == "WATER"
    hint = "; shots on the coping's outer edge look like this" if outside and 0.1 < abs(built.set_aside[0].offset) < 0.6 else ""
    copings = sorted({one.coping for one in built.set_aside} - {""})
    if copings:
        named = ", ".join(one.name for one in built.set_aside if one.coping)
        hint = f"; {named} lie on {' and '.join(copings)}, not at the water"
    return _reason(
        line,
        known[built.set_aside[0].name],
        ref="shot-off-line",
        what=f"off {line.name} as fitted: {shots}",
        why=f"set aside, the line rests on the other {len(built.shape.shots)} shots{hint}",
        do="look at these places on site, or shoot them again; if the edge really runs there, shoot three points or more on that part",
    )


def _in_doubt(line: Line, built: AsBuilt, known: dict[str, SurveyPoint]) -> Reason:
    names = _in_order(line, built.doubtful)
    coping = [one.name for one in built.set_aside if one.coping and one.name in names]
    if coping:
        what = f"the shots {', '.join(coping)} lie on the coping's outer edge, and the others left there do not tell how the water's edge runs"
    elif len(names) == 1:
        what = f"shot {names[0]} contradicts its neighbours: it is wrong, or the edge bends more than they show"
    else:
        what = f"the shots {', '.join(names)} contradict each other: one or more of them are wrong, or the edge bends more than they show"
    return _reason(
        line,
        known[names[0]],
        ref="edge-in-doubt",
        what=f"{line.name}: {what}",
        why="several ways to read them explain the survey nearly alike, and the edge runs differently in each",
        do="look at this stretch on site and shoot it again with three points or more on every side and curve; "
        "reject the shots that were taken on the coping or elsewhere",
    )


def _unshown(line: Line, built: AsBuilt, known: dict[str, SurveyPoint]) -> Reason:
    names = _in_order(line, built.unshown)
    if isinstance(built.shape.fit, FreeFit) and set(names) <= built.shape.shots.beside_gaps:
        what = f"between the shots {', '.join(names)}, where others were set aside, none is left to show how the curve runs"
        why = "its smoothness alone leads across, which tells less than a quarter of a shot would"
        do = "shoot this stretch again, four points or more"
    elif _is_a_corner_like_others(built, names):
        what = f"between the shots {' and '.join(names)} stands a corner that may be rounded like the others"
        why = "no shot shows it: fitted, its sides meet at a point, and rounded they would pass the same shots"
        do = "shoot this corner again, three points or more round it"
    else:
        what = f"{_said(names)} too few to show how the edge runs there"
        why = "no shot checks the sides and curves drawn through them, and others pass through them just as well"
        do = "shoot more here: three points or more on every side, and on every curve five or more, one every 40 degrees of its turn"
    return _reason(line, known[names[0]], ref="edge-not-shown", what=f"{line.name}: {what}", why=why, do=do)


def _is_a_corner_like_others(built: AsBuilt, names: Sequence[str]) -> bool:
    """Say whether some shots stand at a corner of lines and arcs that may be rounded like several others."""
    if isinstance(built.shape.fit, FreeFit):
        return False
    return set(names) <= {built.shape.shots.names[row] for row in beside_corners_like_others(built.shape)}


def _said(names: Sequence[str]) -> str:
    return f"shot {names[0]} alone is" if len(names) == 1 else f"the shots {', '.join(names)} are"


def _slender(line: Line, built: AsBuilt, known: dict[str, SurveyPoint]) -> Reason:
    names = _in_order(line, built.slender)
    return _reason(
        line,
        known[names[0]],
        ref="edge-on-few-shots",
        what=f"{line.name}: how the edge runs at the shots {', '.join(names)} hangs on one or two of them alone",
        why="no other shot checks them; if one is wrong, the edge is wrong there by as much",
        do="shoot three points or more on that part; a shot that was taken elsewhere, reject",
    )


def _in_order(line: Line, names: Sequence[str]) -> list[str]:
    return [point.point for point in line.points if point.point in set(names)]


def _side(line: Line, offset: float) -> str:
    if not line.closed:
        return "left" if offset > 0 else "right"
    return "inside" if offset > 0 else "outside"


def _out_of_order(line: Line, moved: Sequence[str], shortened: float, known: dict[str, SurveyPoint]) -> Reason:
    return _reason(
        line,
        known[moved[0]],
        ref="order-mended",
        what=f"{line.name}: {', '.join(moved)} shot out of order",
        why="put where they lie along the line" + (f", which shortens it by {shortened:.2f} m" if shortened > 0 else ""),
        do="look at the picture of the fit; nothing else if the line runs as the edge does",
    )


def _doubled(line: Line, doubles: Sequence[tuple[str, str]], known: dict[str, SurveyPoint]) -> Reason:
    return _reason(
        line,
        known[doubles[0][1]],
        ref="shot-doubled",
        what=f"{line.name}: shot twice: " + ", ".join(f"{second} = {first}" for first, second in doubles),
        why="each pair is taken as one shot, their weighted mean",
        do="nothing, if these are second shots of one place",
    )


def _noisy(line: Line, fit: FittedLine) -> Reason:
    return _reason(
        line,
        line.points[0],
        ref="line-noisy",
        what=f"shots of {line.name} lie {fit.sigma0 * 1000:.0f} mm about the fitted line (one standard deviation)",
        why="more than the survey's own standard deviations allow; the stated uncertainty of the edge is widened to match",
        do="check the prism's constant and how it was held at the edge, or that the edge is as rough as that",
    )


def _gaps(line: Line, built: AsBuilt) -> Iterator[Reason]:
    """Places where the edge hangs on its model: a curve or corner in a long gap between shots."""
    chain, names = built.shape.chain, built.shape.shots.names
    stations = project(chain, built.shape.shots.points)[0]
    order = np.argsort(stations, kind="stable")
    starts = stations[order]
    gaps = np.diff(starts, append=starts[0] + chain.length)
    median = float(np.median(gaps))
    for index in np.flatnonzero(gaps > 0):
        gap = float(gaps[index])
        turn, straight = _turn_between(chain, float(starts[index]), gap)
        long = gap > LONG_GAP * median and gap > LONG_GAP_LEAST
        if turn > OPEN_TURN or (long and not straight):
            first, second = names[int(order[index])], names[int(order[(index + 1) % len(order)])]
            yield _reason(
                line,
                line.points[0],
                ref="gap-in-curve",
                what=f"{line.name}: no shot for {gap:.2f} m between {first} and {second}, where the edge bends",
                why="the edge there is drawn from its neighbours alone",
                do="shoot three points or more between them",
            )


def _turn_between(chain: Chain, start: float, gap: float) -> tuple[float, bool]:
    """Return how much a chain turns within its arcs between two stations [rad], and whether it is one straight piece there."""
    marks = chain.piece_stations()
    turn, pieces = 0.0, 0
    for lap in (0.0, chain.length):
        for index, piece in enumerate(chain.pieces()):
            low, high = max(start, marks[index] + lap), min(start + gap, marks[index + 1] + lap)
            if high > low:
                pieces += 1
                turn += abs(piece.curvature) * (high - low)
    return turn, pieces == 1 and turn == 0.0


def _reason(line: Line, point: SurveyPoint, *, ref: str, what: str, why: str, do: str) -> Reason:
    return Reason(ref=ref, what=what, why=why, do=do, file=point.file, line=point.row or None)
