"""The verb of this stage: from a job's artifacts to the plan, its sheets and the three booklets."""

from __future__ import annotations

import io
from collections.abc import Sequence
from typing import TYPE_CHECKING

import msgspec

from pipeline.drawings import plan, plan_names, plan_view, thumbnail, typeface
from pipeline.drawings.changes import Before, succession
from pipeline.drawings.check_places import check_sheet
from pipeline.drawings.crew import crew_parts
from pipeline.drawings.dossier import Dossier
from pipeline.drawings.ink import Stroke
from pipeline.drawings.inspection import inspection_parts
from pipeline.drawings.pages import DrawingPart, bind
from pipeline.drawings.paper import Frame, SheetFacts
from pipeline.drawings.plan_sheets import PlanSheet, SheetRow
from pipeline.drawings.shop import shop_parts
from pipeline.errors import Reason
from pipeline.model.compliance import Compliance
from pipeline.model.drilling import Drilling
from pipeline.model.fabrication import Fabrication
from pipeline.model.job import Job
from pipeline.model.layout import Layout
from pipeline.model.site import Site
from pipeline.model.status import Revision
from pipeline.model.succession import Succession
from pipeline.model.survey import Survey

if TYPE_CHECKING:
    from ezdxf.document import Drawing


class Drawn(msgspec.Struct, frozen=True, kw_only=True):
    """What was drawn: file names with their bytes, the thumbnail, how this revision follows the last, and warnings."""

    files: dict[str, bytes]
    picture: str
    succession: Succession
    warnings: tuple[Reason, ...]


def draw(
    job: Job,
    survey: Survey,
    site: Site,
    layout: Layout,
    fabrication: Fabrication,
    compliance: Compliance,
    revision: Revision,
    *,
    made: Sequence[Revision] = (),
    before: Before | None = None,
    drilling: Drilling | None = None,
    planned: Layout | None = None,
) -> Drawn:
    """Draw everything of one job.

    `layout` is the fence as it stands: of the holes as drilled once they are.  `made` are the revisions so far, `before` is the last
    package where there is one, `drilling` what came back from the site, once anything did, and `planned` the fence as it was planned then.
    """
    facts = sheet_facts(job, compliance, revision, made)
    document, sheets, row = draw_plan(site, layout, compliance, facts, drilling)
    followed = succession(revision, before, layout, fabrication, drilling, facts.units)
    dossier = Dossier(
        job=job,
        survey=survey,
        site=site,
        layout=layout,
        fabrication=fabrication,
        compliance=compliance,
        facts=facts,
        before=before,
        drilling=drilling,
        planned=planned,
        succession=followed,
        document=document,
        plan_sheets=sheets,
    )
    booklets = _bound(dossier, row)
    return Drawn(
        files={"plan.dxf": _dxf_bytes(document), **booklets},
        picture=thumbnail.plan_svg(site, layout, complies=facts.complies),
        succession=followed,
        warnings=(*_warnings(job, facts), *_whole_order(followed)),
    )


def _bound(dossier: Dossier, row: SheetRow) -> dict[str, bytes]:
    """Return the booklets by file name; their drawings join the document's row of sheets on the way."""
    booklets = {name: parts(dossier) for name, parts in (("crew", crew_parts), ("shop", shop_parts), ("inspection", inspection_parts))}
    for part in (part for parts in booklets.values() for part in parts if isinstance(part, DrawingPart)):
        row.add_drawing(part.title, part.frame, part.scale, part.marks)
    return {f"{name}.pdf": bind(parts, dossier.facts, dossier.drawing, name) for name, parts in booklets.items()}


def sheet_facts(job: Job, compliance: Compliance, revision: Revision, made: Sequence[Revision] = ()) -> SheetFacts:
    """Return what every sheet says about the job."""
    return SheetFacts(
        title=job.title, job=job.name, shop=job.shop.name, due=job.options.due, revision=revision.revision, content=revision.content,
        rules=", ".join(pack.id for pack in job.packs), units=job.options.report_units, paper=job.options.paper, verdict=compliance.verdict,
        as_drilled=compliance.as_drilled, earlier=tuple((one.revision, one.content) for one in made if one.revision < revision.revision),
    )  # fmt: skip


