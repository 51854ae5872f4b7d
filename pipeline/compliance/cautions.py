"""What can hurt people at this job: first what its own facts raise, then what holds for every one."""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import Final

from pipeline.compliance.measures.house_wall import barrier_openings, is_barrier
from pipeline.compliance.readings import COVERAGE
from pipeline.compliance.standing import Scene
from pipeline.model.compliance import Caution
from pipeline.model.fabrication import Fabrication
from pipeline.model.layout import Hole
from pipeline.model.rules import Limit, RulePack, limits_of
from pipeline.model.site import FittedLine, Site
from pipeline.model.vocabulary import VOCABULARY
from pipeline.units import ReportUnits, format_length

AT_WALL: Final = 0.25  # [m] a deck's edge this near to a wall runs to the wall (own judgement, as in the layout)
COPING_OVERHANG: Final = 0.05  # [m] the pool's inside wall may lie this far behind the water's edge as shot (own judgement)
BESIDE_UTILITY: Final = 0.61  # [m] 2 ft, a locator's usual tolerance zone (a utility's page; state law varies)
SURE_UNDER: Final = 0.0254  # [m] with this much concrete planned under a hole the slab need not be measured (own judgement, not code)
POUND: Final = 0.45359237  # [kg]
SHOWN_HOLES: Final = 6
HOW_KNOWN: Final = {"read": "read", "summary": "from a summary", "memory": "from memory", "confirmed": "confirmed by the office"}

PRACTICE: Final = "common practice, no source"
OWN: Final = "own judgement, not code"
GENERAL: Final = (  # what to say, and the quantity of a pack or the source it rests on
    (
        "While holes are open and panels are down the pool has no barrier: one named person watches the water and does nothing else, "
        "from the first hole to the last latch.",
        PRACTICE,
    ),
    (
        "Before drilling have buried lines located, {notice} working days ahead or as the state says; "
        "private ones (pool pipes, lighting, gas, irrigation) are the owner's to show.",
        "one-call-notice",
    ),
    (
        "Silica dust: a drill held by hand runs with its shroud and dust collection, the collector as strong as the tool's maker asks; clean holes with a HEPA vacuum, "
        "never with a blow-out bulb or air lance.",
        "dust-capture",
    ),
    ("No dry sweeping or brushing of drilling dust.", "dry-sweeping"),
    ("No compressed air on clothes or surfaces, unless its cloud is caught.", "compressed-air"),
    ("The employer's written plan against the dust and its competent person are on site.", "29 CFR 1926.1153 (g), from memory"),
    (
        "Tools near water: power only through a ground-fault circuit interrupter, tested before the first hole; cords out of the water and off the wet deck.",
        "ground-fault-protection",
    ),
    ("Eyes: protection with side shields, for everyone within reach of the drill.", "eye-protection"),
    ("Ears: hearing protection while the hammer runs.", "29 CFR 1926.52 and .101, from memory"),
    ("Drill no deeper than the schedule says; where the bit meets metal, a hollow or water, stop and ask.", OWN),
    (
        "Look for what no survey shows: heating in the slab, a deck over a void, thin pavers, coping that hangs over, cracks and drains near a hole.",
        OWN,
    ),
    ("Epoxy burns and sensitises skin: gloves, eyes covered, nothing into the pool; mind its working time.", PRACTICE),
    ("Cut edges are sealed with heat: no flame near solvent, epoxy or the pile of mesh; an extinguisher stands beside.", PRACTICE),
    ("Open sleeves and cords trip people: plug each sleeve as it is set.", PRACTICE),
    ("Two people lift a rolled panel.{weight} On hot days: shade, water, breaks.", PRACTICE),
)


def cautions_of(scene: Scene, fabrication: Fabrication | None, work: tuple[RulePack, ...]) -> tuple[Caution, ...]:
    """Return every caution of a job, those its own facts raise first."""
    return (*_raised(scene, work), *_general(fabrication, work, scene.job.options.report_units))


def holes_in_band(scene: Scene, near: float, far: float) -> list[Hole]:
    """Return the holes whose edge may meet a band from `near` to `far` [m] from the pool's inside wall.

    The wall lies somewhere between the water's edge as shot and an overhang behind it; half the bore and the uncertainty
    of edge and hole are added on either side.
    """
    found = []
    for hole in scene.layout.holes:
        post = scene.fence.posts.get(hole.name)
        sigma = math.hypot(post.sigma if post else 0.0, max((max(water.sigma_normals) for water in scene.site.waters), default=0.0))
        reach = hole.bore / 2 + COVERAGE * sigma
        if near - COPING_OVERHANG - reach <= hole.water <= far + reach:
            found.append(hole)
    return found


