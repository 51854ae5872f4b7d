"""What a survey lacks for a package, seen from the points alone: gaps, lonely shots on curves, risers without levels, marks."""

from __future__ import annotations

import itertools
import math
import statistics
from collections.abc import Sequence
from typing import Final

import numpy as np
from scipy.spatial import cKDTree

from pipeline.errors import Reason
from pipeline.model.survey import SurveyPoint
from pipeline.survey.codes import LINE_CODES
from pipeline.units import ReportUnits, format_length

GAP_RATIO: Final = 2.5  # times the usual spacing, beyond which a stretch without a shot counts as a gap (own judgement)
NEAR_RISER: Final = 3.0  # [m] within which a level says how high a riser is
GAP_LEAST: Final = 1.0  # [m] shorter ones never do
BEND: Final = math.radians(12)  # turn at the end of a stretch that says the edge bends there
STICKS_OUT: Final = 0.06  # [m] off its neighbours' line, twenty times a shot's sigma
SMOOTH: Final = 0.012  # [m] by which the neighbours themselves may miss their line
GENTLE: Final = 3.0  # radius over spacing, from which on a stretch cannot be a corner
SPARSE_TURN: Final = math.radians(32)  # turn from shot to shot round a curve that is too much to know the curve by
CLOSED_CODES: Final = ("WATER",)

Lines = dict[tuple[str, str], list[SurveyPoint]]


def missing(points: Sequence[SurveyPoint], units: ReportUnits) -> list[Reason]:
    """Return what has to be shot before leaving the site."""
    used = [point for point in points if point.state in ("used", "suspect")]
    lines = lines_of(used)
    return [
        *_outstanding(lines, units),
        *_gaps(lines, units),
        *_lonely_curves(lines),
        *_sparse_curves(lines),
        *_risers(used, lines),
        *_openings(used),
        *_short_lines(lines),
    ]


def advisable(points: Sequence[SurveyPoint], *, spare: bool, drawn: bool = False) -> list[Reason]:
    """Return what a package could do without, but better not; `spare` where observations already check one another, `drawn` for a drawing."""
    used = [point for point in points if point.state in ("used", "suspect")]
    codes = {point.code for point in used}
    out = []
    if "DECK" not in codes:
        out.append(
            _wanted(
                "no-deck",
                "the outer edge of the deck was not shot",
                "how near a hole comes to it cannot be checked",
                used,
                "shoot it under the code DECK",
            )
        )
    if not any(point.elev is not None for point in used):
        out.append(
            _wanted(
                "no-levels",
                "no shot has a height",
                "the gap under the panels cannot be checked",
                used,
                "shoot levels on the deck under the code SPOT",
            )
        )
    if not spare and not drawn and not any(point.state == "check" for point in points):
        out.append(
            _wanted(
                "no-check",
                "no point was shot twice",
                "one check shot shows a wrong rod height or a knocked tripod",
                used,
                "shoot a first point again under the code CHECK / of its number",
            )
        )
    return out


def lines_of(points: Sequence[SurveyPoint]) -> Lines:
    """Return the points of each line in the order shot."""
    lines: Lines = {}
    for point in points:
        if point.code in LINE_CODES:
            lines.setdefault((point.code, point.line), []).append(point)
    return lines


def is_closed(code: str, line: Sequence[SurveyPoint]) -> bool:
    """Return whether a line closes: water by itself, others where a shot says so."""
    return code in CLOSED_CODES or any("C" in point.modifiers for point in line)


def _outstanding(lines: Lines, units: ReportUnits) -> list[Reason]:
    """A shot that sticks out of a smooth stretch: on the coping's outer edge, or a digit misread."""
    reasons = []
    for (code, _), line in lines.items():
        if code != "WATER" or len(line) < 7:
            continue
        for number, point in enumerate(line):
            around = [line[(number + step) % len(line)].place for step in (-2, -1, 1, 2)]
            off = _off_smooth(around, point.place)
            if off > STICKS_OUT:
                reasons.append(
                    Reason(
                        ref="sticks-out",
                        what=f"{point.point} lies {format_length(off, units)} off the line of the shots before and after it",
                        why="a shot on the coping's outer edge, or a pole not held upright, looks like that",
                        file=point.file,
                        line=point.row or None,
                        do=f"shoot {point.point} again",
                    )
                )
    return reasons


def _off_smooth(around: Sequence[tuple[float, float]], place: tuple[float, float]) -> float:
    """Return how far a place lies off the gentle circle or line through two shots before and two after it [m]; 0 where there is none."""
    origin = around[0]
    points = np.array(around) - origin
    across = np.linalg.svd(points - points.mean(axis=0))[2][1]
    if np.ptp(points @ across) < SMOOTH:
        return abs(float((np.array(place) - origin - points.mean(axis=0)) @ across))
    rows = np.column_stack([2 * points, np.ones(len(points))])
    with np.errstate(all="ignore"):
        (east, north, rest), *_ = np.linalg.lstsq(rows, (points**2).sum(axis=1), rcond=1e-9)
    centre, radius = np.array([east, north]), math.sqrt(max(0.0, rest + east**2 + north**2))
    step = max(math.dist(a, b) for a, b in itertools.pairwise(around))
    if radius < GENTLE * step or np.abs(np.hypot(*(points - centre).T) - radius).max() > SMOOTH:
        return 0.0
    return abs(float(np.hypot(*(np.array(place) - origin - centre))) - radius)


