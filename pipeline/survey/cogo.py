"""Coordinate geometry of the field book: joins, intersections, resection, traverses by the compass rule.

Azimuths run clockwise from north [rad]; places are (east, north) [m].
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Final, NamedTuple

import numpy as np

from pipeline.survey.refusals import refusal

Place = tuple[float, float]

DANGER: Final = 1e-4  # share of the circle's radius; nearer to the danger circle a resection has no answer
FULL_TURN: Final = 2 * math.pi


def join(start: Place, end: Place) -> tuple[float, float]:
    """Return (distance [m], azimuth [rad] in 0 to 2π) from one place to another."""
    east, north = end[0] - start[0], end[1] - start[1]
    return math.hypot(east, north), math.atan2(east, north) % FULL_TURN


def polar(start: Place, azimuth: float, distance: float) -> Place:
    """Return the place at a distance and azimuth from another."""
    return start[0] + distance * math.sin(azimuth), start[1] + distance * math.cos(azimuth)


def rays_meet(first: Place, first_azimuth: float, second: Place, second_azimuth: float) -> Place:
    """Return where two lines of sight cross.

    Raises
    ------
    SurveyError
        When they run side by side.
    """
    sine = math.sin(first_azimuth - second_azimuth)
    if abs(sine) < 1e-6:
        raise refusal(
            "parallel-sights", "two lines of sight run side by side", why="they cross nowhere near", do="sight the point from another direction"
        )
    east, north = second[0] - first[0], second[1] - first[1]
    along = (east * math.cos(second_azimuth) - north * math.sin(second_azimuth)) / sine
    return polar(first, first_azimuth, along)


def resection(marks: Sequence[Place], directions: Sequence[float], name: str = "the setup", names: Sequence[str] = ()) -> Place:
    """Return where an instrument stood that saw three marks under these directions.

    Solved as the crossing of the circles over two of the angles (the marks A, B, C turned and scaled; cot form), for any place of P.

    Parameters
    ----------
    marks : three places
        A, B, C.
    directions : three angles
        Read clockwise to A, B and C from any zero [rad].
    name : str
        Of the setup, for what is reported.
    names : sequence of str
        Of the marks.

    Raises
    ------
    SurveyError
        When setup and marks lie on one circle: every place on it sees the marks under the same angles.
    """
    (ax, ay), (bx, by), (cx, cy) = marks
    alpha, beta = directions[1] - directions[0], directions[2] - directions[1]  # A to B, B to C, clockwise
    if min(abs(math.sin(alpha)), abs(math.sin(beta))) < 1e-9:
        alpha, beta, (ax, ay), (bx, by), (cx, cy) = _turned_marks(directions, marks)
    cot_alpha, cot_beta = math.cos(alpha) / math.sin(alpha), math.cos(beta) / math.sin(beta)
    # circles through (A, B, P) and (B, C, P): P = B + mirror image in the line of their centres
    first = _centre((ax, ay), (bx, by), cot_alpha)
    second = _centre((bx, by), (cx, cy), cot_beta)
    apart = math.dist(first, second)
    radius = math.dist(first, (bx, by))
    if apart < DANGER * radius:
        shown = ", ".join(names) if names else "its marks"
        raise refusal(
            "danger-circle",
            f"{name} and {shown} lie on one circle",
            why="from every place on that circle the marks are seen under the same angles (the danger circle of a resection)",
            do="sight one more mark, or measure a distance to one of them",
        )
    east, north = (second[0] - first[0]) / apart, (second[1] - first[1]) / apart
    off = (bx - first[0]) * -north + (by - first[1]) * east
    return bx + 2 * off * north, by - 2 * off * east


def fitted_turn(local: Sequence[Place], known: Sequence[Place], *, mirrored: bool = False) -> tuple[float, Place, float]:
    """Return (turn, shift, root mean square misfit) that lays local places on known ones; no scale.

    Parameters
    ----------
    local, known : sequences of places
        The same points in both systems.
    mirrored : bool
        Exchange east and north of the local places first.
    """
    here = np.array([place[::-1] if mirrored else place for place in local], dtype=float)
    there = np.array(known, dtype=float)
    middle_here, middle_there = here.mean(axis=0), there.mean(axis=0)
    a, b = here - middle_here, there - middle_there
    turn = math.atan2(float(np.sum(a[:, 0] * b[:, 1] - a[:, 1] * b[:, 0])), float(np.sum(a * b)))
    cosine, sine = math.cos(turn), math.sin(turn)
    rotation = np.array([[cosine, -sine], [sine, cosine]])
    shift = middle_there - rotation @ middle_here
    misfit = there - (here @ rotation.T + shift)
    return turn, (float(shift[0]), float(shift[1])), float(np.sqrt(np.mean(np.sum(misfit**2, axis=1))))


def turned(place: Place, turn: float, shift: Place) -> Place:
    """Return a place turned counter-clockwise by `turn` [rad] and shifted."""
    cosine, sine = math.cos(turn), math.sin(turn)
    return place[0] * cosine - place[1] * sine + shift[0], place[0] * sine + place[1] * cosine + shift[1]


class Traverse(NamedTuple):
    """A traverse adjusted by the compass rule.

    Parameters
    ----------
    misclosure : (latitude, departure)
        Sum of latitudes and departures less what they should be [m].
    length : float
        Sum of the courses [m].
    courses : tuple of (latitude, departure)
        Adjusted [m].
    places : tuple of (east, north)
        Start, and the end of each course [m].
    """

    misclosure: tuple[float, float]
    length: float
    courses: tuple[tuple[float, float], ...]
    places: tuple[Place, ...]

    @property
    def closure(self) -> float:
        return math.hypot(*self.misclosure)

    @property
    def precision(self) -> float:
        """Length over closure: 12,000 for 1 in 12,000."""
        return math.inf if self.closure == 0 else self.length / self.closure


def compass_rule(start: Place, courses: Sequence[tuple[float, float]], end: Place | None = None) -> Traverse:
    """Adjust a traverse of (azimuth [rad], distance [m]) by the compass (Bowditch) rule: corrections in proportion to the courses' lengths.

    Parameters
    ----------
    start : place
        Where it begins.
    courses : sequence of (azimuth, distance)
        In order.
    end : place, optional
        Known end of a link traverse; without it the traverse closes on its start.
    """
    latitudes = [distance * math.cos(azimuth) for azimuth, distance in courses]
    departures = [distance * math.sin(azimuth) for azimuth, distance in courses]
    length = sum(distance for _, distance in courses)
    goal = end or start
    miss = (sum(latitudes) - (goal[1] - start[1]), sum(departures) - (goal[0] - start[0]))
    adjusted = tuple(
        (latitude - miss[0] * distance / length, departure - miss[1] * distance / length)
        for latitude, departure, (_, distance) in zip(latitudes, departures, courses, strict=True)
    )
    places = [start]
    for latitude, departure in adjusted:
        places.append((places[-1][0] + departure, places[-1][1] + latitude))
    return Traverse(miss, length, adjusted, tuple(places))


def area_by_coordinates(places: Sequence[Place]) -> float:
    """Return the area within a closed figure [m²]."""
    cross = (a[0] * b[1] - b[0] * a[1] for a, b in zip(places, [*places[1:], places[0]], strict=True))
    return abs(sum(cross)) / 2


def _centre(start: Place, end: Place, cotangent: float) -> Place:
    """Return the centre of the circle from which `start` to `end` turns clockwise by the angle of this cotangent."""
    (ax, ay), (bx, by) = start, end
    return (ax + bx) / 2 + (by - ay) * cotangent / 2, (ay + by) / 2 - (bx - ax) * cotangent / 2


def _turned_marks(directions: Sequence[float], marks: Sequence[Place]) -> tuple[float, float, Place, Place, Place]:
    """Two marks seen in one line: begin with another, so that neither angle is 0 or π."""
    for order in ((1, 2, 0), (2, 0, 1)):
        a, b, c = (directions[number] for number in order)
        if min(abs(math.sin(b - a)), abs(math.sin(c - b))) >= 1e-9:
            return b - a, c - b, marks[order[0]], marks[order[1]], marks[order[2]]
    raise refusal("marks-in-line", "all three marks are seen in one line", why="that fixes nothing across it", do="sight a mark in another direction")
