"""Height of the fence over the ground on its outer side."""

from __future__ import annotations

import math
from typing import Final

import numpy as np

from pipeline.compliance.measures.climb import called, nearest_bay
from pipeline.compliance.nearness import nearest_of_segment
from pipeline.compliance.readings import TAPED, LookAt, Measured, NotHere, Outcome, Reading, gathered, rounded_up
from pipeline.compliance.standing import Bay, Between, Scene, once
from pipeline.geometry.chain import Point
from pipeline.model.rules import Limit, RulePack, limits_of
from pipeline.model.site import SiteObject
from pipeline.units import format_length

BESIDE: Final = 1e-6  # [m] a step is looked at from both its sides
NO_LEVELS: Final = "no heights were surveyed"


def barrier_height(scene: Scene, pack: RulePack, limit: Limit) -> Outcome:
    """Height of every bay's top above the grade on its outer side.

    Why: a child climbs from where it stands, and that is outside.  The strip outside which the document names (36 in)
    counts as ground, so that a rise of the deck, a step or a planter beside the fence lowers it.

    How: the top runs straight between the two posts' tops, each `height` above the deck at its own post.  Height less
    level is linear within each plane patch of the deck, so that its least value over the strip lies in a corner of the
    strip, where its border meets the border of a patch, or in a corner of a patch; all of them are tried.  A post that
    leans stands upright under its load; what it would lose if it did not, h (1 - cos lean), is part of the uncertainty.
    """
    if not scene.fence.bays:
        return NotHere(why="the layout has no panel")
    if not scene.ground.known:
        nominal = format_length(min(bay.height for bay in scene.fence.bays), scene.job.options.report_units)
        return LookAt(text=f"{NO_LEVELS}: measure the height from the ground outside at every post ({nominal} above the deck by design)")
    strip = strip_of(pack)
    readings = [reading for bay in scene.fence.bays for reading in heights_of(scene, bay, strip)]
    readings += [reading for bay in scene.fence.bays for reading in _over_objects(scene, bay, strip)]
    taller = [height for height in scene.job.shop.panel.heights if height > max(bay.height for bay in scene.fence.bays)]
    stock = f"panels of {format_length(taller[0], scene.job.options.report_units)}" if taller else "taller panels"
    return Measured(
        readings=tuple(readings),
        asides=gathered(_above_treads(scene, limit)),
        cure=f"{{short}} more: {stock} there, or lower ground outside",
    )


def strip_of(pack: RulePack) -> float:
    """Return how far out from the fence a pack wants the height kept [m]; 0 where it names no strip."""
    return max((limit.metres for _, limit in limits_of((pack,), "height-strip")), default=0.0)


@once
def heights_of(scene: Scene, bay: Bay, strip: float) -> list[Reading]:
    """Return the height of a bay above the ground outside wherever it can be least, over `strip` [m]."""
    readings = [reading for reading in _heights_over(scene, bay, _candidates(scene, bay, strip)) if reading]
    if not readings:
        raise ValueError(f"no level is known beside {bay.where}")
    return readings


def _heights_over(scene: Scene, bay: Bay, spots: list[tuple[float, float]]) -> list[Reading | None]:
    """Return the height of the top over each spot (ratio along the bay, distance outside [m]); None where no level is known."""
    first, last, units = bay.first.foot, bay.last.foot, scene.job.options.report_units
    grounds = [_outside(bay, ratio, out) for ratio, out in spots]
    weights = np.array([(1 - ratio, ratio, -1.0) for ratio, _ in spots])
    rises = scene.ground.sums(weights, [(first, last, ground) for ground in grounds])
    lean = bay.height * (1 - math.cos(max(bay.first.lean, bay.last.lean))) / math.sqrt(3)  # between none and all of it
    hang = math.hypot(scene.job.shop.panel.hang_sigma, lean)
    found: list[Reading | None] = []
    told = zip(rises.values.tolist(), rises.sigmas.tolist(), rises.own.tolist(), strict=True)
    for (_, out), ground, (rise, sigma, own) in zip(spots, grounds, told, strict=True):
        words = f", over the ground {format_length(out, units)} outside" if out > BESIDE else ""
        reading = Reading(value=bay.height + rise, sigma=math.hypot(sigma, hang), where=bay.where + words, place=ground, group=bay.where, own=own)
        found.append(None if math.isnan(rise) else reading)
    return found


