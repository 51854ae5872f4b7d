"""The verb of this stage: from a job's artifacts to the plan, its sheets and the three booklets."""

from __future__ import annotations

import io
from typing import TYPE_CHECKING

import msgspec

from pipeline.drawings import plan, plan_view, thumbnail, typeface
from pipeline.drawings.crew import crew_parts
from pipeline.drawings.dossier import Dossier
from pipeline.drawings.inspection import inspection_parts
from pipeline.drawings.pages import bind
from pipeline.drawings.paper import SheetFacts
from pipeline.drawings.plan_sheets import PlanSheet, add_sheet
from pipeline.drawings.shop import shop_parts
from pipeline.errors import Reason
from pipeline.model.compliance import Compliance
from pipeline.model.fabrication import Fabrication
from pipeline.model.job import Job
from pipeline.model.layout import Layout
from pipeline.model.site import Site
from pipeline.model.status import Revision
from pipeline.model.survey import Survey

if TYPE_CHECKING:
    from ezdxf.document import Drawing


class Drawn(msgspec.Struct, frozen=True, kw_only=True):
    """What was drawn: file names with their bytes, the thumbnail, and warnings."""

    files: dict[str, bytes]
    picture: str
    warnings: tuple[Reason, ...]


def draw(job: Job, survey: Survey, site: Site, layout: Layout, fabrication: Fabrication, compliance: Compliance, revision: Revision) -> Drawn:
    """Draw everything of one job."""
    facts = sheet_facts(job, compliance, revision)
    document, sheets = draw_plan(site, layout, facts)
    dossier = Dossier(
        job=job,
        survey=survey,
        site=site,
        layout=layout,
        fabrication=fabrication,
        compliance=compliance,
        facts=facts,
        document=document,
        plan_sheets=sheets,
    )
    booklets = {"crew": crew_parts, "shop": shop_parts, "inspection": inspection_parts}
    files = {f"{name}.pdf": bind(parts(dossier), facts, document, name) for name, parts in booklets.items()}
    return Drawn(
        files={"plan.dxf": _dxf_bytes(document), **files},
        picture=thumbnail.plan_svg(site, layout, complies=facts.complies),
        warnings=_warnings(job, facts),
    )


def sheet_facts(job: Job, compliance: Compliance, revision: Revision) -> SheetFacts:
    """Return what every sheet says about the job."""
    return SheetFacts(
        title=job.title, job=job.name, shop=job.shop.name, due=job.options.due, revision=revision.revision, content=revision.content,
        rules=", ".join(pack.id for pack in job.packs), units=job.options.report_units, paper=job.options.paper, verdict=compliance.verdict,
    )  # fmt: skip


def draw_plan(site: Site, layout: Layout, facts: SheetFacts) -> tuple[Drawing, tuple[PlanSheet, ...]]:
    """Return the plan's DXF document with its sheets: the overview, and details where the overview is too dense."""
    frame, view = plan_view.overview(site, layout, facts.paper, facts.units)
    written = [plan.dimension_words(each, view) for each in plan.dimensions(site, layout, view)]
    names = plan_view.place_names(site, layout, view, written)
    document = plan.new_document(facts.units, view)
    plan.draw_model(document, site, layout, facts.units, view, names)
    layers = frozenset(entity.dxf.layer for entity in document.modelspace())
    sheets = [PlanSheet(name="Plan", frame=frame, view=view, names=names)]
    if view.scale.ratio > plan_view.DENSEST or names.missing:
        for number, (detail_frame, detail_view) in enumerate(plan_view.details(site, layout, facts.paper, facts.units, view), 1):
            found = plan_view.place_names(site, layout, detail_view)
            sheets.append(PlanSheet(name=f"Detail {number}", frame=detail_frame, view=detail_view, names=found))
    for sheet in sheets:
        add_sheet(document, sheet, facts, own_names=sheet.name != "Plan", layers_used=layers)
    return document, tuple(sheets)


def _dxf_bytes(document: Drawing) -> bytes:
    text = io.StringIO()
    document.write(text)
    return text.getvalue().encode("utf-8", "surrogateescape")


def _warnings(job: Job, facts: SheetFacts) -> tuple[Reason, ...]:
    lost = typeface.unprintable(facts.title + facts.shop + facts.due)
    if not lost:
        return ()
    return (
        Reason(
            ref="unprintable-letters",
            what=f"the sheets' typeface does not hold {lost!r}",
            why="these letters are printed as open boxes; the typeface has Latin, Greek, Cyrillic and Georgian",
            file="job.toml",
            do="write the title in one of these scripts where it has to be read",
        ),
    )
