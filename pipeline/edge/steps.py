"""Risers from nosing and foot shots: where they run, how high they are, which side is the upper one."""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from typing import Final

import msgspec
import numpy as np
from numpy.typing import NDArray

from pipeline.edge.as_built import as_built
from pipeline.edge.levels import DEFAULT_SIGMA, ON_DECK, Heights
from pipeline.edge.shots import Line, shots_of
from pipeline.errors import Reason
from pipeline.geometry.chain import Chain, polyline
from pipeline.model.site import Riser
from pipeline.model.survey import SurveyPoint

Array = NDArray[np.float64]

_FOOT = re.compile(r"\b(foot|toe|bottom)\b", re.IGNORECASE)
NEAR: Final = 0.5  # [m] heights closer than this to a nosing say no more about the sides than these
LEAST_RISER: Final = 0.03  # [m] a lower step is doubtful: a lip, not a riser (own judgement)
FAR_SIDE: Final = 3.0  # [m] heights farther from a riser say little about its sides


class Step(msgspec.Struct, frozen=True, kw_only=True):
    """One STEP line: nosing shots in order, foot shots, and the nosing as fitted (as shot)."""

    line: Line
    nosing: tuple[SurveyPoint, ...]
    foot: tuple[SurveyPoint, ...]
    chain: Chain


class RiserRow(msgspec.Struct, frozen=True, kw_only=True):
    """The risers and what has to be said about them."""

    risers: tuple[Riser, ...]
    warnings: tuple[Reason, ...]


def is_foot(point: SurveyPoint) -> bool:
    """Say whether a STEP shot was taken at the foot of the riser."""
    return bool(_FOOT.search(point.remark))


def steps_of(lines: Sequence[Line]) -> tuple[tuple[Step, ...], tuple[Reason, ...]]:
    """Split each STEP line into nosing and foot, and fit the nosing."""
    steps, warnings = [], []
    for line in lines:
        nosing = tuple(point for point in line.points if not is_foot(point))
        foot = tuple(point for point in line.points if is_foot(point))
        if len(nosing) < 2:
            warnings.append(_too_few(line, nosing))
            continue
        shots = shots_of(nosing)
        chain = as_built(shots, closed=False, arcs=False).shape.chain if len(nosing) > 2 else polyline([point.place for point in nosing])
        steps.append(Step(line=line, nosing=nosing, foot=foot, chain=chain))
    return tuple(steps), tuple(warnings)


def risers_of(steps: Sequence[Step], points: Sequence[SurveyPoint]) -> RiserRow:
    """Return each step as a riser, its upper side on the left.

    Parameters
    ----------
    steps : sequence of Step
        With their nosing as shot.
    points : sequence of SurveyPoint
        All points that may be used; their heights tell the sides.
    """
    risers, warnings = [], []
    for step in steps:
        measured = _height(step, points)
        if measured is None:
            warnings.append(_no_height(step))
            continue
        height, sigma = measured
        chain = step.chain if _upper_on_left(step, points) else step.chain.reversed()
        risers.append(Riser(line=step.line.line, nosing=chain, height=height, sigma_height=sigma))
        if height < LEAST_RISER:
            warnings.append(_low(step, height))
    return RiserRow(risers=tuple(risers), warnings=tuple(warnings))


def shots_on_sides(heights: Heights, risers: Sequence[Riser], steps: Sequence[Step]) -> Heights:
    """Return the heights with nosing shots moved a little to the upper side of their riser, foot shots to the lower."""
    places = heights.places.copy()
    rows = {name: row for row, name in enumerate(heights.names)}
    chains = {riser.line: riser.nosing for riser in risers}
    for step in steps:
        nosing = chains.get(step.line.line)
        if nosing is None:
            continue
        bearing = nosing.direction_at(nosing.length / 2)
        left = np.array([-math.sin(bearing), math.cos(bearing)])
        for group, sign in ((step.nosing, 1.0), (step.foot, -1.0)):
            for point in group:
                row = rows.get(point.point)
                if row is not None:
                    off = float(left @ (places[row] - np.asarray(nosing.vertices[0])))
                    places[row] = places[row] + left * (sign * 0.01 - off)
    return msgspec.structs.replace(heights, places=places)


def _height(step: Step, points: Sequence[SurveyPoint]) -> tuple[float, float] | None:
    """Return (height, standard deviation) [m] from the foot shots, else from the deck's heights on both sides."""
    tops = [point for point in step.nosing if point.elev is not None]
    feet = [point for point in step.foot if point.elev is not None]
    if tops and feet:
        return _difference(step.chain, tops, feet)
    upper = _upper_on_left(step, points)
    beside = [_side(step, points, left) for left in (upper, not upper)]
    if tops:
        beside[0] = tops
    if not beside[0] or not beside[1]:
        return None
    return _difference(step.chain, beside[0], beside[1])


