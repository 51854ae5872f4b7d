"""Distance of the fabric from the water."""

from __future__ import annotations

import math

from pipeline.compliance.nearness import nearest_of_segment
from pipeline.compliance.readings import LookAt, Measured, NotHere, Outcome, Reading
from pipeline.compliance.standing import Bay, Scene, once
from pipeline.model.rules import Limit, RulePack
from pipeline.units import format_length


def setback(scene: Scene, pack: RulePack, limit: Limit) -> Outcome:
    """Least horizontal distance of the fabric from the water's edge, everywhere along the fence.

    Why: a child that gets through or over is not to fall straight into the water.

    How: the fabric is the straight way from post to post, not the line the posts stand on: on an outward curve its
    middle is nearer to the water by the sagitta.  The shortest way from that straight line to the fitted edge, lines
    and arcs alike, is exact.  Its uncertainty is that of the edge there and of the two holes as marked and drilled.
    """
    if not scene.fence.bays:
        return NotHere(why="the layout has no panel")
    return Measured(
        readings=tuple(nearest_water(scene, bay) for bay in scene.fence.bays),
        cure="{short} more: set the fence line farther out (`setback` of the job), or round a corner wider",
    )


def setback_judgement(scene: Scene, pack: RulePack, limit: Limit) -> Outcome:
    """The least setback, for whoever has to judge whether it is far enough; the text gives no number."""
    if not scene.fence.bays:
        return NotHere(why="the layout has no panel")
    least = min((nearest_water(scene, bay) for bay in scene.fence.bays), key=lambda reading: reading.value)
    text = f"judge whether {format_length(least.value, scene.job.options.report_units)} at the nearest place keeps a child from falling straight in"
    return LookAt(text=text, where=least.where, reading=least)


@once
def nearest_water(scene: Scene, bay: Bay) -> Reading:
    """Return the distance of one bay's fabric from the nearest water's edge."""
    found = []
    for number, water in enumerate(scene.site.waters):
        distance, along, station = nearest_of_segment(bay.first.foot, bay.last.foot, water.chain)
        found.append((distance, along, station, number))
    distance, along, station, number = min(found)
    ratio = along / (bay.length or 1.0)
    water = scene.site.waters[number]
    place = water.chain.point_at(station)
    way = bay.way_to(ratio, place)
    sigma = math.hypot(water.sigma_toward(station, way), bay.sigma_across(ratio, way))
    return Reading(value=distance, sigma=sigma, where=bay.where, place=place)
