"""The vocabulary of rule packs: every quantity a limit may name, its dimension, and the comparators that make sense for it.

A pack that names a quantity not listed here, gives it a unit of another dimension or turns its comparator round is
refused before any job sees it: a height that reads `max` would turn a safety limit into its opposite.
"""

from __future__ import annotations

from typing import Final, Literal

import msgspec

Dimension = Literal["length", "yes-no", "force", "sound", "time", "count", "dust", "share", "diameters", "age"]

UNITS_OF: Final[dict[Dimension, tuple[str, ...]]] = {
    "length": ("in", "ft", "mm", "m"),
    "yes-no": ("bool", "judgement"),
    "force": ("lbf",),
    "sound": ("dBA",),
    "time": ("s", "h", "days"),
    "count": ("count",),
    "dust": ("ug/m3",),
    "share": ("percent",),
    "diameters": ("diameters",),
    "age": ("years",),
}


class Quantity(msgspec.Struct, frozen=True):
    """What a limit may be set on.

    Parameters
    ----------
    dimension : Dimension
    comparators : tuple of str
        Those that leave the limit's sense as it is.
    meaning : str
        In words, with what it is measured from.
    """

    dimension: Dimension
    comparators: tuple[str, ...]
    meaning: str


def _least(meaning: str) -> Quantity:
    return Quantity("length", ("min",), meaning)


def _most(meaning: str) -> Quantity:
    return Quantity("length", ("max", "less-than"), meaning)


def _ball(meaning: str) -> Quantity:
    return Quantity("length", ("must-not-pass",), meaning)


def _within(meaning: str) -> Quantity:
    return Quantity("length", ("within",), meaning)


def _must(meaning: str) -> Quantity:
    return Quantity("yes-no", ("required",), meaning)


def _must_not(meaning: str) -> Quantity:
    return Quantity("yes-no", ("prohibited",), meaning)


def _ask(meaning: str) -> Quantity:
    return Quantity("yes-no", ("ask-official",), meaning)


