"""What is done with a limit of each quantity: measured, looked at on site, or why a mesh fence can neither meet nor miss it."""

from __future__ import annotations

from collections.abc import Callable
from typing import Final

from pipeline.compliance.measures import climb, gaps, gate, height, house_wall, latches, openings, posts, setback
from pipeline.compliance.readings import LookAt, NotHere, Outcome
from pipeline.compliance.standing import Scene
from pipeline.model.rules import Limit, RulePack

Treatment = Callable[[Scene, RulePack, Limit], Outcome]


def _look(text: str) -> Treatment:
    """Return a treatment that sends somebody to look, ``{value}`` standing for the limit as printed."""
    return lambda scene, pack, limit: LookAt(text=text.format(value=limit.printed))


def _not_here(why: str) -> Treatment:
    return lambda scene, pack, limit: NotHere(why=why)


RAILS: Final = _not_here("a rail fence's rule: a mesh fence has fabric between its posts and no uprights")
LINKS: Final = _not_here("a rule for chain link: this fence has mesh fabric, not chain link")
WORK: Final = _not_here("a rule for the work, not for the fence: it raises a caution")
SCOPE: Final = _not_here("says which pools the document covers; the depth of the water is not surveyed, and the pool is taken as covered")
ANCHOR: Final = _not_here("for post-installed anchors: a sleeve hole is none, and no code's edge distance for it was found")

