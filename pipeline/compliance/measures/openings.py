"""The largest ball that passes an opening: at joints, at wall ends, at gates, under the hem."""

from __future__ import annotations

import math
from typing import Final

import numpy as np
from numpy.typing import NDArray

from pipeline.compliance.measures.gaps import Hem, hem_of, on_soft_ground
from pipeline.compliance.readings import RESOLUTION, LookAt, Measured, NotHere, Outcome, Reading
from pipeline.compliance.standing import Bay, Between, Post, Scene, apart_sigma, once, wall_of
from pipeline.geometry.chain import Point
from pipeline.model.layout import FenceEnd
from pipeline.model.rules import Limit, RulePack

HALVINGS: Final = 30  # each halves the interval in which the largest circle's centre lies
AT_ONCE: Final = 5  # of them, before centres that can no longer be the largest circle's are let go
BEYOND: Final = 0.3  # [m] the ground is followed so far past the posts
PROFILE_STEP: Final = 0.02  # [m] along a hem, between centres that are tried


def opening_sphere(scene: Scene, pack: RulePack, limit: Limit) -> Outcome:
    """The largest ball that passes any opening of the fence.

    Why: what lets a ball through lets a child's body, and at that size a head, through or in.

    How: between two posts the ball's way is narrowest in the plane of their axes, and widest there at one of its ends,
    since the distance of two straight axes is convex along them; a lean that opens like a fan is followed to the top.
    Against a wall the ball touches the wall and the post.  Under a hem it touches the hem and the deck.  At a gate the
    leaf leaves the shop's clearance on either side.
    """
    readings = [_at_between(scene, between) for between in scene.fence.betweens]
    readings += [reading for end in scene.layout.ends if (reading := _at_end(scene, end))]
    readings += [_beside_leaf(scene, bay) for bay in scene.fence.bays if bay.kind == "gate"]
    if scene.ground.known:
        readings += [under_hem(scene, bay) for bay in scene.fence.bays]
    free = [
        LookAt(text="the fence ends free here: say what closes the barrier", where=end.hole)
        for end in scene.layout.ends
        if wall_of(scene.site, end) is None
    ]
    if not readings:
        return free[0] if free else NotHere(why="the fence has no opening but its fabric")
    look = "" if scene.ground.known else "no heights were surveyed: try the ball under every panel"
    cure = "{short} less: a post nearer to the wall or its neighbour, or the end's clearance closed with a strip"
    return Measured(readings=tuple(readings), asides=tuple(free), cure=cure, look_at=look)


def opening_between_uprights(scene: Scene, pack: RulePack, limit: Limit) -> Outcome:
    """Clear width between neighbouring uprights that no fabric closes: where two panels meet, and beside a gate's leaf.

    Why: a child's body passes between bars that stand too far apart.

    How: as the largest ball between the two posts, which is their clear width where it is widest.
    """
    readings = [_at_between(scene, between) for between in scene.fence.betweens]
    readings += [_beside_leaf(scene, bay) for bay in scene.fence.bays if bay.kind == "gate"]
    if not readings:
        return NotHere(why="fabric closes the fence between all of its posts")
    return Measured(readings=tuple(readings), cure="{short} less: a smaller joint between the panels' end holes")


def under_panel_sphere(scene: Scene, pack: RulePack, limit: Limit) -> Outcome:
    """The largest ball that passes under a panel, as it hangs; whether it can be pushed up is for hands to tell."""
    panels = [bay for bay in scene.fence.bays if bay.kind == "panel"]
    if not panels:
        return NotHere(why="the layout has no mesh panel")
    look = "push and lift the hem by hand: the ball may not be worked under it"
    if not scene.ground.known:
        return LookAt(text=f"no heights were surveyed: {look}")
    cure = "{short} less: hang the fabric lower, or a shorter bay over the hollow"
    return Measured(readings=tuple(under_hem(scene, bay) for bay in panels), cure=cure, look_at=look)


def ball_between(first: Post, last: Post, radius: float, top: float) -> tuple[float, float]:
    """Return (diameter of the largest ball between two posts, height at which it passes) [m].

    Parameters
    ----------
    first : Post
        One of the two.
    last : Post
        The other.
    radius : float
        Of the posts [m].
    top : float
        Height of the fence above the deck [m]; a ball higher up passes over it.

    Notes
    -----
    With P(z) and Q(z) the two axes at level z, the ball of centre (P + Q) / 2 touches both posts; its diameter is
    2 (d - r), d the lesser distance of the centre from the axes.  |P - Q| is convex in z, so that only the lower and
    the upper end of what both posts share have to be tried.
    """
    low = max(first.level, last.level)
    high = min(first.at(top)[2], last.at(top)[2])
    found = [(_touching(first, last, level) - 2 * radius, level - low) for level in (low, max(low, high))]
    return max(found)


def ball_at_wall(post: Post, foot: Point, radius: float, top: float) -> tuple[float, float]:
    """Return (diameter of the largest ball between a post and a plumb wall, height at which it passes) [m].

    Parameters
    ----------
    post : Post
        The last of the fence.
    foot : Point
        Nearest place on the wall [m].
    radius : float
        Of the post [m].
    top : float
        Height of the fence above the deck [m].

    Notes
    -----
    At the height z the axis is D(z) from the wall.  A ball that touches both, centred s from the axis, has
    s k - r = D - s as its radius, with k the sine between the way to the wall and the axis; hence s = (D + r) / (1 + k).
    """
    away = math.dist(post.foot, foot)
    to_wall = ((foot[0] - post.foot[0]) / away, (foot[1] - post.foot[1]) / away) if away else (0.0, 0.0)
    toward = post.axis[0] * to_wall[0] + post.axis[1] * to_wall[1]
    sine = math.sqrt(max(0.0, 1 - toward**2))
    found = []
    for height in (0.0, top):
        distance = away - height * toward
        centre = (distance + radius) / (1 + sine)
        found.append((2 * (distance - centre), height))
    return max(found)