def _raised(scene: Scene, work: tuple[RulePack, ...]) -> Iterator[Caution]:
    yield from _slab(scene, work)
    yield from _bonding(scene, work)
    yield from _buried(scene, work)
    yield from _thin(scene)
    yield from _near_edges(scene)
    if is_barrier(scene):
        yield from _house_wall(scene)
    if any(between.joint and between.joint.riser for between in scene.fence.betweens):
        yield Caution(
            text="The fence crosses steps: footing while drilling, and sleeves near a riser that may break its edge.",
            source=PRACTICE,
            raised_by=", ".join(between.where for between in scene.fence.betweens if between.joint and between.joint.riser),
        )


def _slab(scene: Scene, work: tuple[RulePack, ...]) -> Iterator[Caution]:
    slab = scene.job.options.site.slab
    source = _source(work, "tendon-scan")
    if slab == "post-tensioned":
        yield Caution(
            text="Post-tensioned slab: do not drill before it is scanned, its tendons are marked and an engineer has agreed. A cut strand can kill.",
            source=source,
            raised_by="slab = post-tensioned",
        )
    if slab == "unknown":
        yield Caution(
            text="The kind of slab is not known: find out before drilling. A deck poured with the house slab may hold tendons; "
            "a stamp on the garage floor or caps at its edge show it. Until then do not drill.",
            source=source,
            raised_by="slab = unknown",
        )
    if slab == "reinforced":
        yield Caution(
            text="Reinforced slab: find the bars, and stop where the bit meets steel; it may be bonded to the pool.",
            source=PRACTICE,
            raised_by="slab = reinforced",
        )
    if slab == "pavers":
        yield Caution(
            text=f"Pavers hold no sleeve by themselves: a footing under each hole, down to {format_length(_needed_thickness(scene), scene.job.options.report_units)} "
            "or more below the deck's surface, and the building department's word that it carries the post. Where a hole finds no such footing: stop and ask the office.",
            source="a city's plan review asked for proof where a post was not in a deck, read",
            raised_by="slab = pavers",
        )


def _bonding(scene: Scene, work: tuple[RulePack, ...]) -> Iterator[Caution]:
    units = scene.job.options.report_units

    def reported(limit: Limit) -> str:
        """Return a limit as its document prints it; in millimetres where the job's sheets are in millimetres."""
        return limit.printed if units == "inch" else format_length(limit.metres, units)

    near, far = _limit(work, "bonding-ring-near"), _limit(work, "bonding-ring-far")
    holes = holes_in_band(scene, near.metres, far.metres)
    if holes:
        yield Caution(
            text=f"Alarm: holes stand over the band where the pool's bonding conductor usually lies, {reported(near)} to {reported(far)} from the inside wall, "
            "in the slab or under it. Locate the bare copper before drilling, drill no deeper than planned, stop at copper.",
            source=_source(work, "bonding-ring-near"),
            raised_by=f"{_named(holes)} in the bonding band",
        )
    distance = _limit(work, "metal-bonding-distance")
    near_metal = [hole for hole in scene.layout.holes if hole.role != "pocket" and hole.water < distance.metres]
    if scene.job.shop.post.conductive and near_metal:
        yield Caution(
            text=f"Metal posts within {reported(distance)} of the pool: ask a licensed electrician whether they have to be bonded; sleeves that do not conduct do not settle it.",
            source=_source(work, "metal-bonding-distance"),
            raised_by=f"{len(near_metal)} post{'' if len(near_metal) == 1 else 's'} within {reported(distance)} of the water",
        )


def _buried(scene: Scene, work: tuple[RulePack, ...]) -> Iterator[Caution]:
    lines = scene.site.utilities
    near = [hole for hole in scene.layout.holes if any(line.chain.nearest(hole.place)[1] < BESIDE_UTILITY for line in lines)]
    if lines:
        units = scene.job.options.report_units
        beside = f"; {_named(near)} within {format_length(BESIDE_UTILITY, units)} of one" if near else ""
        yield Caution(
            text="A located pipe or conductor runs here: see the plan, have it marked again on the day, hand tools only within the locator's tolerance.",
            source=_source(work, "one-call-notice"),
            raised_by=f"{len(lines)} UTILITY line{'s' if len(lines) > 1 else ''} in the survey{beside}",
        )


