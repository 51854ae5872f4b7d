"""Posts: how far apart, how deep, how strong; and the sleeves they stand in."""

from __future__ import annotations

import math
from typing import Final

from pipeline.compliance.readings import COVERAGE, Fact, LookAt, Measured, NotHere, Outcome, Reading
from pipeline.compliance.standing import Scene, apart_sigma
from pipeline.model.rules import Limit, RulePack

POUND_FORCE: Final = 4.4482216152605  # [N] exact: 0.45359237 kg x 9.80665 m/s²
TEST_SIGMA: Final = 0.01 / math.sqrt(3)  # [-] of a test report's figure: a testing machine good to 1 % (class 1 of ISO 7500-1, from memory)


def post_spacing(scene: Scene, pack: RulePack, limit: Limit) -> Outcome:
    """Greatest distance of neighbouring posts of a panel, centre to centre, straight, as a tape reads it.

    Why: the wider the bay, the farther the fabric can be pushed and lifted.
    """
    panels = [bay for bay in scene.fence.bays if bay.kind == "panel"]
    if not panels:
        return NotHere(why="the layout has no mesh panel")
    readings = [Reading(value=bay.length, sigma=apart_sigma(bay.first, bay.last), where=bay.where, place=bay.foot_at(0.5)) for bay in panels]
    return Measured(readings=tuple(readings), cure="{short} less: a smaller spacing, or no give on the curves")


def post_depth(scene: Scene, pack: RulePack, limit: Limit) -> Outcome:
    """Least depth of a hole below the deck: so deep a post can stand at most.

    Why: the depth is the lever arm that holds the post.
    """
    sigma = float(scene.job.shop.setting_out.depth_sigma)
    holes = [hole for hole in scene.layout.holes if hole.role != "pocket"]
    if not holes:
        return NotHere(why="the layout has no hole")
    readings = [Reading(value=hole.depth, sigma=sigma, where=hole.name, place=hole.place) for hole in holes]
    look = "measure the depth of each hole, and that the post goes to its bottom"
    return Measured(readings=tuple(readings), cure="{short} more: deeper holes and sleeves, where the slab is thick enough", look_at=look)


def post_strength(scene: Scene, pack: RulePack, limit: Limit) -> Outcome:
    """Sideways pull the posts were tested for, 36 in above grade, if the shop file says."""
    return _pulled(scene.job.shop.post.strength_tested, limit, "posts", "the post's test report at 36 in above grade")


def sleeve_non_conductive(scene: Scene, pack: RulePack, limit: Limit) -> Outcome:
    """Material of the sleeves, as the shop file has it.

    Why: a metal sleeve near the pool would carry a stray voltage to whoever touches a post.
    """
    cure = "sleeves of a material that does not conduct"
    return Fact(holds=scene.job.shop.sleeve.non_conductive, where="all sleeves, by the shop file", cure=cure)


def fabric_tensile(scene: Scene, pack: RulePack, limit: Limit) -> Outcome:
    """Tensile strength of the fabric, if the shop file says."""
    return _pulled(scene.job.shop.panel.fabric_tensile, limit, "fabric", "the fabric's grab test, ASTM D5034")


def fabric_ball_burst(scene: Scene, pack: RulePack, limit: Limit) -> Outcome:
    """Ball-burst strength of the fabric, if the shop file says."""
    return _pulled(scene.job.shop.panel.fabric_ball_burst, limit, "fabric", "the fabric's ball-burst test, ASTM D3787")


def fabric_weathering(scene: Scene, pack: RulePack, limit: Limit) -> Outcome:
    """Hours of the weathering test the fabric stood, if the shop file says."""
    hours = scene.job.shop.panel.fabric_weathering
    return _tested(hours, hours, f"{hours:g} h", limit, "fabric", f"the fabric's weathering test over {limit.printed}")


def fabric_probe(scene: Scene, pack: RulePack, limit: Limit) -> Outcome:
    """Largest round probe the fabric lets through, as the shop file has it."""
    opening = float(scene.job.shop.panel.fabric_opening)
    if opening == 0:
        return LookAt(text=f"the shop file does not say: push a round probe of {limit.printed} against the fabric", where="fabric")
    reading = Reading(value=opening, sigma=float(scene.job.shop.panel.weave_sigma), where="fabric, by the shop file")
    return Measured(readings=(reading,), cure="a closer fabric", look_at=f"push a round probe of {limit.printed} against the fabric: it may not pass")


def strip_screw_spacing(scene: Scene, pack: RulePack, limit: Limit) -> Outcome:
    """Pitch of the screws along the strips that hold the fabric, as the shop file has it.

    The shop fits whole screws between the two pairs at top and bottom, so that the pitch is never wider than this.
    """
    pitch = float(scene.job.shop.panel.screw_pitch)
    reading = Reading(value=pitch, sigma=float(scene.job.shop.panel.pitch_sigma), where="every strip, by the shop file")
    return Measured(
        readings=(reading,), cure="{short} less: a closer pitch", look_at="count the screws: two at the top, two at the bottom, others no wider apart"
    )


def rail_spacing(scene: Scene, pack: RulePack, limit: Limit) -> Outcome:
    """From the hem to the top edge of the fabric: a mesh fence has no other rails.

    Why: two rails near to each other are a ladder.  Any cord, strap or brace added later re-opens the question.
    """
    panels = [bay for bay in scene.fence.bays if bay.kind == "panel"]
    if not panels:
        return NotHere(why="the layout has no mesh panel")
    hem = float(scene.job.shop.panel.hem_gap)
    sigma = float(scene.job.shop.panel.hang_sigma)
    readings = [Reading(value=bay.height - hem, sigma=sigma, where=f"{bay.where}, hem to top edge", place=bay.foot_at(0.5)) for bay in panels]
    look = "no cord, strap, cable or brace runs along the fence between hem and top edge"
    return Measured(readings=tuple(readings), cure="{short} more: taller panels", look_at=look)


def wire_mesh_opening(scene: Scene, pack: RulePack, limit: Limit) -> Outcome:
    """One mesh of the fabric, as the shop file has it."""
    opening = float(scene.job.shop.panel.fabric_opening)
    if opening == 0:
        return LookAt(text="the shop file does not say: measure one mesh of the fabric", where="fabric")
    reading = Reading(value=opening, sigma=float(scene.job.shop.panel.weave_sigma), where="fabric, by the shop file")
    return Measured(readings=(reading,), cure="a closer fabric")


def _pulled(newtons: float, limit: Limit, what: str, paper: str) -> Outcome:
    stood = newtons / POUND_FORCE
    return _tested(newtons, stood, f"{stood:.4g} lbf", limit, what, f"{paper}, {limit.printed} or more")


def _tested(known: float, stood: float, printed: str, limit: Limit, what: str, paper: str) -> Outcome:
    """Hold what a test report says, in the clause's own unit, against a least value; 0 is not known."""
    if known == 0:
        return LookAt(text=f"the shop file does not say: ask for {paper}", where=what)
    margin = stood - float(limit.value)
    return Fact(
        holds=margin >= 0,
        surely=margin > COVERAGE * TEST_SIGMA * stood,
        where=f"{what}, {printed} by the shop file",
        look_at=f"see {paper}" if 0 <= margin <= COVERAGE * TEST_SIGMA * stood else "",
        cure=f"{what} tested for {limit.printed}",
    )