def _gaps(lines: Lines, units: ReportUnits) -> list[Reason]:
    reasons = []
    for (code, _), line in lines.items():
        if code != "WATER" or len(line) < 5:
            continue
        legs = list(zip(line, [*line[1:], line[0]], strict=True))
        usual = statistics.median(math.dist(a.place, b.place) for a, b in legs)
        for number, (a, b) in enumerate(legs):
            gap = math.dist(a.place, b.place)
            before, after = legs[number - 1], legs[(number + 1) % len(legs)]
            bends = max(_turn(before, (a, b)), _turn((a, b), after))
            if gap > max(GAP_RATIO * usual, GAP_LEAST) and BEND < bends < math.radians(70):
                reasons.append(
                    Reason(
                        ref="water-gap",
                        what=f"the water's edge has a gap of {format_length(gap, units)} between {a.point} and {b.point}, and it bends there",
                        why=f"elsewhere a shot stands every {format_length(usual, units)}; nobody can know how it runs in between",
                        file=b.file,
                        line=b.row or None,
                        do=f"shoot the water's edge between {a.point} and {b.point}",
                    )
                )
    return reasons


def _turn(first: tuple[SurveyPoint, SurveyPoint], second: tuple[SurveyPoint, SurveyPoint]) -> float:
    """Return the size of the turn from one leg to the next [rad]."""
    headings = [math.atan2(b.north - a.north, b.east - a.east) for a, b in (first, second)]
    return abs(math.remainder(headings[1] - headings[0], 2 * math.pi))


def _lonely_curves(lines: Lines) -> list[Reason]:
    """A stretch from PC to PT with one shot in between fits a circle exactly, whatever was shot."""
    reasons = []
    for line in lines.values():
        start: int | None = None
        for number, point in enumerate(line):
            if "PT" in point.modifiers and start is not None:
                between = number - start - 1
                if between < 2:
                    shots = "one shot" if between == 1 else "no shot"
                    reasons.append(
                        Reason(
                            ref="one-shot-on-curve",
                            what=f"the curve from {line[start].point} to {point.point} ({point.code}) has {shots} in between",
                            why="three points fit a circle whatever they are: nothing checks it" if between else "its radius is unknown",
                            file=point.file,
                            line=point.row or None,
                            do=f"shoot at least two more points between {line[start].point} and {point.point}",
                        )
                    )
                start = None
            if "PC" in point.modifiers:
                start = number
    return reasons


def _sparse_curves(lines: Lines) -> list[Reason]:
    reasons = []
    for (code, _), line in lines.items():
        if code != "WATER" or len(line) < 6:
            continue
        legs = list(zip(line, [*line[1:], line[0]], strict=True))
        turns = [_turn(legs[number - 1], leg) for number, leg in enumerate(legs)]  # at the start of each leg
        steep = [SPARSE_TURN < turn < math.radians(70) for turn in turns]
        runs = [number for number in range(len(line)) if steep[number] and steep[number - 1] and steep[number - 2]]
        if runs:
            middle = line[runs[0] - 1]
            reasons.append(
                Reason(
                    ref="sparse-curve",
                    what=f"the shots round the curve at {middle.point} turn by more than {math.degrees(SPARSE_TURN):.0f} degrees from one to the next",
                    why="corners and a curve look the same from so few",
                    file=middle.file,
                    line=middle.row or None,
                    do="shoot the curve again with twice as many shots",
                )
            )
    return reasons


def _risers(points: Sequence[SurveyPoint], lines: Lines) -> list[Reason]:
    reasons = []
    for (code, name), line in lines.items():
        if code != "STEP":
            continue
        feet = [point for point in line if "foot" in point.remark.lower()]
        tops = np.array([point.place for point in line if "foot" not in point.remark.lower()]).reshape(-1, 2)
        flat = [point for point in line if point.elev is None]
        others = np.array([p.place for p in points if p.elev is not None and p.code in ("SPOT", "DECK", "STEP") and (p.code, p.line) != (code, name)])
        near = len(tops) and len(others) and cKDTree(tops).query(others)[0].min() < NEAR_RISER
        if flat or not (feet or near):
            what = f"STEP{name} has shots without heights" if flat else f"no level was shot at the foot of STEP{name}, nor near it"
            reasons.append(
                Reason(
                    ref="no-level-at-riser",
                    what=what,
                    why="the riser's height decides where panels part and how high a latch stands",
                    file=line[0].file,
                    line=line[0].row or None,
                    do=f"shoot the foot of the riser as STEP{name} / foot, below two of its nosing shots",
                )
            )
    return reasons


def _openings(points: Sequence[SurveyPoint]) -> list[Reason]:
    counts: dict[tuple[str, str], list[SurveyPoint]] = {}
    for point in points:
        if point.code in ("DOOR", "WINDOW"):
            counts.setdefault((point.code, point.line), []).append(point)
    return [
        _wanted(
            "one-jamb",
            f"{code}{line} has {len(found)} shot{'s' if len(found) > 1 else ''}; an opening has two jambs",
            "its width is unknown",
            found,
            "shoot both jambs",
        )
        for (code, line), found in counts.items()
        if len(found) % 2
    ]


def _short_lines(lines: Lines) -> list[Reason]:
    return [
        _wanted("one-shot-line", f"{code}{line} has a single shot", "a line needs two", found, f"shoot another point of {code}{line}")
        for (code, line), found in lines.items()
        if len(found) == 1 and code in ("WALL", "STEP", "DECK")
    ]


def _wanted(ref: str, what: str, why: str, points: Sequence[SurveyPoint], do: str) -> Reason:
    return Reason(ref=ref, what=what, why=why, file=points[0].file if points else "", do=do)
