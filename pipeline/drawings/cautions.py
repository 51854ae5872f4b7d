"""What can hurt people at this job: first what the job itself raises, then what holds for every one."""

from __future__ import annotations

from pipeline.model.compliance import Caution, Compliance
from pipeline.model.fabrication import Fabrication
from pipeline.model.job import Job
from pipeline.model.layout import Layout
from pipeline.model.site import Site

DEFERENCE = (
    "Local codes, the authority having jurisdiction and licensed practice decide. This package is drawn from the survey it names and "
    "from limits as they were read; it is no permit and no inspection."
)
SUPERVISION = (
    "This fence replaces no supervision. It buys time. Keep an adult on watch who does nothing else, keep the gate shut and latched, put "
    "every panel back at once after use, keep chairs and toys well away from the outside."
)
WATER_WATCH = "While holes are open and panels are down the pool has no barrier: one named person watches the water and does nothing else, from the first hole to the last latch."

GENERAL = (
    Caution(
        text="Drill only with a shrouded rotary hammer and a HEPA vacuum on it. Clean holes with the vacuum. No dry sweeping, no dry brushing, no blowing out.",
        source="29 CFR 1926.1153 table 1 row vii and (f), read (fact sheet and quotation)",
    ),
    Caution(
        text="Power for tools through a ground-fault circuit interrupter, tested before the first hole. Keep cords out of the water and off wet deck.",
        source="29 CFR 1926.404(b)(1), read (as quoted by a state labor department)",
    ),
    Caution(
        text="Before drilling: have public lines located (811, wait as your state says), and have the owner show private ones: pool pipes, lighting, gas, irrigation.",
        source="one-call laws; utility safety pages, read second-hand",
    ),
    Caution(
        text="Drill no deeper than the schedule says, and stop at the underside of the slab. Where the bit meets metal or a hollow, stop and ask.",
        source="own judgement",
    ),
    Caution(
        text="Eye protection with side shields and hearing protection for everyone within reach of the drill.",
        source="29 CFR 1926.102, 1926.52, from memory",
    ),
    Caution(
        text="Epoxy: gloves, no skin contact, nothing into the pool; mind the working time on the cartridge.", source="common practice, no source"
    ),
    Caution(
        text="Sealing a cut edge with heat: no flame near solvent, epoxy or the pile of mesh; something to put a fire out stands beside.",
        source="common practice, no source",
    ),
    Caution(text="Open sleeves and cords are trip hazards: plug each sleeve as it is set.", source="common practice, no source"),
    Caution(text="Two lift a rolled panel. On hot days: shade, water, breaks.", source="common practice, no source"),
)


def job_cautions(job: Job, site: Site, layout: Layout, compliance: Compliance) -> tuple[Caution, ...]:
    """Return the cautions this job raises: compliance's own first, then those its facts raise and compliance did not name."""
    own = [caution for caution in compliance.cautions if caution.raised_by]
    said = " ".join(caution.text.lower() for caution in own)
    return (*own, *(caution for key, caution in _raised(job, site, layout) if key not in said))


def general_cautions(compliance: Compliance) -> tuple[Caution, ...]:
    """Return the cautions that hold for every job, compliance's own first."""
    own = tuple(caution for caution in compliance.cautions if not caution.raised_by)
    return (*own, *GENERAL)


def _raised(job: Job, site: Site, layout: Layout) -> list[tuple[str, Caution]]:
    """Return (word by which a caution is known, caution) for the facts of this job."""
    found = []
    slab = job.options.site.slab
    if slab in ("post-tensioned", "unknown"):
        found.append(
            (
                "tendon",
                Caution(
                    text="Do not drill before tendons are located and an engineer agrees: one cut strand of a post-tensioned slab can kill.",
                    source="scanning and post-tension articles, read second-hand",
                    raised_by="slab is post-tensioned"
                    if slab == "post-tensioned"
                    else "kind of slab unknown: treat it as post-tensioned until it is known",
                ),
            )
        )
    if site.utilities:
        found.append(
            (
                "located pipe",
                Caution(
                    text="A located pipe or conductor crosses this site: see the plan; hand tools only within the locator's tolerance.",
                    source="utility safety page, read second-hand; state law varies",
                    raised_by=f"{len(site.utilities)} UTILITY line(s) in the survey",
                ),
            )
        )
    found.append(
        (
            "bonding",
            Caution(
                text="A bare copper bonding conductor may lie 18 to 24 in from the pool wall, 4 to 6 in down or in the slab: locate it before drilling near there.",
                source="NEC 680.26(B)(2), read as quoted",
                raised_by=f"holes stand from {min(hole.water for hole in layout.holes) / 0.0254:.0f} in to {max(hole.water for hole in layout.holes) / 0.0254:.0f} in from the water",
            ),
        )
    )
    if job.shop.sleeve.depth + job.shop.sleeve.cover >= job.shop.sleeve.slab_thickness - 1e-9:
        found.append(
            (
                "thickness",
                Caution(
                    text="The hole leaves little concrete under it: measure the slab's real thickness at the first hole before drilling the others.",
                    source="own judgement",
                    raised_by="hole depth and least cover take up the whole assumed thickness",
                ),
            )
        )
    return found


def tools(job: Job, layout: Layout, fabrication: Fabrication) -> tuple[str, ...]:
    """Return what to load, by the job's own numbers."""
    from pipeline.units import format_length

    units = job.options.report_units
    bore = format_length(layout.holes[0].bore, units)
    return (
        f"Rotary hammer with dust shroud, guide for plumb and leaned holes, {bore} bit, depth stop at {format_length(layout.holes[0].depth, units)}",
        "HEPA vacuum with bags; hole brush to be used with the vacuum running",
        "GFCI outlet or cord, tested",
        f"Steel tape of {format_length(job.shop.setting_out.tape_length, units)} and a second one; string line; chalk or pencil; square; spirit level and angle gauge",
        "Locator's marks on the deck, and the locate ticket",
        "Eye, ear and hand protection; water and shade",
        f"{len(layout.holes)} sleeves with plugs and spares; epoxy: about {fabrication.epoxy_ml:.0f} ml in the holes, plus waste",
        f"{len(layout.panels)} panels, {len(layout.gates)} gate sets, {len(layout.joints)} latches, caps, screws, driver",
        "Sharp shears, hot knife or heat sealer for cut edges, fire extinguisher",
        "This booklet, and a pencil for the sheet of the holes as drilled",
    )