def _difference(chain: Chain, tops: Sequence[SurveyPoint], feet: Sequence[SurveyPoint]) -> tuple[float, float]:
    """Return the mean drop [m] from the line through the tops to the feet, with its standard deviation.

    Top and foot rise along the step alike: z = z_top + slope * station (- drop at the foot).
    """
    both = [*tops, *feet]
    stations = np.array([chain.nearest(point.place)[0] for point in both])
    levels = np.array([point.elev for point in both], dtype=np.float64)
    sigmas = np.array([point.sigma_elev or DEFAULT_SIGMA for point in both])
    rows = np.column_stack((np.ones(len(both)), np.r_[np.zeros(len(tops)), -np.ones(len(feet))], stations - stations.mean()))
    normal = (rows / sigmas[:, None] ** 2).T @ rows
    normal[2, 2] += 1 / 0.02**2  # a step runs level within 2 % where nothing says otherwise (own judgement)
    covariance = np.linalg.inv(normal)
    solution = covariance @ ((rows / sigmas[:, None] ** 2).T @ levels)
    misfit = (levels - rows @ solution) / sigmas
    freedom = len(both) - 2
    factor = max(1.0, float(misfit @ misfit) / freedom) if freedom > 0 else 1.0
    return float(solution[1]), math.sqrt(float(covariance[1, 1]) * factor)


def _upper_on_left(step: Step, points: Sequence[SurveyPoint]) -> bool:
    """Say whether the left of the nosing as shot is the upper side: the heights beside it vote, the near ones most."""
    own = {point.point for point in (*step.nosing, *step.foot)}
    tops = [point.elev for point in step.nosing if point.elev is not None]
    feet = [point.elev for point in step.foot if point.elev is not None]
    others = [point for point in points if point.elev is not None and point.code in ON_DECK and point.point not in own]
    if not tops:
        return _mean_level(_side(step, points, True)) >= _mean_level(_side(step, points, False))
    middle = (float(np.mean(tops)) + float(np.mean(feet))) / 2 if feet else float(np.mean(tops)) - LEAST_RISER
    vote = 0.0
    for point in others:
        offset, reach = _beside(step.chain, point.place)
        higher = 1.0 if point.elev is not None and point.elev > middle else -1.0
        vote += math.copysign(1.0, offset) * higher / max(reach, NEAR) ** 2
    if vote == 0.0 and feet:  # the foot lies at or before the face, never behind the nosing
        vote = -sum(_beside(step.chain, point.place)[0] for point in step.foot)
    return vote >= 0.0


def _beside(chain: Chain, place: tuple[float, float]) -> tuple[float, float]:
    """Return (signed distance from the nosing's whole line, distance from the nosing itself) [m]."""
    (x0, y0), (x1, y1) = chain.vertices[0], chain.vertices[-1]
    length = math.hypot(x1 - x0, y1 - y0)
    return ((x1 - x0) * (place[1] - y0) - (y1 - y0) * (place[0] - x0)) / length, chain.nearest(place)[1]


def _side(step: Step, points: Sequence[SurveyPoint], left: bool) -> list[SurveyPoint]:
    """Return deck shots near one side of the riser, at most the three nearest."""
    own = {point.point for point in (*step.nosing, *step.foot)}
    found = []
    for point in points:
        if point.elev is None or point.code not in ON_DECK or point.point in own:
            continue
        offset, reach = _beside(step.chain, point.place)
        if (offset > 0) == left and reach < FAR_SIDE:
            found.append((reach, point.order, point))
    return [point for _, _, point in sorted(found, key=lambda row: row[:2])[:3]]


def _mean_level(points: Sequence[SurveyPoint]) -> float:
    return float(np.mean([point.elev for point in points])) if points else -math.inf


def _too_few(line: Line, nosing: Sequence[SurveyPoint]) -> Reason:
    return Reason(
        ref="step-too-short",
        what=f"{line.name} has {len(nosing)} shot{'s' if len(nosing) != 1 else ''} on its nosing",
        why="a riser needs the two ends of its top edge; this one is left out of the plan",
        file=line.points[0].file,
        line=line.points[0].row or None,
        do="shoot both ends of the nosing, or measure the step on site before drilling",
    )


def _no_height(step: Step) -> Reason:
    return Reason(
        ref="step-without-height",
        what=f"{step.line.name} has no height: neither foot shots nor levels on both sides",
        why="the panels that meet at a riser need its height; this one is left out of the plan",
        file=step.nosing[0].file,
        line=step.nosing[0].row or None,
        do="shoot the foot of the riser with `/ foot` in the remark",
    )


def _low(step: Step, height: float) -> Reason:
    return Reason(
        ref="step-low",
        what=f"{step.line.name} is only {height * 1000:.0f} mm high",
        why="so low a riser may be a lip, or nosing and foot may be mixed up",
        file=step.nosing[0].file,
        line=step.nosing[0].row or None,
        do="check which shots are nosing and which are `/ foot`",
    )