VOCABULARY: Final[dict[str, Quantity]] = {
    # the fence itself
    "barrier-height": _least("top of the fence above the grade on its outer side, vertically"),
    "height-strip": _within("how far out from the fence's outer face its height has to hold, horizontally"),
    "gap-under": _most("hem to the ground on any surface, vertically"),
    "gap-under-soft": _most("hem to grass, gravel or soil, vertically"),
    "gap-under-hard": _most("hem to concrete or pavers, vertically"),
    "gap-under-mesh": _most("hem of a mesh fence to the deck, vertically"),
    "gap-on-raised-pool": _most("top of a raised pool to the underside of a fence standing on it"),
    "opening-sphere": _ball("the ball that may pass no opening of the fence, its ends included"),
    "under-panel-sphere": _ball("the ball that may not pass under a mesh panel"),
    "mesh-lift": _most("hem above the deck when it is pulled up by hand"),
    "joint-latch-height": _least("the device that joins two panels, above grade"),
    "setback": _least("fabric to the nearest water's edge, horizontally"),
    "setback-judgement": _must("far enough from the water that a child who gets through does not fall straight in"),
    "clear-zone": _least("outer face of the fence to anything climbable outside it, horizontally"),
    "clear-zone-quarter-arc": _least("top of the fence to anything climbable outside it, along a quarter arc"),
    "clear-zone-inside": _least("inner face of the fence to anything climbable inside it, horizontally"),
    "footholds": _must_not("anything on the outside that helps a child up"),
    "post-spacing": _most("post to post within a panel, centre to centre"),
    "post-depth": _least("the post's foot below the deck"),
    "post-strength": Quantity("force", ("min",), "sideways pull a post stands, 36 in above grade"),
    "fabric-tensile": Quantity("force", ("min",), "tensile strength of the fabric"),
    "fabric-ball-burst": Quantity("force", ("min",), "ball-burst strength of the fabric"),
    "fabric-probe": _ball("the round probe that may not pass the fabric, even when it deforms"),
    "fabric-weathering": Quantity("time", ("min",), "weathering test the fabric's colour has to stand"),
    "fabric-standard": _must("the fence is made and labelled to the standard the law names"),
    "fabric-standard-unseen": _ask("a standard whose numbers could not be read"),
    "strip-screw-spacing": _most("screw to screw along the strip that holds the fabric to its post"),
    "sleeve-non-conductive": _must("deck sleeves of a material that does not conduct"),
    "one-end-needs-tools": _must("one end of a removable fence cannot be taken out without tools"),
    "readily-removable": _must_not("a fence that is readily taken away"),
    "mesh-on-onground-pool": _must_not("a mesh fence on top of the wall of an on-ground pool"),
    "mesh-height-open-question": Quantity("length", ("ask-official",), "a height the law may or may not ask of a mesh fence"),
    # rails, uprights and other fabrics
    "rail-spacing": _least("top of one rail to the top of the next; on a mesh fence, of the hem and of the top edge"),
    "upright-gap": Quantity("length", ("max", "less-than", "must-not-pass"), "between neighbouring uprights of a rail fence"),
    "opening-between-uprights": Quantity("length", ("max", "less-than", "must-not-pass"), "clear width between neighbouring uprights of any fence"),
    "cutout-width": _most("decorative cut-outs"),
    "lattice-opening": _most("openings between diagonal members"),
    "chain-link-opening": _most("one mesh of a chain-link fence"),
    "chain-link": _must_not("chain link at all"),
    "wire-mesh-opening": _most("one mesh of a woven or perforated fabric"),
    # gates
    "gate-opens-away": _must("the gate opens away from the water"),
    "gate-self-closing": _must("the gate closes by itself"),
    "gate-self-latching": _must("the gate latches by itself"),
    "gate-action": _must("the gate closes and latches from every position, and does not open toward the pool"),
    "gate-lockable": _must("the gate takes a lock"),
    "gate-hinge-spacing": _least("hinge to hinge of a gate, which would else serve as footholds"),
    "gate-one-leaf-fixed": _must("one leaf of a double gate is fixed"),
    "gate-in-mesh": _must("a gate in a mesh fence meets the rules for gates"),
    "gate-release-height": _least("release of the latch above grade"),
    "gate-release-height-over-bottom": _least("release of the latch above the bottom of the gate"),
    "gate-release-height-public": Quantity("length", ("min", "max"), "release of the latch above grade, at a public pool"),
    "gate-release-above-rail": _least("release of the latch above the highest lower rail"),
    "gate-release-below-top": Quantity("length", ("min", "max"), "release of the latch below the top of the gate"),
    "gate-release-opening": _most("any opening near a release on the pool side"),
    "gate-release-radius": Quantity("length", ("within", "min"), "how far about the release those openings are limited"),
    "gate-release-inside": _must("the release is on the pool side, out of a young child's reach"),
    "gate-release-rule-open": _ask("a release rule that lies with another body"),
    # a house wall as part of the barrier
    "wall-without-openings": _must("a wall in the barrier has no door or window to the pool"),
    "window-sill": _least("sill of a window above the indoor floor"),
    "window-sill-pass-through": _least("sill of a pass-through window above the counter side's floor"),
    "window-opening": _most("how far a window in the barrier wall opens"),
    "wall-alarm": _must("an alarm, or another accepted means, on every door and low window"),
    "wall-alarm-switch-height": _least("bypass switch of the alarm above the indoor floor"),
    "wall-alarm-level": Quantity("sound", ("min",), "sound of the alarm at 10 ft"),
    "wall-alarm-seconds": Quantity("time", ("min",), "how long the alarm sounds"),
    "wall-alarm-bypass-seconds": Quantity("time", ("max",), "how long the alarm may be bypassed"),
    "wall-alternative": Quantity("yes-no", ("alternative",), "what is accepted instead of alarms"),
    "wall-door-release-height": _least("release of a house door above the floor"),
    "wall-separation-height": _least("a barrier between house and pool"),
    "boundary-fence-height": _least("a boundary fence used as the barrier, on its inner side"),
    # what the document covers, and what else it asks
    "pool-depth-trigger": Quantity("length", ("more-than", "min"), "depth of water from which the document applies"),
    "scope-age": Quantity("age", ("to",), "oldest child the document has in mind"),
    "feature-count": Quantity("count", ("min",), "how many of the listed safety features the pool has"),
    "device-required": _must("a standardised safety device at the pool"),
    "cover-also": _must("a net or cover besides the fence"),
    "temporary-enclosure-days": Quantity("time", ("max",), "until a permanent enclosure replaces a temporary one"),
    "onground-wall-height": _least("wall of an on-ground pool that serves as the barrier"),
    "shore-overrun": _least("side barriers past the edge of natural water"),
    # the work itself: cautions, never verdicts on the fence
    "bonding-region": _within("surface round the pool that is bonded"),
    "bonding-ring-near": Quantity("length", ("from",), "nearest place of a bonding ring, from the inside wall"),
    "bonding-ring-far": Quantity("length", ("to",), "farthest place of a bonding ring, from the inside wall"),
    "bonding-ring-depth-least": Quantity("length", ("from",), "least depth of a bonding ring below the subgrade"),
    "bonding-ring-depth-most": Quantity("length", ("to",), "greatest depth of a bonding ring below the subgrade"),
    "bonding-grid-pitch": Quantity("length", ("nominal",), "wire to wire of a bonding grid"),
    "metal-bonding-distance": _within("fixed metal nearer to the pool than this is bonded"),
    "underground-wiring-distance": _within("no general wiring underground nearer to the pool than this"),
    "dust-capture": _must("dust is caught at the drill"),
    "hole-vacuum": _must("holes are cleaned with a HEPA vacuum"),
    "core-rig-water": _must("water at the cutting face of a core rig"),
    "dry-sweeping": _must_not("sweeping or brushing drilling dust dry"),
    "compressed-air": _must_not("blowing drilling dust off with compressed air"),
    "respirator": Quantity("yes-no", ("not-required",), "a respirator while dust capture is fully used"),
    "collector-filter": Quantity("share", ("min",), "share of the dust the collector's filter holds back"),
    "dust-action-level": Quantity("dust", ("from",), "respirable silica from which the rule applies, 8 h average"),
    "dust-exposure-limit": Quantity("dust", ("max",), "respirable silica, 8 h average"),
    "ground-fault-protection": _must("ground-fault protection on temporary power"),
    "eye-protection": _must("eye protection with side shields"),
    "one-call-notice": Quantity("time", ("min",), "working days of notice before digging or drilling into ground"),
    "tendon-scan": _must("tendons located before a post-tensioned slab is drilled"),
    "anchor-spacing": Quantity("diameters", ("min",), "anchor to anchor"),
    "anchor-edge": Quantity("diameters", ("min",), "anchor to the edge of the concrete"),
}