def draw_plan(
    site: Site, layout: Layout, compliance: Compliance, facts: SheetFacts, drilling: Drilling | None = None
) -> tuple[Drawing, tuple[PlanSheet, ...], SheetRow]:
    """Return the plan's DXF document, its sheets (overview, details where that is too dense, places of the checks), and the row for more."""
    frame, view = plan_view.overview(site, layout, facts.paper, facts.units)
    model_view = _model_view(view, facts) if view.scale.ratio > plan_view.DENSEST else view
    dimensions, names = _named(site, layout, model_view, facts)
    if names.missing and model_view is view:
        model_view = _model_view(view, facts)
        dimensions, names = _named(site, layout, model_view, facts)
    dense = model_view is not view
    document = plan.new_document(facts.units, model_view)
    plan.draw_model(document, site, layout, facts.units, model_view, names, dimensions)
    plan.draw_planned_holes(document, drilling, facts.units, model_view)
    found = plan_view.details(layout, facts.paper, facts.units, view) if dense else ()
    notes = plan.site_notes(site, facts.units)
    sheets = [_overview_sheet(site, layout, frame, view, names, dense, found, notes)]
    sheets += [_detail_sheet(site, layout, number, detail, dimensions, notes) for number, detail in enumerate(found, 1)]
    sheets.append(check_sheet(site, layout, compliance, frame, view))
    sheets = [msgspec.structs.replace(sheet, signs=(*sheet.signs, *plan.signs_of(drilling))) for sheet in sheets]
    layers = frozenset(entity.dxf.layer for entity in document.modelspace())
    row = SheetRow(document, facts, plan_view.drawn_bounds(site, layout))
    for sheet in sheets:
        row.add_plan(sheet, layers)
    return document, tuple(sheets), row


def _named(site: Site, layout: Layout, view: plan_view.View, facts: SheetFacts) -> tuple[tuple[plan.Dimension, ...], plan_names.Names]:
    """Return the plan's dimensions and names as they stand at the scale of a view; a dimension gives way where a number has no room."""
    for dimensions in plan.dimension_choices(site, layout, view, facts.units):
        standing = [mark for each in dimensions for mark in plan.dimension_marks(each, view)]
        names = plan_names.place_names(site, layout, view, standing, notes=plan.site_notes(site, facts.units))
        if not names.missing:
            break
    return dimensions, names


def _model_view(view: plan_view.View, facts: SheetFacts) -> plan_view.View:
    """Return the view whose scale the model space is lettered for where the overview is too small: boundless, at the details' scale."""
    scale = plan_view.detail_scale(facts.units, view.scale)
    return msgspec.structs.replace(view, scale=scale, area=(-1e6, -1e6, 1e6, 1e6))


def _overview_sheet(
    site: Site,
    layout: Layout,
    frame: Frame,
    view: plan_view.View,
    names: plan_names.Names,
    dense: bool,
    found: tuple[plan_view.Detail, ...],
    notes: Sequence[plan_names.Note],
) -> PlanSheet:
    if not dense:
        return PlanSheet(name="Plan", frame=frame, view=view, names=names)
    where = [plan_names.detail_name(number, detail, layout, view) for number, detail in enumerate(found, 1)]
    own = plan_names.place_names(site, layout, view, numbers=False, first_holes=True, first=where, notes=notes)
    return PlanSheet(name="Plan", frame=frame, view=view, names=own, own_names=True, hidden=("DIMENSION",))


def _detail_sheet(
    site: Site, layout: Layout, number: int, detail: plan_view.Detail, dimensions: Sequence[plan.Dimension], notes: Sequence[plan_names.Note]
) -> PlanSheet:
    """Return a detail sheet with the plan's dimensions, or without them where a number would find no place beside them."""
    matches = [mark for match in detail.matches for mark in (Stroke(points=match.line, width=0.25, dash=(3.2, 0.9, 0.2, 0.9)), match.words)]
    standing = [mark for each in dimensions for mark in plan.dimension_marks(each, detail.view)]
    needed = _named_on(layout, detail)
    names = plan_names.place_names(site, layout, detail.view, [*matches, *standing], notes=notes, needed=needed)
    if names.missing:
        names, dimensions = plan_names.place_names(site, layout, detail.view, matches, notes=notes, needed=needed), ()
    return PlanSheet(
        name=f"Detail {number}",
        frame=detail.frame,
        view=detail.view,
        names=names,
        own_names=True,
        hidden=() if dimensions else ("DIMENSION",),
        signs=("match",),
        more=tuple(matches),
    )


def _named_on(layout: Layout, detail: plan_view.Detail) -> frozenset[str]:
    """Return what has to be named on a detail sheet: the holes of its stretch, their panels and gates, and the gates' pockets."""
    carried = {hole.carries for hole in layout.holes if hole.name in detail.holes}
    pockets = {gate.pocket_hole for gate in layout.gates if gate.hinge_hole in detail.holes or gate.latch_hole in detail.holes}
    return frozenset(detail.holes) | carried | pockets


def _dxf_bytes(document: Drawing) -> bytes:
    """Return the document as text; its classes are named in order first, as ezdxf would take them from a set, in another order each run."""
    for dxftype in sorted(document.entitydb.dxf_types_in_use()):
        document.classes.add_class(dxftype)
    text = io.StringIO()
    document.write(text)
    return text.getvalue().encode("utf-8", "surrogateescape")


def _whole_order(followed: Succession) -> tuple[Reason, ...]:
    """Warn where a drilled job has no earlier package here, so that its order cannot be the difference."""
    if not followed.as_drilled or followed.further:
        return ()
    return (
        Reason(
            ref="order-is-whole",
            what="no package of the plan lies here: this first one follows the holes as drilled, and its order is the whole one",
            why="what was ordered with the plan is told from that package",
            do="run the night into the folder that holds it; or take from the order what was bought already",
        ),
    )


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
