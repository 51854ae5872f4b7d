"""The fence as it will stand: posts with their lean, bays of fabric between them, openings where there is none."""

from __future__ import annotations

import functools
import itertools
import math
from collections.abc import Callable
from typing import Any, Final, Literal, TypeVar, cast

import msgspec

from pipeline.compliance.ground import Ground
from pipeline.geometry.chain import Point
from pipeline.model.drilling import Drilling
from pipeline.model.job import Job
from pipeline.model.layout import FenceEnd, Hole, Joint, Layout, Panel
from pipeline.model.site import FittedLine, Site

Vector = tuple[float, float, float]
Measure = TypeVar("Measure", bound=Callable[..., Any])  # of a scene, a bay, and numbers that say what is asked
AT_WALL: Final = 0.05  # [m] an end whose foot lies this near to a surveyed wall ends at it


class Post(msgspec.Struct, frozen=True, kw_only=True):
    """A post in its sleeve.

    Parameters
    ----------
    name : str
        Its hole.
    foot : Point
        Centre at the deck, in plan [m].
    level : float
        Of the deck there [m]; 0 where no level is known.
    axis : Vector
        Unit vector along the post, upward.
    sigma : float
        Standard deviation of the foot in plan, in its worst direction, as marked and drilled or as measured once drilled [m].
    variance_east, variance_north, covariance : float
        Of the foot, where its directions are not alike [m²]; all 0 where they are.
    to_next_sigma : float or None
        Of the distance to the next post, where that was measured once drilled [m].
    """

    name: str
    foot: Point
    level: float
    axis: Vector
    sigma: float
    variance_east: float = 0.0
    variance_north: float = 0.0
    covariance: float = 0.0
    to_next_sigma: float | None = None

    def at(self, height: float) -> Vector:
        """Return the point of the axis `height` [m] above the deck, measured along the post."""
        x, y, z = self.axis
        return (self.foot[0] + height * x, self.foot[1] + height * y, self.level + height * z)

    def sigma_toward(self, direction: Point) -> float:
        """Return the standard deviation of the foot [m] in the direction of a unit vector."""
        if not (self.variance_east or self.variance_north):
            return self.sigma
        x, y = direction
        return math.sqrt(max(0.0, x * x * self.variance_east + 2 * x * y * self.covariance + y * y * self.variance_north))

    @property
    def lean(self) -> float:
        """From plumb [rad]"""
        return math.acos(min(1.0, self.axis[2]))


def apart_sigma(first: Post, following: Post) -> float:
    """Return the standard deviation of the distance between two neighbouring posts, as they follow on the fence [m]."""
    if first.to_next_sigma is not None:
        return first.to_next_sigma
    away = math.dist(first.foot, following.foot) or 1.0
    way = ((following.foot[0] - first.foot[0]) / away, (following.foot[1] - first.foot[1]) / away)
    return math.hypot(first.sigma_toward(way), following.sigma_toward(way))


class Bay(msgspec.Struct, frozen=True, kw_only=True):
    """Fabric, or a gate's leaf, between two neighbouring posts; walked with the water on the left.

    Parameters
    ----------
    carries : str
        The panel or gate.
    kind : {"panel", "gate"}
    first, last : Post
    height : float
        Of its top above the deck, at the posts [m].
    """

    carries: str
    kind: Literal["panel", "gate"]
    first: Post
    last: Post
    height: float

    @property
    def length(self) -> float:
        """Post to post, in plan [m]."""
        return math.dist(self.first.foot, self.last.foot)

    @property
    def where(self) -> str:
        return f"{self.carries}, {self.first.name} to {self.last.name}"

    @property
    def outward(self) -> Point:
        """Unit vector across the bay, away from the water."""
        dx, dy = self.last.foot[0] - self.first.foot[0], self.last.foot[1] - self.first.foot[1]
        length = math.hypot(dx, dy) or 1.0
        return (dy / length, -dx / length)

    def way_to(self, ratio: float, place: Point) -> Point:
        """Return the unit vector from the fabric `ratio` of the way along to a place; square to the bay where the two meet."""
        foot = self.foot_at(ratio)
        away = math.dist(foot, place)
        return ((place[0] - foot[0]) / away, (place[1] - foot[1]) / away) if away else self.outward

    def sigma_across(self, ratio: float, way: Point) -> float:
        """Return the standard deviation [m] of the fabric `ratio` of the way along, in the direction of a unit vector."""
        return math.hypot((1 - ratio) * self.first.sigma_toward(way), ratio * self.last.sigma_toward(way))

    def foot_at(self, ratio: float) -> Point:
        """Return the place [m] under the fabric, `ratio` of the way from the first post to the last."""
        (x0, y0), (x1, y1) = self.first.foot, self.last.foot
        return (x0 + ratio * (x1 - x0), y0 + ratio * (y1 - y0))


