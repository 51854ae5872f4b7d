"""The fence as it will stand: posts with their lean, bays of fabric between them, openings where there is none."""

from __future__ import annotations

import itertools
import math
from typing import Final, Literal

import msgspec

from pipeline.compliance.ground import Ground
from pipeline.geometry.chain import Point
from pipeline.model.drilling import Drilling
from pipeline.model.job import Job
from pipeline.model.layout import FenceEnd, Hole, Joint, Layout, Panel
from pipeline.model.site import FittedLine, Site

Vector = tuple[float, float, float]
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
        Standard deviation of the foot in plan, as marked and drilled [m].
    """

    name: str
    foot: Point
    level: float
    axis: Vector
    sigma: float

    def at(self, height: float) -> Vector:
        """Return the point of the axis `height` [m] above the deck, measured along the post."""
        x, y, z = self.axis
        return (self.foot[0] + height * x, self.foot[1] + height * y, self.level + height * z)

    @property
    def lean(self) -> float:
        """From plumb [rad]"""
        return math.acos(min(1.0, self.axis[2]))


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
    """Everything a measure may look at."""

    job: Job
    site: Site
    layout: Layout
    fence: Fence
    ground: Ground


def scene_of(job: Job, site: Site, layout: Layout, drilling: Drilling | None = None) -> Scene:
    """Put the fence up on the site, as the layout has it; `drilling` says how well its holes are known once they are drilled."""
    ground = Ground(site.levels)
    return Scene(job=job, site=site, layout=layout, fence=fence_of(job, layout, ground, drilling), ground=ground)


def top_over_deck(job: Job, height: float) -> float:
    """Return how high a panel's top stands over the deck at its posts [m], for a panel of a nominal height [m].

    A shop's heights are those of the fabric, which hangs its hem gap above the deck, or count from the deck.
    """
    panel = job.shop.panel
    return height if panel.height_from_deck else height + panel.hem_gap


def fence_of(job: Job, layout: Layout, ground: Ground, drilling: Drilling | None = None) -> Fence:
    """Return posts, bays and openings of a layout."""
    line = [hole for hole in layout.holes if hole.role != "pocket"]
    posts = {hole.name: _post(hole, line, layout.closed, ground, setting_out_sigma(job, hole, drilling)) for hole in line}
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


def setting_out_sigma(job: Job, hole: Hole, drilling: Drilling | None = None) -> float:
    """Return the standard deviation of a hole in plan [m]: marked by tape ties and drilled, or as estimated from what was measured."""
    drilled = drilling.of(hole.name) if drilling is not None else None
    if drilled is not None and drilled.place is not None:
        return drilled.sigma
    mark = hole.tie_sigma if hole.tie_sigma is not None else float(job.shop.setting_out.mark_sigma)
    return math.hypot(mark, job.shop.setting_out.drill_sigma)


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


def _post(hole: Hole, line: list[Hole], closed: bool, ground: Ground, sigma: float) -> Post:
    level = ground.level(hole.place)
    if level is None:
        level = hole.elev or 0.0
    outward = _outward(hole, line, closed)
    sense = {"plumb": 0.0, "away": 1.0, "pool": -1.0}[hole.lean_toward]
    across = sense * math.sin(hole.lean)
    axis = (across * outward[0], across * outward[1], math.cos(hole.lean) if sense else 1.0)
    return Post(name=hole.name, foot=hole.place, level=level, axis=axis, sigma=sigma)


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