TREATMENTS: Final[dict[str, Treatment]] = {
    "barrier-height": height.barrier_height,
    "height-strip": _not_here("the reach over which the height of this document is measured: see its barrier-height"),
    "gap-under": gaps.gap_under,
    "gap-under-soft": gaps.gap_under_soft,
    "gap-under-hard": gaps.gap_under_hard,
    "gap-under-mesh": gaps.gap_under_mesh,
    "gap-on-raised-pool": _not_here("the fence stands in the deck, not on the pool's structure"),
    "opening-sphere": openings.opening_sphere,
    "under-panel-sphere": openings.under_panel_sphere,
    "mesh-lift": _look("pull the hem up by hand at the middle of every bay: it may not rise more than {value} above the deck"),
    "joint-latch-height": latches.joint_latch_height,
    "setback": setback.setback,
    "setback-judgement": setback.setback_judgement,
    "clear-zone": climb.clear_zone,
    "clear-zone-quarter-arc": climb.clear_zone_quarter_arc,
    "clear-zone-inside": climb.clear_zone_inside,
    "footholds": climb.footholds,
    "post-spacing": posts.post_spacing,
    "post-depth": posts.post_depth,
    "post-strength": posts.post_strength,
    "fabric-tensile": posts.fabric_tensile,
    "fabric-ball-burst": posts.fabric_ball_burst,
    "fabric-probe": posts.fabric_probe,
    "fabric-weathering": posts.fabric_weathering,
    "fabric-standard": _look("see the fence's certificate and instructions: made to the standard, put up as they say"),
    "fabric-standard-unseen": _look("the standard's numbers were not read: have its certificate for this fence"),
    "strip-screw-spacing": posts.strip_screw_spacing,
    "sleeve-non-conductive": posts.sleeve_non_conductive,
    "one-end-needs-tools": _look("one end of the fence cannot be lifted out without tools"),
    "readily-removable": _look("ask the city before work begins whether it accepts a fence that lifts out"),
    "mesh-on-onground-pool": _not_here("the pool is in the ground and the fence stands in its deck"),
    "mesh-height-open-question": _look("ask the local official whether a mesh fence has to be {value} high; 48 in is not passed without that answer"),
    "rail-spacing": posts.rail_spacing,
    "upright-gap": RAILS,
    "opening-between-uprights": openings.opening_between_uprights,
    "cutout-width": RAILS,
    "lattice-opening": _not_here("a rule for diagonal members: the fence has none"),
    "chain-link-opening": LINKS,
    "chain-link": LINKS,
    "wire-mesh-opening": posts.wire_mesh_opening,
    "gate-opens-away": gate.gate_opens_away,
    "gate-self-closing": gate.gate_self_closing,
    "gate-self-latching": gate.gate_self_latching,
    "gate-action": gate.gate_action,
    "gate-lockable": gate.gate_lockable,
    "gate-hinge-spacing": gate.gate_hinge_spacing,
    "gate-one-leaf-fixed": gate.gate_one_leaf_fixed,
    "gate-in-mesh": gate.gate_in_mesh,
    "gate-release-height": gate.gate_release_height,
    "gate-release-height-over-bottom": gate.gate_release_height_over_bottom,
    "gate-release-height-public": _not_here("for public pools; a residential one is taken"),
    "gate-release-above-rail": gate.gate_release_above_rail,
    "gate-release-below-top": gate.gate_release_below_top,
    "gate-release-opening": gate.gate_release_opening,
    "gate-release-radius": gate.gate_release_radius,
    "gate-release-inside": gate.gate_release_inside,
    "gate-release-rule-open": _look("read the release rule the state code council has adopted, before the gate is chosen"),
    "wall-without-openings": house_wall.wall_without_openings,
    "window-sill": house_wall.window_sill,
    "window-sill-pass-through": house_wall.wall_item(
        "a pass-through window counts only lower than {value} or without a counter below: measure it", "WINDOW"
    ),
    "window-opening": house_wall.wall_item("it opens no more than {value}, or carries fixed bars or mesh", "WINDOW"),
    "wall-alarm": house_wall.wall_item("a listed alarm, or another means the document accepts, is fitted and sounds"),
    "wall-alarm-switch-height": house_wall.wall_item("the switch that bypasses its alarm sits {value} or higher above the indoor floor"),
    "wall-alarm-level": house_wall.wall_item("its alarm sounds with {value} or more at 10 ft, if alarms are the means chosen"),
    "wall-alarm-seconds": house_wall.wall_item("its alarm sounds for at least {value}, if alarms are the means chosen"),
    "wall-alarm-bypass-seconds": house_wall.wall_item("its alarm can be bypassed for no more than {value}, if alarms are the means chosen"),
    "wall-alternative": _not_here("what is accepted instead of alarms on a wall; asks nothing by itself"),
    "wall-door-release-height": house_wall.wall_item(
        "the release of the self-latching door sits {value} or higher, if such doors are the means chosen", "DOOR"
    ),
    "wall-separation-height": house_wall.wall_separation_height,
    "boundary-fence-height": house_wall.boundary_fence_height,
    "pool-depth-trigger": SCOPE,
    "scope-age": _not_here("says whom the standard has in mind; asks nothing of the fence by itself"),
    "feature-count": _look("count the pool's safety features: {value} or more of those the law lists; the fence is one"),
    "device-required": _look("the fence is the standardised device, with its technical note, or another is fitted besides"),
    "cover-also": _look("a net or cover is fitted besides the fence"),
    "temporary-enclosure-days": _look("if the pool is being built: the permanent enclosure stands within {value}"),
    "onground-wall-height": _not_here("for on-ground pools whose wall is the barrier"),
    "shore-overrun": _not_here("for natural water: the pool has an edge all round"),
    "bonding-region": WORK,
    "bonding-ring-near": WORK,
    "bonding-ring-far": WORK,
    "bonding-ring-depth-least": WORK,
    "bonding-ring-depth-most": WORK,
    "bonding-grid-pitch": WORK,
    "metal-bonding-distance": WORK,
    "underground-wiring-distance": WORK,
    "dust-capture": WORK,
    "hole-vacuum": WORK,
    "core-rig-water": WORK,
    "dry-sweeping": WORK,
    "compressed-air": WORK,
    "respirator": WORK,
    "collector-filter": WORK,
    "dust-action-level": WORK,
    "dust-exposure-limit": WORK,
    "ground-fault-protection": WORK,
    "eye-protection": WORK,
    "one-call-notice": WORK,
    "tendon-scan": WORK,
    "anchor-spacing": ANCHOR,
    "anchor-edge": ANCHOR,
}
