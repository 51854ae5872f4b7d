"""Latches where panels meet."""

from __future__ import annotations

import math

from pipeline.compliance.measures.height import BESIDE
from pipeline.compliance.readings import LookAt, Measured, NotHere, Outcome, Reading, gathered
from pipeline.compliance.standing import Between, Scene
from pipeline.model.layout import Joint
from pipeline.model.rules import Limit, RulePack
from pipeline.units import format_length


def joint_latch_height(scene: Scene, pack: RulePack, limit: Limit) -> Outcome:
    """Height of every joint's latch above the deck, from the lower side.

    Why: a latch within reach opens the fence.

    How: the layout gives the latch's height above the deck on the lower side.  From the upper tread of a stepped joint
    it is lower by the rise; whether that counts is for the authority, and where it would miss the limit it is asked.
    """
    if not scene.layout.joints:
        return NotHere(why="no two panels are joined")
    sigma = float(scene.job.shop.panel.hang_sigma)
    betweens = {between.joint.name: between for between in scene.fence.betweens if between.joint}
    readings = tuple(_reading(joint, betweens.get(joint.name), sigma) for joint in scene.layout.joints)
    asides = gathered([aside for joint in scene.layout.joints if (aside := _from_above(scene, joint, betweens.get(joint.name), limit))])
    cure = "{short} more: a latch in a higher hole, or taller panels at the step"
    return Measured(readings=readings, asides=asides, cure=cure, look_at="the latch is as secure as a hook and eye with a spring keeper")


def _reading(joint: Joint, between: Between | None, sigma: float) -> Reading:
    place = between.middle if between else None
    return Reading(value=joint.latch_height, sigma=sigma, where=f"joint {joint.name}, {joint.before} to {joint.after}", place=place)


def _from_above(scene: Scene, joint: Joint, between: Between | None, limit: Limit) -> LookAt | None:
    value = joint.latch_height - abs(joint.rise)
    if abs(joint.rise) < BESIDE or not joint.riser or value >= limit.metres or joint.latch_height < limit.metres:
        return None
    known = scene.ground.weighted([(1.0, between.first.foot), (-1.0, between.last.foot)]) if between else None
    sigma = math.hypot(scene.job.shop.panel.hang_sigma, known[1] if known else 0.0)
    where = f"joint {joint.name}, {joint.before} to {joint.after}, step {joint.riser}"
    reading = Reading(value=value, sigma=sigma, where=where, place=between.middle if between else None)
    height = format_length(value, scene.job.options.report_units)
    text = f"from the upper tread the latch is only {height} up: ask the authority from which tread it counts"
    return LookAt(text=text, where=where, reading=reading, cure="taller panels at the step, so that the latch can sit higher")