class Between(msgspec.Struct, frozen=True, kw_only=True):
    """An opening between neighbouring posts that no fabric closes: a joint of two panels, or of a panel and a gate."""

    first: Post
    last: Post
    joint: Joint | None
    height: float

    @property
    def where(self) -> str:
        name = f"joint {self.joint.name}, " if self.joint else ""
        return f"{name}{self.first.name} to {self.last.name}"

    @property
    def middle(self) -> Point:
        return ((self.first.foot[0] + self.last.foot[0]) / 2, (self.first.foot[1] + self.last.foot[1]) / 2)


class Fence(msgspec.Struct, frozen=True, kw_only=True):
    """All posts, bays and openings, in walking order."""

    posts: dict[str, Post]
    bays: tuple[Bay, ...]
    betweens: tuple[Between, ...]


class Scene(msgspec.Struct, frozen=True, kw_only=True):
    """Everything a measure may look at; `taken` holds what was measured of a bay already, since many limits ask for the same."""

    job: Job
    site: Site
    layout: Layout
    fence: Fence
    ground: Ground
    drilling: Drilling | None = None
    taken: dict[tuple[Any, ...], Any] = {}


def once(measure: Measure) -> Measure:
    """Take a measure of a bay once in a scene, however many limits ask for it."""

    @functools.wraps(measure)
    def taken(scene: Scene, bay: Bay, *asked: float) -> Any:
        key = (measure.__name__, bay.where, *asked)
        if key not in scene.taken:
            scene.taken[key] = measure(scene, bay, *asked)
        return scene.taken[key]

    return cast(Measure, taken)


def scene_of(job: Job, site: Site, layout: Layout, drilling: Drilling | None = None) -> Scene:
    """Put the fence up on the site, as the layout has it; `drilling` says how well its holes are known once they are drilled."""
    ground = Ground(site.levels)
    return Scene(job=job, site=site, layout=layout, fence=fence_of(job, layout, ground, drilling), ground=ground, drilling=drilling)


def top_over_deck(job: Job, height: float) -> float:
    """Return how high a panel's top stands over the deck at its posts [m], for a panel of a nominal height [m].

    A shop's heights are those of the fabric, which hangs its hem gap above the deck, or count from the deck.
    """
    panel = job.shop.panel
    return height if panel.height_from_deck else height + panel.hem_gap


def fence_of(job: Job, layout: Layout, ground: Ground, drilling: Drilling | None = None) -> Fence:
    """Return posts, bays and openings of a layout."""
    line = [hole for hole in layout.holes if hole.role != "pocket"]
    posts = {hole.name: _as_known(job, hole, _post(hole, line, layout.closed, ground), drilling) for hole in line}
    carried = _carried(job, layout)
    joints = {frozenset((joint.before, joint.after)): joint for joint in layout.joints}
    bays, betweens = [], []
    for first, last in _neighbours(line, layout.closed):
        pair = frozenset((first.name, last.name))
        name, kind, height = carried.get(pair, ("", "panel", 0.0))
        if name:
            bays.append(Bay(carries=name, kind=kind, first=posts[first.name], last=posts[last.name], height=height))
        else:
            height = top_over_deck(job, _height_at(layout, first.name, last.name))
            betweens.append(Between(first=posts[first.name], last=posts[last.name], joint=joints.get(pair), height=height))
    return Fence(posts=posts, bays=tuple(bays), betweens=tuple(betweens))


