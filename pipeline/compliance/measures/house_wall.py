"""A house wall as part of the barrier: every door and window in the stretch between the fence's two ends."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Final, Literal

from pipeline.compliance.measures.gaps import inside
from pipeline.compliance.measures.height import barrier_height
from pipeline.compliance.readings import TAPED, Fact, LookAt, Measured, NotHere, Outcome, Reading
from pipeline.compliance.standing import Scene, wall_of
from pipeline.geometry.chain import Chain, Point, polyline
from pipeline.model.rules import Limit, RulePack, limits_of
from pipeline.model.site import FittedLine, Opening

ON_WALL: Final = 0.3  # [m] a jamb this near to a wall belongs to it
STEP: Final = 0.05  # [m] along a wall, when its barrier stretch is outlined
NO_WALL: Final = "no house wall is part of the barrier"
NO_OPENING: Final = "none that counts was surveyed in the wall that is part of the barrier"
OpeningKind = Literal["DOOR", "WINDOW"]


def wall_without_openings(scene: Scene, pack: RulePack, limit: Limit) -> Outcome:
    """Whether the wall in the barrier has no door or window to the pool.

    Why: most young children who drown were last seen in the house; a door in the wall leads past the fence.

    How: the stretch of wall between the fence's two ends belongs to the barrier; every surveyed opening whose middle
    lies in it counts.
    """
    if not is_barrier(scene):
        return NotHere(why=NO_WALL)
    found = barrier_openings(scene)
    if not found:
        return LookAt(text="look along the wall: it has no door and no window that opens to the pool")
    where, (first, *others) = "; ".join(_named(one) for one in found), [middle_of(one) for one in found]
    return Fact(holds=False, where=where, place=first, also=tuple(others), cure="run the fence as a loop, or in front of the openings (ends = loop)")


def window_sill(scene: Scene, pack: RulePack, limit: Limit) -> Outcome:
    """Sill of every window in the barrier wall above the indoor floor, where the survey gives it.

    A window with a lower sill that can be opened counts as a way out and comes under the document's rule for openings.
    """
    if not is_barrier(scene):
        return NotHere(why=NO_WALL)
    windows = [one for one in barrier_openings(scene) if one.kind == "WINDOW"]
    if not windows:
        return NotHere(why="no window was surveyed in the wall that is part of the barrier")
    low = f"a window lower than {limit.printed} that opens needs what the document asks of doors: an alarm, or another accepted means"
    readings = tuple(Reading(value=one.sill, sigma=TAPED, where=_named(one), place=middle_of(one)) for one in windows if one.sill is not None)
    unknown = tuple(LookAt(text=f"measure the sill above the indoor floor; {low}", where=_named(one)) for one in windows if one.sill is None)
    below = tuple(LookAt(text=low, where=reading.where, reading=reading) for reading in readings if reading.value < limit.metres)
    high = tuple(reading for reading in readings if reading.value >= limit.metres)
    asides = unknown + below
    if high:
        return Measured(readings=high, asides=asides, look_at="sills count from the indoor floor")
    return asides[0] if len(asides) == 1 else Measured(readings=(), asides=asides)


def wall_item(text: str, *kinds: OpeningKind) -> Callable[[Scene, RulePack, Limit], Outcome]:
    """Return the measure of something a document asks at each opening of a barrier wall, to be looked at on site.

    Parameters
    ----------
    text : str
        What to look at, ``{value}`` standing for the limit as printed.
    *kinds : {"DOOR", "WINDOW"}
        The kinds it is asked of; both without any.
    """

    def measure(scene: Scene, pack: RulePack, limit: Limit) -> Outcome:
        if not is_barrier(scene):
            return NotHere(why=NO_WALL)
        found = [one for one in _that_count(scene, pack) if not kinds or one.kind in kinds]
        if not found:
            return LookAt(text=f"{NO_OPENING}: should there be one after all, {text.format(value=limit.printed)}")
        return Measured(readings=(), asides=tuple(LookAt(text=text.format(value=limit.printed), where=_named(one)) for one in found))

    return measure


def wall_separation_height(scene: Scene, pack: RulePack, limit: Limit) -> Outcome:
    """Whether a barrier stands between house and pool: a fence that closes round the pool is one, a house wall in it is not."""
    if not is_barrier(scene):
        return barrier_height(scene, pack, limit)
    return LookAt(text=f"the house wall is in the barrier: a barrier of {limit.printed} between house and pool, or one of the document's other means")


def boundary_fence_height(scene: Scene, pack: RulePack, limit: Limit) -> Outcome:
    """A boundary fence the pool fence ends at: its height is not surveyed."""
    if not any(wall_of(scene.site, end) for end in scene.layout.ends):
        return NotHere(why="the fence does not end at a boundary fence")
    return LookAt(text=f"if what the fence ends at is a boundary fence: {limit.printed} or more on its inner side")


def is_barrier(scene: Scene) -> bool:
    """Say whether a wall is part of the barrier: an open fence that ends at walls."""
    return not scene.layout.closed and any(wall_of(scene.site, end) for end in scene.layout.ends)


def barrier_openings(scene: Scene) -> tuple[Opening, ...]:
    """Return the doors and windows in the stretch of wall that closes the barrier."""
    stretches = barrier_stretches(scene)
    return tuple(one for one in scene.site.openings if any(_within(one, wall, low, high) for wall, low, high in stretches))


def barrier_stretches(scene: Scene) -> list[tuple[FittedLine, float, float]]:
    """Return the stretches of wall that close the barrier: (wall, from station, to station) [m].

    With both ends at one wall it is what lies between them, on a closed outline the side that shuts the water in; with
    ends at two walls it is of each the part toward the other.
    """
    feet = [(wall_of(scene.site, end), end.foot) for end in scene.layout.ends]
    known = [(wall, foot) for wall, foot in feet if wall is not None]
    if len(known) == 2 and known[0][0] is known[1][0]:
        return _on_one_wall(scene, known[0][0], known[0][1], known[1][1])
    if len(known) == 2:
        return [_toward(known[0][0], known[0][1], known[1][1]), _toward(known[1][0], known[1][1], known[0][1])]
    return [(wall, 0.0, wall.chain.length) for wall, _ in known]


def middle_of(opening: Opening) -> Point:
    """Return the middle between an opening's two jambs [m]."""
    (x0, y0), (x1, y1) = opening.jambs
    return ((x0 + x1) / 2, (y0 + y1) / 2)