def _outside(bay: Bay, ratio: float, out: float) -> Point:
    """Return the place on the ground [m] at `ratio` along a bay, `out` [m] outside it."""
    foot = bay.foot_at(ratio)
    return (foot[0] + out * bay.outward[0], foot[1] + out * bay.outward[1])


def _candidates(scene: Scene, bay: Bay, strip: float) -> list[tuple[float, float]]:
    """Return where the height can be least: (ratio along the bay, distance outside [m]), both sides of every step."""
    found: set[tuple[float, float]] = set()
    for along, out in _arrangement(scene, bay, strip):
        for nudge_along in (-BESIDE, BESIDE):
            for nudge_out in (-BESIDE, BESIDE):
                ratio = min(max(along + nudge_along, 0.0), 1.0)
                found.add((ratio, min(max(out + nudge_out, 0.0), strip)))
    return sorted(found)


def _arrangement(scene: Scene, bay: Bay, strip: float) -> list[tuple[float, float]]:
    corners = [(0.0, 0.0), (1.0, 0.0), (1.0, strip), (0.0, strip)]
    found = [*corners, (0.5, 0.0), (0.5, strip)]  # between the posts the level is known least well
    for (a0, o0), (a1, o1) in zip(corners, corners[1:] + corners[:1], strict=True):
        for ratio in scene.ground.breaks(_outside(bay, a0, o0), _outside(bay, a1, o1)):
            found.append((a0 + ratio * (a1 - a0), o0 + ratio * (o1 - o0)))
    ox, oy = bay.outward
    length = bay.length or 1.0
    within = scene.ground.corners_within(bay.first.foot, (-oy, ox), (0.0, bay.length), bay.outward, strip)
    return found + [(run / length, out) for run, out in within]


def _over_objects(scene: Scene, bay: Bay, strip: float) -> list[Reading]:
    """Return the height over each low object within the strip outside: a child may stand on it."""
    readings = []
    for thing in scene.site.objects:
        reading = _over_object(scene, bay, thing, strip)
        if reading:
            readings.append(reading)
    return readings


def _over_object(scene: Scene, bay: Bay, thing: SiteObject, strip: float) -> Reading | None:
    if strip == 0 or thing.height is None or thing.height >= bay.height:
        return None
    distance, along, station = nearest_of_segment(bay.first.foot, bay.last.foot, thing.outline)
    place = thing.outline.point_at(station)
    foot = bay.foot_at(along / (bay.length or 1.0))
    outside = (place[0] - foot[0]) * bay.outward[0] + (place[1] - foot[1]) * bay.outward[1]
    if distance > strip or outside < 0:
        return None
    (over,) = _heights_over(scene, bay, [(along / (bay.length or 1.0), min(distance, strip))])
    if over is None:
        return None
    where = f"{bay.where}, over {called(thing)} ({format_length(thing.height, scene.job.options.report_units)} high)"
    units = scene.job.options.report_units
    beyond = format_length(rounded_up(strip - nearest_bay(scene, thing)[1], units), units)
    cure = f"move {called(thing)}, or the fence line, {beyond} farther away: out of the {format_length(strip, units)} outside that count as ground"
    return Reading(value=over.value - thing.height, sigma=math.hypot(over.sigma, TAPED), where=where, place=place, group=bay.where, cure=cure)


def _above_treads(scene: Scene, limit: Limit) -> list[LookAt]:
    """Return how high the lower panel stands above the upper tread at each step the fence crosses.

    The clauses speak of the grade outside; at a step there are two, an arm's length apart.  Which one counts for the
    lower panel is for the authority to say.
    """
    units = scene.job.options.report_units
    asides = []
    for between in scene.fence.betweens:
        found = _at_step(scene, between)
        if found is None or found.value >= limit.metres or between.height < limit.metres:
            continue  # high enough, or too low on either tread
        text = (
            f"the lower panel's top is {format_length(found.value, units)} above the upper tread beside it: "
            f"ask the authority from which tread the height counts at a step"
        )
        asides.append(LookAt(text=text, where=found.where, reading=found, cure="taller stock for the panel below the riser"))
    return asides


def _at_step(scene: Scene, between: Between) -> Reading | None:
    known = scene.ground.weighted([(1.0, between.first.foot), (-1.0, between.last.foot)])
    if known is None or abs(known[0]) < 2 * known[1] + BESIDE or not (between.joint and between.joint.riser):
        return None
    sigma = math.hypot(known[1], scene.job.shop.panel.hang_sigma)
    return Reading(value=between.height - abs(known[0]), sigma=sigma, where=f"{between.where}, step {between.joint.riser}", place=between.middle)
