"""What a child could climb on, outside the fence and inside it."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from typing import Final

from pipeline.compliance.measures.setback import nearest_water
from pipeline.compliance.nearness import nearest_of_segment
from pipeline.compliance.readings import TAPED, LookAt, Measured, NotHere, Outcome, Reading
from pipeline.compliance.standing import Bay, Scene
from pipeline.geometry.chain import Point
from pipeline.model.rules import Limit, RulePack, strictest
from pipeline.model.site import SiteObject
from pipeline.units import format_length

Reach = Callable[[SiteObject, Bay, float, float], tuple[float, float]]  # of object, bay, distance and its sigma: value and sigma [m]
ROOM: Final = 0.025  # [m] less than this is no room to set a fence line over (own judgement)
NONE_SHOT = "no object was surveyed on that side"
WALK = "walk the fence: nothing climbable within {limit}, now or later (chairs, planters, toys, limbs)"


def clear_zone(scene: Scene, pack: RulePack, limit: Limit) -> Outcome:
    """Horizontal distance from the fence's outer face to every surveyed object outside it.

    Why: what stands near the fence is a step over it.

    How: the shortest way from the fabric between two posts to the object's outline; an object that the fence cuts is
    0 away.  What was not surveyed cannot be measured, so that the walk round the fence always stays.
    """
    return _zone(scene, limit, outside=True, measure=_straight)


def clear_zone_quarter_arc(scene: Scene, pack: RulePack, limit: Limit) -> Outcome:
    """Distance from the top of the fence to every surveyed object outside it, along a quarter arc.

    Why: a code that sweeps its zone from the top of the fence lets low things stand nearer than tall ones.

    How: with x the horizontal distance and d the depth of the object's top below the fence's, the arc through it has
    the radius r = sqrt(x² + d²), known as well as x and d in the shares x/r and d/r; d is 0 for an object as tall as the
    fence or of unknown height.
    """
    hang = float(scene.job.shop.panel.hang_sigma)

    def radius(thing: SiteObject, bay: Bay, distance: float, sigma: float) -> tuple[float, float]:
        depth = 0.0 if thing.height is None else max(0.0, bay.height - thing.height)
        arc = math.hypot(distance, depth)
        return arc, math.hypot(distance / arc * sigma, depth / arc * math.hypot(TAPED, hang)) if arc else sigma

    return _zone(scene, limit, outside=True, measure=radius)


def clear_zone_inside(scene: Scene, pack: RulePack, limit: Limit) -> Outcome:
    """Horizontal distance from the fabric to every surveyed object inside; asked only where a foot finds a gap.

    Why: a child reaches through gaps wider than 10 mm.  Mesh of a closer fabric has none.
    """
    opening = scene.job.shop.panel.fabric_opening
    if 0 < opening < 0.010:
        units = scene.job.options.report_units
        return NotHere(why=f"the fabric's openings ({format_length(opening, units)} or less) are under 10 mm, from where on the clause asks for it")
    return _zone(scene, limit, outside=False, measure=_straight)


def footholds(scene: Scene, pack: RulePack, limit: Limit) -> Outcome:
    """Holds for hand or foot on the outside: the layout knows of none, hands and eyes have to confirm it."""
    return LookAt(text="look and feel along the outside: nothing gives a hold for hand or foot, no cord, strap, brace or ledge beside the fence")


def _straight(thing: SiteObject, bay: Bay, distance: float, sigma: float) -> tuple[float, float]:
    return distance, sigma


def _zone(scene: Scene, limit: Limit, *, outside: bool, measure: Reach) -> Outcome:
    asked = format_length(limit.metres, scene.job.options.report_units)
    walk = WALK.format(limit=asked)
    readings = tuple(_readings(scene, outside, measure))
    if not readings:
        return LookAt(text=f"{NONE_SHOT}; {walk}")
    return Measured(readings=readings, look_at=walk)


def _readings(scene: Scene, outside: bool, measure: Reach) -> Iterator[Reading]:
    for thing in scene.site.objects if scene.fence.bays else ():
        bay, distance, ratio, station = nearest_bay(scene, thing)
        place = thing.outline.point_at(station)
        across = _across(bay, place)
        if distance > 0 and (across > 0) != outside:
            continue
        way = bay.way_to(ratio, place)
        value, sigma = measure(thing, bay, distance, math.hypot(thing.sigma_toward(station, way), bay.sigma_across(ratio, way)))
        height = "height unknown" if thing.height is None else f"{format_length(thing.height, scene.job.options.report_units)} high"
        where = f"{called(thing)} ({height}) beside {bay.where}"
        yield Reading(value=value, sigma=sigma, where=where, place=place, cure=apart(scene, bay, thing, outside=outside))


def apart(scene: Scene, bay: Bay, thing: SiteObject, *, outside: bool) -> str:
    """Return what would part a fence from an object, ``{short}`` standing for the length that is missing.

    Toward the water the fence line may give way as far as the strictest setback of the job's packs leaves it room.
    """
    ruling = strictest(scene.job.packs, "setback")
    room = nearest_water(scene, bay).value - (ruling[1].metres if ruling else 0.0)
    words = f"{{short}} more: move {called(thing)} away"
    if not outside:
        return f"{words}, or the fence line farther out"
    if room < ROOM:
        return f"{words}; the fence line has no room toward the water there"
    return f"{words}, or the fence line toward the water, where it has {format_length(room, scene.job.options.report_units)} above the least setback"


def called(thing: SiteObject) -> str:
    """Return what the crew called a thing and where to find it in the survey; its name alone where the remark has no word for it.

    Examples
    --------
    >>> from pipeline.geometry.chain import Chain
    >>> circle = Chain(((0.0, 0.0), (1.0, 0.0)), (1.0, 1.0), True)
    >>> called(SiteObject(name="572", outline=circle, remark="OBJECT r=14in h=36in boulder"))
    'boulder, point 572'
    >>> called(SiteObject(name="OBJECT1", outline=circle, remark="h=20in planter")), called(SiteObject(name="601", outline=circle))
    ('planter, line OBJECT1', 'object 601')
    """
    words = [word for word in thing.remark.replace(";", " ").split() if "=" not in word and not word.upper().startswith("OBJECT")]
    if not words:
        return f"object {thing.name}"
    return f"{' '.join(words)}, {'line' if thing.name.upper().startswith('OBJECT') else 'point'} {thing.name}"


def nearest_bay(scene: Scene, thing: SiteObject) -> tuple[Bay, float, float, float]:
    """Return (nearest bay, distance [m], ratio along the bay, station on the object's outline [m])."""
    found = []
    for number, bay in enumerate(scene.fence.bays):
        distance, along, station = nearest_of_segment(bay.first.foot, bay.last.foot, thing.outline)
        found.append((distance, number, along / (bay.length or 1.0), station))
    distance, number, ratio, station = min(found)
    return scene.fence.bays[number], distance, ratio, station


def _across(bay: Bay, place: Point) -> float:
    """Return how far outside (positive) a place lies of a bay's line [m]."""
    foot = bay.first.foot
    return (place[0] - foot[0]) * bay.outward[0] + (place[1] - foot[1]) * bay.outward[1]