def _thin(scene: Scene) -> Iterator[Caution]:
    """Say at what thickness of slab the crew stops; pavers have no slab, and their footing is told of with them."""
    if scene.job.options.site.slab == "pavers":
        return
    sleeve, units = scene.job.shop.sleeve, scene.job.options.report_units
    need = _needed_thickness(scene)
    if sleeve.slab_thickness < need - 1e-9 or sleeve.slab_thickness < need - sleeve.cover + SURE_UNDER - 1e-9:
        told = format_length(need, units)
        yield Caution(
            text=f"Measure the slab's thickness at the first hole. A slab thinner than {told}: stop and ask the office "
            f"(holes of {format_length(need - sleeve.cover, units)}, and {format_length(sleeve.cover, units)} of concrete left under them).",
            source="own judgement, not code",
            raised_by=f"the slab of {format_length(sleeve.slab_thickness, units)} in the shop file, against {told} the holes need",
        )


def _needed_thickness(scene: Scene) -> float:
    """Return how thick the slab or footing has to be [m]: the deepest hole, and the shop's cover under it."""
    sleeve = scene.job.shop.sleeve
    return max((hole.depth for hole in scene.layout.holes), default=float(sleeve.depth)) + sleeve.cover


def _near_edges(scene: Scene) -> Iterator[Caution]:
    sleeve = scene.job.shop.sleeve
    held_by = "footing" if scene.job.options.site.slab == "pavers" else "concrete"
    kinds: tuple[tuple[str, tuple[FittedLine, ...], float], ...] = (
        ("the deck's edge", scene.site.decks, float(sleeve.edge_distance)),
        ("a joint", scene.site.joints, float(sleeve.joint_distance)),
        ("a drain", scene.site.drains, float(sleeve.drain_distance)),
    )
    for what, lines, least in kinds:
        near = [hole for hole in scene.layout.holes if any(_breaks_out(hole, line, least, scene.site) for line in lines)]
        if near:
            yield Caution(
                text=f"Holes stand nearer to {what} than {format_length(least, scene.job.options.report_units)}: the {held_by} may break out. Move them or have an engineer agree.",
                source="own judgement, not code; no code's edge distance for a sleeve hole was found",
                raised_by=_named(near),
            )


def _breaks_out(hole: Hole, line: FittedLine, least: float, site: Site) -> bool:
    """Say whether a hole's edge lies within `least` [m] of a line; a deck's edge that runs along a wall is none, the slab goes on to the wall."""
    station, distance = line.chain.nearest(hole.place)
    if distance - hole.bore / 2 >= least - 1e-9:
        return False
    there = line.chain.point_at(station)
    return line.code != "DECK" or all(wall.chain.nearest(there)[1] > AT_WALL for wall in site.walls)


def _house_wall(scene: Scene) -> Iterator[Caution]:
    found = barrier_openings(scene)
    names = ", ".join(f"{one.kind.lower()} {one.line}".strip() for one in found)
    yield Caution(
        text="The house wall is part of the barrier: every door and low window in it leads past the fence to the water. Most young children who drown were last seen in the house.",
        source="a public health fact sheet, read",
        raised_by=names or "the fence ends at a wall",
    )


def _general(fabrication: Fabrication | None, work: tuple[RulePack, ...], units: ReportUnits) -> Iterator[Caution]:
    notice = _limit(work, "one-call-notice").value
    heaviest = max((panel.mass for panel in fabrication.panels), default=0.0) if fabrication else 0.0
    told = f"{heaviest / POUND:.0f} lb" if units == "inch" else f"{heaviest:.0f} kg"
    weight = f" The heaviest panel here weighs about {told}." if heaviest else ""
    for text, rests_on in GENERAL:
        source = _source(work, rests_on) if rests_on in VOCABULARY else rests_on
        yield Caution(text=text.format(notice=f"{notice:g}", weight=weight), source=source)


def _limit(work: tuple[RulePack, ...], quantity: str) -> Limit:
    return limits_of(work, quantity)[0][1]


def _source(work: tuple[RulePack, ...], quantity: str) -> str:
    """Return document, clause and how it is known, of what a caution rests on."""
    pack, limit = limits_of(work, quantity)[0]
    how = HOW_KNOWN[limit.certainty]
    return f"{pack.document} {limit.clause}, {how}" + ("" if limit.certainty == "memory" else f" ({limit.source})")


def _named(holes: list[Hole]) -> str:
    names = [hole.name for hole in holes]
    more = f" and {len(names) - SHOWN_HOLES} more" if len(names) > SHOWN_HOLES else ""
    return ("hole " if len(names) == 1 else "holes ") + ", ".join(names[:SHOWN_HOLES]) + more
