"""Approximate places of points from tape ties: two circles meet in two points, and something has to say which.

In this order: a third tie, the `side` column, the order of the point's line.  Where none does, the points are named.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Mapping, Sequence
from typing import Final, NamedTuple

Place = tuple[float, float]

MOST_PASSES: Final = 300  # each places whatever it can; a pool takes a handful
MOST_TIES_TRIED: Final = 30  # of one point, for the two that cross best
COLLINEAR: Final = 0.02  # sine under which points count as on one line
CONCLUSIVE: Final = 8.0  # sigmas by which a third tie has to prefer one of two solutions
GROSS: Final = 0.5  # [m] a tie that misses a place three others agree on by more is set aside before the adjustment: it would drag the point away
AGREEING: Final = 3  # other ties that have to agree for that
PAIRS_TRIED: Final = 12  # of one point's ties, the best crossing first, where the first does not fit the rest
ORDER_SHARE: Final = 0.1  # of the two solutions' distance, by which a line has to get longer through the wrong one


class Placing(NamedTuple):
    """Where points lie, roughly.

    Parameters
    ----------
    places : dict of name to (east, north)
    two_sided : tuple of str
        Points of which nothing tells on which side they lie.
    short : tuple of str
        Points with fewer than two ties to anything placed.
    mirrored : bool
        Whether nothing at all tells left from right, so that the whole may be its mirror image.
    against : tuple of str
        Points whose `side` column contradicts the others.
    gross : tuple of (name, name)
        Ties that miss places on which others agree by far more than a tape can.
    """

    places: dict[str, Place]
    two_sided: tuple[str, ...] = ()
    short: tuple[str, ...] = ()
    mirrored: bool = False
    against: tuple[str, ...] = ()
    gross: tuple[tuple[str, str], ...] = ()


class Line(NamedTuple):
    """The points of one line in the order measured."""

    names: tuple[str, ...]
    closed: bool


def placed_by_ties(
    lengths: Mapping[tuple[str, str], float],
    known: Mapping[str, Place],
    base: tuple[Place, Place],
    sides: Mapping[str, str],
    lines: Sequence[Line],
    sigma: float,
) -> Placing:
    """Return approximate places of all points that ties connect.

    Parameters
    ----------
    lengths : mapping of (name, name) to [m]
        Ties, averaged where one was measured twice.
    known : mapping of name to place
        What holds the frame.
    base : two places
        The base line, from its first point to its second; sides are seen along it.
    sides : mapping of name to "left" or "right"
        What the `side` column says.
    lines : sequence of Line
        For telling two solutions apart by order.
    sigma : float
        Of one tie [m].
    """
    state = _State(dict(known), _neighbours(lengths), base, dict(sides), sigma, tuple(known))
    two_sided: tuple[str, ...] = ()
    for _ in range(MOST_PASSES):
        if state.place_certain() or state.place_by_side():
            continue
        if state.place_first_off_line():
            continue
        settled, two_sided = state.place_by_order(lines)
        if not settled:
            break
    missing = [name for name in state.neighbours if name not in state.places]
    short = tuple(name for name in missing if name not in two_sided)
    against = state.settle_mirror()
    return Placing(state.places, two_sided, short, state.provisional and not state.votes(), against, state.gross(lengths))


def circles_meet(first: Place, first_radius: float, second: Place, second_radius: float) -> tuple[Place, Place]:
    """Return both points at these distances [m] of two places, the first of them left of the line from first to second.

    Where the circles miss one another by errors of measurement, the point between them is returned twice.

    Examples
    --------
    >>> circles_meet((0, 0), 5, (6, 0), 5)
    ((3.0, 4.0), (3.0, -4.0))
    """
    east, north = second[0] - first[0], second[1] - first[1]
    apart = math.hypot(east, north)
    along = (apart**2 + first_radius**2 - second_radius**2) / (2 * apart)
    aside = math.sqrt(max(0.0, first_radius**2 - along**2))
    foot = (first[0] + along * east / apart, first[1] + along * north / apart)
    step = (-aside * north / apart, aside * east / apart)
    return (foot[0] + step[0], foot[1] + step[1]), (foot[0] - step[0], foot[1] - step[1])


def order_choices(line: Line, places: Mapping[str, Place], choices: Mapping[str, tuple[Place, Place]]) -> dict[str, Place]:
    """Return, for the points of a line with two solutions each, those the line's order settles: the shortest way through them.

    A choice counts as settled when the best way through the other solution is longer by a fair share of the two solutions' distance.
    """
    names = [name for name in line.names if name in places or name in choices]
    options: list[tuple[Place, ...]] = [(places[name],) if name in places else choices[name] for name in names]
    if len(names) < 3 or not any(len(option) == 1 for option in options):
        return {}
    settled: dict[str, Place] = {}
    costs = _least_way_through(options, line.closed)
    for name, option, cost in zip(names, options, costs, strict=True):
        if len(option) == 2:
            best = 0 if cost[0] <= cost[1] else 1
            if abs(cost[0] - cost[1]) > ORDER_SHARE * math.dist(*option):
                settled[name] = option[best]
    return settled


class _State:
    """The points placed so far; grows until nothing more can be said."""

    def __init__(
        self,
        places: dict[str, Place],
        neighbours: dict[str, dict[str, float]],
        base: tuple[Place, Place],
        sides: dict[str, str],
        sigma: float,
        frame: tuple[str, ...],
    ) -> None:
        self.places, self.neighbours, self.base, self.sides, self.sigma, self.frame = places, neighbours, base, sides, sigma, frame
        self.provisional = False

    def place_certain(self) -> bool:
        """Place every point that three ties from points not on one line settle; returns whether there was one."""
        done = False
        for name in self._open(3):
            place = self._settled_by_third(name)
            if place is not None:
                self.places[name] = place
                done = True
        return done

    def place_by_side(self) -> bool:
        """Place every point whose side is written down; off a single line one is enough, the rest may then have a third tie."""
        done = False
        for name in self._open(2):
            if name in self.sides and not self._depends_on_mirror(name):
                first, second = self._two(name)
                both = sorted((first, second), key=self._left_of_base)
                self.places[name] = both[1] if self.sides[name] == "left" else both[0]
                done = True
                if _on_one_line(list(self.places.values())[:-1]):
                    break
        return done

    def place_first_off_line(self) -> bool:
        """With nothing but a line known, put the point farthest off it on the left for now: the shape is certain, its mirror image is not."""
        if not _on_one_line(list(self.places.values())) or self.provisional:
            return False
        waiting = self._open(2)
        if not waiting:
            return False
        name = max(waiting, key=lambda name: math.dist(*self._two(name)))
        first, second = self._two(name)
        if math.dist(first, second) < 6 * self.sigma:
            self.places[name] = first
            return True
        self.places[name] = max(first, second, key=self._left_of_base)
        self.provisional = True
        return True

    def place_by_order(self, lines: Sequence[Line]) -> tuple[bool, tuple[str, ...]]:
        """Place points the order of their line settles; returns (whether there was one, the points still in doubt)."""
        choices = {name: self._two(name) for name in self._open(2)}
        near = {name: two[0] for name, two in choices.items() if math.dist(*two) < 6 * self.sigma}  # as good as one point
        settled = dict(near)
        for line in lines:
            settled.update(order_choices(line, self.places, {name: two for name, two in choices.items() if name not in near}))
        self.places.update(settled)
        return bool(settled), tuple(name for name in choices if name not in settled)

    def votes(self) -> dict[str, bool]:
        """Return whether each point with a written side lies on it as placed now."""
        return {
            name: (self._left_of_base(self.places[name]) > 0) == (side == "left")
            for name, side in self.sides.items()
            if name in self.places and abs(self._left_of_base(self.places[name])) > 6 * self.sigma
        }

    def settle_mirror(self) -> tuple[str, ...]:
        """Turn the whole over where the written sides say so; returns the points that still contradict."""
        votes = self.votes()
        if self.provisional and sum(votes.values()) < len(votes) / 2:
            self.places = {name: place if name in self.frame else self._mirrored(place) for name, place in self.places.items()}
            votes = self.votes()
        return tuple(name for name, agrees in votes.items() if not agrees)

    def _depends_on_mirror(self, name: str) -> bool:
        """While the mirror is open, a side counts only for ties from the base line itself."""
        return self.provisional and any(other not in self.frame for other in self._ties(name))

    def _open(self, least: int) -> list[str]:
        return [name for name in self.neighbours if name not in self.places and len(self._ties(name)) >= least]

    def _ties(self, name: str) -> dict[str, float]:
        return {other: length for other, length in self.neighbours[name].items() if other in self.places}

    def gross(self, lengths: Mapping[tuple[str, str], float]) -> tuple[tuple[str, str], ...]:
        """Return the ties that miss by far what the other ties of both their ends agree on."""
        misses = {
            pair: abs(math.dist(self.places[pair[0]], self.places[pair[1]]) - length)
            for pair, length in lengths.items()
            if pair[0] in self.places and pair[1] in self.places
        }
        agreeing: dict[str, int] = {}
        for pair, miss in misses.items():
            for name in pair:
                agreeing[name] = agreeing.get(name, 0) + (miss < CONCLUSIVE * self.sigma)
        return tuple(pair for pair, miss in misses.items() if miss > GROSS and min(agreeing[name] for name in pair) >= AGREEING)

    def _pairs(self, name: str) -> list[tuple[str, str]]:
        """Return the pairs of ties of a point, those that cross best first."""
        ties = list(self._ties(name).items())[:MOST_TIES_TRIED]
        pairs = [(a, b) for number, a in enumerate(ties) for b in ties[number + 1 :]]
        pairs.sort(key=lambda pair: -_crossing(self.places[pair[0][0]], pair[0][1], self.places[pair[1][0]], pair[1][1]))
        return [(a[0], b[0]) for a, b in pairs]

    def _meeting(self, name: str, first: str, second: str) -> tuple[Place, Place]:
        ties = self.neighbours[name]
        return circles_meet(self.places[first], ties[first], self.places[second], ties[second])

    def _two(self, name: str) -> tuple[Place, Place]:
        """Return both solutions from the two ties that cross best."""
        return self._meeting(name, *self._pairs(name)[0])

    def _typical_misfit(self, name: str, place: Place) -> float:
        """Return how well a place fits a point's ties, a few of them left aside where there are more than three [m]."""
        misfit = sorted(abs(math.dist(place, self.places[other]) - length) for other, length in self._ties(name).items())
        return misfit[(len(misfit) - 1) // 2 + 1] if len(misfit) > 3 else misfit[-1]

    def _settled_by_third(self, name: str) -> Place | None:
        ties = self._ties(name)
        if _on_one_line([self.places[other] for other in ties]):
            return None
        pairs = self._pairs(name)
        first, second = self._meeting(name, *pairs[0])
        typical = [self._typical_misfit(name, place) for place in (first, second)]
        if min(typical) > CONCLUSIVE * self.sigma and len(ties) > AGREEING:
            return self._settled_by_most(name, pairs)
        if abs(typical[0] - typical[1]) < CONCLUSIVE * self.sigma:
            return None
        return first if typical[0] < typical[1] else second

    def _settled_by_most(self, name: str, pairs: Sequence[tuple[str, str]]) -> Place | None:
        """The best crossing pair does not fit the rest: one of the two is wrong, or several are; take the place most ties agree on."""
        places = [place for pair in pairs[:PAIRS_TRIED] for place in self._meeting(name, *pair)]
        scored = sorted((self._typical_misfit(name, place), number) for number, place in enumerate(places))
        best = places[scored[0][1]]
        rival = next((misfit for misfit, number in scored if math.dist(places[number], best) > GROSS), math.inf)
        return best if rival - scored[0][0] > CONCLUSIVE * self.sigma else None

    def _left_of_base(self, place: Place) -> float:
        (east, north), (to_east, to_north) = self.base
        length = math.hypot(to_east - east, to_north - north)
        return ((to_east - east) * (place[1] - north) - (to_north - north) * (place[0] - east)) / length

    def _mirrored(self, place: Place) -> Place:
        (east, north), (to_east, to_north) = self.base
        length = math.hypot(to_east - east, to_north - north)
        off = 2 * self._left_of_base(place) / length
        return place[0] + off * (to_north - north), place[1] - off * (to_east - east)


def _neighbours(lengths: Mapping[tuple[str, str], float]) -> dict[str, dict[str, float]]:
    neighbours: dict[str, dict[str, float]] = {}
    for (start, end), length in lengths.items():
        neighbours.setdefault(start, {})[end] = length
        neighbours.setdefault(end, {})[start] = length
    return neighbours


def _on_one_line(places: list[Place]) -> bool:
    if len(places) < 3:
        return True
    far = (places[0], max(places, key=lambda place: math.dist(places[0], place)))
    reach = math.dist(*far)
    if reach == 0:
        return True
    (east, north), (to_east, to_north) = far
    off = max(abs((to_east - east) * (place[1] - north) - (to_north - north) * (place[0] - east)) / reach for place in places)
    return off < COLLINEAR * reach


def _crossing(first: Place, first_radius: float, second: Place, second_radius: float) -> float:
    """Return the sine of the angle two ties cross at; 0 where the circles miss."""
    apart = math.dist(first, second)
    if apart == 0 or apart > first_radius + second_radius or apart < abs(first_radius - second_radius):
        return 0.0
    cosine = (first_radius**2 + second_radius**2 - apart**2) / (2 * first_radius * second_radius)
    return math.sqrt(max(0.0, 1 - cosine**2))


def _least_way_through(options: list[tuple[Place, ...]], closed: bool) -> list[list[float]]:
    """Return, for every choice of every point, the length of the shortest way that goes through it."""
    if not closed:
        return _min_marginals(options)
    start = next(number for number, option in enumerate(options) if len(option) == 1)
    turned = options[start:] + options[: start + 1]
    costs = _min_marginals(turned)[:-1]
    return costs[len(options) - start :] + costs[: len(options) - start]


def _min_marginals(options: list[tuple[Place, ...]]) -> list[list[float]]:
    ahead = _running(options)
    behind = list(reversed(_running(list(reversed(options)))))
    return [[a + b for a, b in zip(forth, back, strict=True)] for forth, back in zip(ahead, behind, strict=True)]


def _running(options: list[tuple[Place, ...]]) -> list[list[float]]:
    """Return the shortest way from the first point to every choice of every point."""
    costs = [[0.0] * len(options[0])]
    for before, here in itertools.pairwise(options):
        costs.append([min(cost + math.dist(a, b) for a, cost in zip(before, costs[-1], strict=True)) for b in here])
    return costs