def _that_count(scene: Scene, pack: RulePack) -> list[Opening]:
    """Return the openings a document's alarm rule looks at: doors, and windows not known to have a high sill."""
    sills = [limit.metres for _, limit in limits_of((pack,), "window-sill")]
    return [one for one in barrier_openings(scene) if one.kind == "DOOR" or one.sill is None or not sills or one.sill < max(sills)]


def _named(opening: Opening) -> str:
    return f"{opening.kind.lower()} {opening.line or 'in the wall'}".strip()


def _on_one_wall(scene: Scene, wall: FittedLine, first: Point, last: Point) -> list[tuple[FittedLine, float, float]]:
    low, high = sorted((wall.chain.nearest(first)[0], wall.chain.nearest(last)[0]))
    if not wall.chain.closed:
        return [(wall, low, high)]
    outline = polyline([*_ring(scene, wall.chain, low, high)], closed=True)
    water = scene.site.waters[0].chain.vertices[0]
    if inside(outline, water):
        return [(wall, low, high)]
    return [(wall, 0.0, low), (wall, high, wall.chain.length)]


def _ring(scene: Scene, wall: Chain, low: float, high: float) -> list[Point]:
    """Return the fence's feet, closed along the wall between two stations: one of the two ways to close the barrier."""
    feet = [post.foot for post in scene.fence.posts.values()]
    count = max(2, math.ceil((high - low) / STEP))
    along = [wall.point_at(low + (high - low) * step / count) for step in range(count + 1)]
    start_at_low = math.dist(feet[-1], along[0]) <= math.dist(feet[-1], along[-1])
    return feet + (along if start_at_low else along[::-1])


def _toward(wall: FittedLine, foot: Point, other: Point) -> tuple[FittedLine, float, float]:
    station = wall.chain.nearest(foot)[0]
    towards_start = math.dist(wall.chain.vertices[0], other) < math.dist(wall.chain.vertices[-1], other)
    return (wall, 0.0, station) if towards_start else (wall, station, wall.chain.length)


def _within(opening: Opening, wall: FittedLine, low: float, high: float) -> bool:
    station, distance = wall.chain.nearest(middle_of(opening))
    return distance <= ON_WALL and low <= station <= high