def ball_under(hem: Hem) -> tuple[float, int]:
    """Return (diameter of the largest ball between a straight hem and the ground under it [m], index of the nearest row).

    Notes
    -----
    In the vertical plane of the hem the ground is a polyline.  Over each station the centre is pushed up from the ground
    until it is as far from the ground as from the hem; the distances grow and shrink steadily with height, so that
    halving finds it.  The ground runs on beyond the posts as it runs at them.
    """
    stations, hem_heights, ground = np.asarray(hem.stations), np.asarray(hem.heights), np.asarray(hem.heights) - np.asarray(hem.gaps)
    profile = _run_on(stations, ground)
    run, rise = stations[-1] - stations[0], hem_heights[-1] - hem_heights[0]
    cosine = run / math.hypot(run, rise) if run else 1.0
    if max(hem.gaps) - min(hem.gaps) < RESOLUTION:  # the ground runs along with the hem
        return max(hem.gaps) * cosine, 0
    count = max(2, math.ceil(run / PROFILE_STEP) + 1)
    tried = np.unique(np.concatenate([np.linspace(stations[0], stations[-1], count), stations]))
    upper = np.interp(tried, stations, hem_heights)
    lower = np.interp(tried, stations, ground)
    low, high = lower.copy(), upper.copy()
    for number in range(HALVINGS):
        middle = (low + high) / 2
        rises = _distance_to_polyline(tried, middle, *profile) < (upper - middle) * cosine
        low, high = np.where(rises, middle, low), np.where(rises, high, middle)
        if number % AT_ONCE == AT_ONCE - 1:
            held = upper - low >= np.max(upper - high)
            tried, upper, low, high = tried[held], upper[held], low[held], high[held]
    radii = (upper - low) * cosine
    best = int(np.argmax(radii))
    return 2 * float(radii[best]), int(np.argmin(np.abs(stations - tried[best])))


@once
def under_hem(scene: Scene, bay: Bay) -> Reading:
    """Return the largest ball that passes under one bay as it hangs."""
    hem = hem_of(scene, bay)
    diameter, index = ball_under(hem)
    ground = ", over soft ground" if on_soft_ground(scene, bay) else ""
    return Reading(value=diameter, sigma=max(hem.sigmas), where=f"under {bay.where}{ground}", place=hem.places[index])


def _touching(first: Post, last: Post, level: float) -> float:
    """Return twice the lesser distance of the middle between two axes at `level` [m] from the axes themselves."""
    places = [np.asarray(post.at((level - post.level) / post.axis[2])) for post in (first, last)]
    middle = (places[0] + places[1]) / 2
    return 2 * min(float(np.linalg.norm(np.cross(middle - place, post.axis))) for place, post in zip(places, (first, last), strict=True))


def _at_between(scene: Scene, between: Between) -> Reading:
    radius = scene.job.shop.post.diameter / 2
    diameter, _ = ball_between(between.first, between.last, radius, between.height)
    sigma = apart_sigma(between.first, between.last)
    return Reading(value=max(diameter, 0.0), sigma=sigma, where=between.where, place=between.middle)


def _at_end(scene: Scene, end: FenceEnd) -> Reading | None:
    wall, post = wall_of(scene.site, end), scene.fence.posts.get(end.hole)
    if wall is None or post is None:
        return None
    top = min((bay.height for bay in scene.fence.bays if end.hole in (bay.first.name, bay.last.name)), default=0.0)
    diameter, _ = ball_at_wall(post, end.foot, scene.job.shop.post.diameter / 2, top)
    sigma = math.hypot(post.sigma, wall.sigma_at(wall.chain.nearest(end.foot)[0]))
    return Reading(value=max(diameter, 0.0), sigma=sigma, where=f"wall end at {end.hole}", place=end.foot)


def _beside_leaf(scene: Scene, bay: Bay) -> Reading:
    """Return the ball that passes beside a gate's leaf."""
    drill = scene.job.shop.setting_out.drill_sigma
    return Reading(
        value=float(scene.job.shop.gate.clearance), sigma=math.hypot(drill, drill), where=f"beside the leaf of {bay.carries}", place=bay.foot_at(0.5)
    )


def _run_on(stations: NDArray[np.float64], levels: NDArray[np.float64]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return a profile run on by `BEYOND` at either end, with the slope it has there."""
    first = (levels[1] - levels[0]) / (stations[1] - stations[0])
    last = (levels[-1] - levels[-2]) / (stations[-1] - stations[-2])
    beyond = [stations[0] - BEYOND], [stations[-1] + BEYOND]
    return (
        np.concatenate([beyond[0], stations, beyond[1]]),
        np.concatenate([[levels[0] - first * BEYOND], levels, [levels[-1] + last * BEYOND]]),
    )


def _distance_to_polyline(
    x: NDArray[np.float64], y: NDArray[np.float64], stations: NDArray[np.float64], levels: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Return the distance [m] of each (x, y) from the polyline through (stations, levels)."""
    dx, dy = np.diff(stations), np.diff(levels)
    squared = np.where(dx * dx + dy * dy > 0, dx * dx + dy * dy, 1.0)
    along = ((x[:, None] - stations[:-1]) * dx + (y[:, None] - levels[:-1]) * dy) / squared
    along = np.clip(along, 0.0, 1.0)
    off_x, off_y = x[:, None] - stations[:-1] - along * dx, y[:, None] - levels[:-1] - along * dy
    nearest: NDArray[np.float64] = np.sqrt(np.min(off_x**2 + off_y**2, axis=1))
    return nearest
