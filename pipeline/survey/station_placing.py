"""Approximate places of setups and targets from pointings: radiation, free stationing, resection, intersection, whatever comes first.

Every occupation is a small map of its own (the instrument at its origin); maps are laid on what is known until all are.
"""

from __future__ import annotations

import math
import statistics
from collections.abc import Mapping, Sequence
from typing import NamedTuple

from pipeline.errors import Reason, SurveyError
from pipeline.survey.cogo import Place, fitted_turn, join, polar, rays_meet, resection, turned
from pipeline.survey.pointings import Pointing


class StationPlacing(NamedTuple):
    """Where points lie, roughly.

    Parameters
    ----------
    places : dict of name to (east, north)
        [m]
    heights : dict of name to float
        [m]; only points whose height hangs together with a known one.
    loose_setups, loose_targets : tuple of str
        What could not be placed.
    reasons : tuple of Reason
        Refusals met on the way: a danger circle, sights side by side.
    """

    places: dict[str, Place]
    heights: dict[str, float]
    loose_setups: tuple[str, ...]
    loose_targets: tuple[str, ...]
    reasons: tuple[Reason, ...]


def placed_by_pointings(pointings: Sequence[Pointing], known: Mapping[str, Place], levels: Mapping[str, float]) -> StationPlacing:
    """Return approximate places of all that was sighted.

    Parameters
    ----------
    pointings : sequence of Pointing
        In the order shot.
    known : mapping of name to (east, north)
        Marks with coordinates; with fewer than two of them the first setup is the origin and its first target is north.
    levels : mapping of name to [m]
        Known heights.
    """
    groups: dict[str, list[Pointing]] = {}
    for pointing in pointings:
        groups.setdefault(pointing.group, []).append(pointing)
    places = dict(known) if len(known) >= 2 else {}
    zeros: dict[str, float] = {}
    if not places:
        first = next(iter(groups.values()))
        places[first[0].setup] = (0.0, 0.0)
        zeros[first[0].group] = -next((p.hz for p in first if p.hz is not None), 0.0)
        _radiate(first, places, zeros)
    reasons: dict[str, Reason] = {}
    while _settle_one(groups, places, zeros, reasons) or _intersect(pointings, places, zeros, reasons):
        pass
    setups = tuple(dict.fromkeys(group[0].setup for name, group in groups.items() if name not in zeros))
    targets = tuple(dict.fromkeys(p.target for p in pointings if p.target not in places))
    heights = _heights(pointings, levels or {pointings[0].setup: 0.0})
    return StationPlacing(places, heights, setups, targets, tuple(reasons.values()))


def _settle_one(groups: Mapping[str, list[Pointing]], places: dict[str, Place], zeros: dict[str, float], reasons: dict[str, Reason]) -> bool:
    """Lay the occupation with the most to hold it by on what is known; returns whether there was one."""
    waiting = [group for name, group in groups.items() if name not in zeros]
    waiting.sort(key=lambda group: -len({p.target for p in group if p.target in places and p.hz is not None}))
    for group in waiting:
        sighted = [p for p in group if p.target in places and p.hz is not None]
        zero = _zero_of(group[0].setup, sighted, places, reasons)
        if zero is not None:
            zeros[group[0].group] = zero
            _radiate(group, places, zeros)
            return True
    return False


def _zero_of(setup: str, sighted: Sequence[Pointing], places: dict[str, Place], reasons: dict[str, Reason]) -> float | None:
    """Place a setup where it is not known yet, and return the azimuth of its circle's zero [rad]; None when it cannot be said."""
    if setup not in places:
        place = _free_station(sighted, places) or _resected(setup, sighted, places, reasons)
        if place is None:
            return None
        places[setup] = place
    turns = [join(places[setup], places[p.target])[1] - (p.hz or 0.0) for p in sighted if places[p.target] != places[setup]]
    if not turns:
        return None
    return turns[0] + statistics.median(math.remainder(turn - turns[0], 2 * math.pi) for turn in turns)


def _free_station(sighted: Sequence[Pointing], places: Mapping[str, Place]) -> Place | None:
    """Two targets with distances place a setup."""
    measured = {p.target: p for p in sighted if p.level}
    if len(measured) < 2:
        return None
    local = [polar((0.0, 0.0), p.hz or 0.0, p.level or 0.0) for p in measured.values()]
    turn, shift, _ = fitted_turn(local, [places[name] for name in measured])
    return turned((0.0, 0.0), turn, shift)


def _resected(setup: str, sighted: Sequence[Pointing], places: Mapping[str, Place], reasons: dict[str, Reason]) -> Place | None:
    by_target = list({p.target: p for p in sighted}.values())
    for number in range(len(by_target) - 2):
        three = by_target[number : number + 3]
        try:
            return resection([places[p.target] for p in three], [p.hz or 0.0 for p in three], setup, [p.target for p in three])
        except SurveyError as fault:
            reasons[setup] = fault.reasons[0]
    return None


def _radiate(group: Sequence[Pointing], places: dict[str, Place], zeros: Mapping[str, float]) -> None:
    here, zero = places[group[0].setup], zeros[group[0].group]
    for p in group:
        if p.target not in places and p.hz is not None and p.level:
            places[p.target] = polar(here, p.hz + zero, p.level)


def _intersect(pointings: Sequence[Pointing], places: dict[str, Place], zeros: Mapping[str, float], reasons: dict[str, Reason]) -> bool:
    """Place every target that was sighted without a distance from two oriented setups; returns whether there was one."""
    rays: dict[str, list[Pointing]] = {}
    for p in pointings:
        if p.target not in places and p.hz is not None and p.group in zeros:
            rays.setdefault(p.target, []).append(p)
    placed = False
    for target, sighted in rays.items():
        first = sighted[0]
        for other in sighted[1:]:
            if other.setup == first.setup:
                continue
            try:
                places[target] = rays_meet(
                    places[first.setup], (first.hz or 0.0) + zeros[first.group], places[other.setup], (other.hz or 0.0) + zeros[other.group]
                )
            except SurveyError as fault:
                reasons[target] = fault.reasons[0]
                continue
            placed = True
            break
    return placed


def _heights(pointings: Sequence[Pointing], levels: Mapping[str, float]) -> dict[str, float]:
    """Carry heights from what is known along every sight with a zenith angle, a distance and both heights of instrument and target."""
    heights = dict(levels)
    links: dict[str, list[tuple[str, float]]] = {}
    for p in pointings:
        if p.slope is not None and p.zenith is not None and p.hi is not None and p.ht is not None:
            rise = p.slope * math.cos(p.zenith) + p.hi - p.ht
            links.setdefault(p.setup, []).append((p.target, rise))
            links.setdefault(p.target, []).append((p.setup, -rise))
    front = list(heights)
    while front:
        name = front.pop()
        for other, rise in links.get(name, ()):
            if other not in heights:
                heights[other] = heights[name] + rise
                front.append(other)
    return heights