def wall_of(site: Site, end: FenceEnd) -> FittedLine | None:
    """Return the wall an end of the fence stands at; None where it ends free."""
    near = min(site.walls, key=lambda wall: wall.chain.nearest(end.foot)[1], default=None)
    if near is None or near.chain.nearest(end.foot)[1] > AT_WALL:
        return None
    return near


def _neighbours(line: list[Hole], closed: bool) -> list[tuple[Hole, Hole]]:
    pairs = list(itertools.pairwise(line))
    return [*pairs, (line[-1], line[0])] if closed and len(line) > 2 else pairs


def _carried(job: Job, layout: Layout) -> dict[frozenset[str], tuple[str, Literal["panel", "gate"], float]]:
    """Return what hangs between neighbouring holes, by the pair of their names."""
    found: dict[frozenset[str], tuple[str, Literal["panel", "gate"], float]] = {}
    for panel in layout.panels:
        for first, last in itertools.pairwise(panel.holes):
            found[frozenset((first, last))] = (panel.name, "panel", top_over_deck(job, panel.height))
    for gate in layout.gates:
        found[frozenset((gate.hinge_hole, gate.latch_hole))] = (
            gate.name,
            "gate",
            top_over_deck(job, _height_at(layout, gate.hinge_hole, gate.latch_hole)),
        )
    return found


def _height_at(layout: Layout, *holes: str) -> float:
    """Return the least height [m] of the panels that stand in these holes, else of the whole fence."""
    near: list[Panel] = [panel for panel in layout.panels if set(panel.holes) & set(holes)] or list(layout.panels)
    return min((panel.height for panel in near), default=0.0)


def _as_known(job: Job, hole: Hole, post: Post, drilling: Drilling | None) -> Post:
    """Return a post with the uncertainty of its hole: marked by tape ties and drilled, or as estimated from what was measured once drilled."""
    drilled = drilling.of(hole.name) if drilling is not None else None
    if drilled is None or drilled.place is None:
        mark = hole.tie_sigma if hole.tie_sigma is not None else float(job.shop.setting_out.mark_sigma)
        return msgspec.structs.replace(post, sigma=math.hypot(mark, job.shop.setting_out.drill_sigma))
    return msgspec.structs.replace(
        post,
        sigma=drilled.sigma,
        variance_east=drilled.variance_east,
        variance_north=drilled.variance_north,
        covariance=drilled.covariance,
        to_next_sigma=drilled.to_next_sigma,
    )


def _post(hole: Hole, line: list[Hole], closed: bool, ground: Ground) -> Post:
    level = ground.level(hole.place)
    if level is None:
        level = hole.elev or 0.0
    outward = _outward(hole, line, closed)
    sense = {"plumb": 0.0, "away": 1.0, "pool": -1.0}[hole.lean_toward]
    across = sense * math.sin(hole.lean)
    axis = (across * outward[0], across * outward[1], math.cos(hole.lean) if sense else 1.0)
    return Post(name=hole.name, foot=hole.place, level=level, axis=axis, sigma=0.0)


def _outward(hole: Hole, line: list[Hole], closed: bool) -> Point:
    """Return the unit vector away from the water at a hole: across the bisector of the two straight ways that meet there."""
    index = line.index(hole)
    before = line[index - 1] if index or closed else hole
    after = line[(index + 1) % len(line)] if index + 1 < len(line) or closed else hole
    ways = [_direction(before, hole), _direction(hole, after)]
    dx, dy = sum(way[0] for way in ways), sum(way[1] for way in ways)
    length = math.hypot(dx, dy) or 1.0
    return (dy / length, -dx / length)


def _direction(first: Hole, last: Hole) -> Point:
    dx, dy = last.east - first.east, last.north - first.north
    length = math.hypot(dx, dy) or 1.0
    return (dx / length, dy / length)
