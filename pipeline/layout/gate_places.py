"""Which of the places a gate could take are free: its holes can be drilled, its leaf swings free and keeps the setback; and where one is proposed."""

from __future__ import annotations

import math
from typing import Final

import numpy as np

from pipeline.errors import LayoutError, Reason
from pipeline.geometry.chain import Chain
from pipeline.layout.gates import GatePlaces, Wish
from pipeline.layout.grid import Grid
from pipeline.layout.ground import Flags, undrillable
from pipeline.layout.nearness import chord_clearances, distances_to
from pipeline.layout.walk import Floats, Walk, walk_of
from pipeline.model.job import Job
from pipeline.model.site import Site
from pipeline.units import format_length

SETBACK_SLACK: Final = 5e-4  # [m] rounding of the line's own fit
OBSTACLE_STEP: Final = 0.02  # [m] between the points that stand for an obstacle's outline
DECK_FARTHEST: Final = 3.0  # [m] deck beyond this is wide enough for any gate
MET: Final = 0.0617  # [m] the deck's edge this near counts as met; no round figure, so that decks of a round width do not lie on the border
WIDTH_STEP: Final = 0.25  # [m] widths within this are alike


class GateWithoutPlace(LayoutError):
    """A gate finds no place with its leaf; `wish` says which."""

    def __init__(self, wish: Wish, reason: Reason) -> None:
        super().__init__(reason)
        self.wish = wish


def gate_sites(places: GatePlaces, grid: Grid, wish: Wish, walk: Walk, job: Job, site: Site, reach: float) -> GatePlaces:
    """Return those places at which the gate can be built.

    Raises
    ------
    GateWithoutPlace
        When there is none within `reach` [m].
    """
    places = places.only(grid.open_nodes[places.before] & grid.open_nodes[places.after])
    if not len(places.after):
        raise GateWithoutPlace(wish, _no_place(wish, job, reach))
    hinge, latch = walk.places(places.hinge), walk.places(places.latch)
    if walk.mirrored:  # the gate hinges on the hole that is met first with the water on the left, whichever hand the line is worked out from
        hinge, latch = latch, hinge
    free = np.ones(len(hinge), dtype=bool)
    pocket = latch + _left_of(hinge, latch) * float(job.shop.gate.pocket)
    for holes in (hinge, latch, pocket):
        free &= ~undrillable(holes, site, job.shop)
    for water in site.waters:
        posts = np.minimum(distances_to(hinge[free], water.chain), distances_to(latch[free], water.chain))
        free[free] = chord_clearances(hinge[free], latch[free], water.chain) >= np.minimum(posts, job.options.fence.setback) - SETBACK_SLACK
    free &= ~_swing_blocked(hinge, latch, wish.leaf + float(job.shop.gate.clearance), float(job.shop.gate.swing), site)
    if not free.any():
        raise GateWithoutPlace(wish, _no_place(wish, job, reach))
    return places.only(free)


def proposed_gate(walk: Walk, site: Site, leaf: float) -> Wish:
    """Return a gate at the best place nobody asked for: a straight as long as the leaf, widest deck outside, nearest to a door."""
    stations = np.linspace(leaf, walk.length - leaf, max(2, round(walk.length / 0.1)))
    turn = np.abs(walk.facing(stations + leaf / 2) - walk.facing(stations - leaf / 2))
    places, facing = walk.places(stations), walk.facing(stations)
    outward = np.column_stack((np.sin(facing), -np.cos(facing)))
    width = np.floor(_deck_beyond(places, outward, site) / WIDTH_STEP + 1e-6)
    doors = [np.mean(opening.jambs, axis=0) for opening in site.openings if opening.kind == "DOOR"]
    to_door = np.min([np.hypot(*(places - door).T) for door in doors], axis=0) if doors else np.zeros(len(stations))
    away = np.hypot(*(places - places.mean(axis=0)).T).round(6)  # from the middle of the fence: a measure that does not ask where the line begins
    best = np.lexsort((away, to_door, -width, turn > math.radians(1.0)))[0]
    return Wish("", None, float(stations[best]), leaf)


def _no_place(wish: Wish, job: Job, reach: float) -> Reason:
    name = f"the gate at {wish.name}" if wish.name else "a gate"
    return Reason(
        ref="no-place-for-gate",
        what=f"{name} with a leaf of {format_length(wish.leaf, job.options.report_units)} finds no place within {reach:.1f} m of where it is wanted",
        why="its three holes have to be drilled, its leaf has to keep the setback and to swing away from the water free of objects, walls and risers",
        file="job.toml",
        do="ask for a narrower leaf or another place ([[gate]] near, leaf), or move what stands in the swing",
    )


def _left_of(start: Floats, end: Floats) -> Floats:
    along = end - start
    return np.column_stack((-along[:, 1], along[:, 0])) / np.hypot(along[:, 0], along[:, 1])[:, None]


def _swing_blocked(hinge: Floats, latch: Floats, reach: float, swing: float, site: Site) -> Flags:
    """Say whose leaf would meet an object, a wall or a riser when it opens away from the water."""
    outlines = [each.outline for each in site.objects] + [wall.chain for wall in site.walls] + [riser.nosing for riser in site.risers]
    obstacles = np.vstack([_even(outline) for outline in outlines]) if outlines else np.empty((0, 2))
    closed = np.arctan2(latch[:, 1] - hinge[:, 1], latch[:, 0] - hinge[:, 0])
    blocked = np.zeros(len(hinge), dtype=bool)
    near = _near_any(obstacles, hinge, reach)
    for x, y in obstacles[near]:
        far = np.hypot(x - hinge[:, 0], y - hinge[:, 1])
        opened = np.remainder(closed - np.arctan2(y - hinge[:, 1], x - hinge[:, 0]) + math.pi / 8, 2 * np.pi) - math.pi / 8
        blocked |= (far < reach) & (opened >= -0.02) & (opened <= swing)
    return blocked


def _near_any(obstacles: Floats, hinges: Floats, reach: float) -> Flags:
    low, high = hinges.min(axis=0) - reach, hinges.max(axis=0) + reach
    return np.asarray(((obstacles >= low) & (obstacles <= high)).all(axis=1))


def _even(outline: Chain) -> Floats:
    walk = walk_of(outline)
    return walk.places(np.linspace(0.0, walk.length, max(2, math.ceil(walk.length / OBSTACLE_STEP)), endpoint=not walk.closed))


def _deck_beyond(places: Floats, outward: Floats, site: Site) -> Floats:
    """Return how far the deck or a wall lies beyond every place, outward [m]."""
    beyond = np.full(len(places), DECK_FARTHEST)
    edges = [deck.chain for deck in site.decks] + [wall.chain for wall in site.walls] + [each.outline for each in site.objects]
    for out in np.arange(0.1, DECK_FARTHEST, 0.1)[::-1]:
        there = places + out * outward
        met = np.zeros(len(places), dtype=bool)
        for edge in edges:
            met |= distances_to(there, edge) < MET
        beyond = np.where(met, out, beyond)
    return beyond
