"""All that the sheets of one job are drawn from, gathered once."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import msgspec

from pipeline.drawings.changes import Before
from pipeline.drawings.paper import SheetFacts
from pipeline.drawings.plan_sheets import PlanSheet
from pipeline.model.compliance import Compliance
from pipeline.model.fabrication import Fabrication
from pipeline.model.job import Job
from pipeline.model.layout import Layout
from pipeline.model.site import Site
from pipeline.model.survey import Survey
from pipeline.units import ReportUnits

if TYPE_CHECKING:
    from ezdxf.document import Drawing


class Dossier(msgspec.Struct, frozen=True, kw_only=True):
    """The artifacts of a job, what every sheet says of it, and its plan.

    Parameters
    ----------
    before : Before or None
        The last package, where there is one.
    document : Drawing
        The plan's DXF document.
    plan_sheets : tuple of PlanSheet
        Overview first, then the details, the places of the checks last.
    """

    job: Job
    survey: Survey
    site: Site
    layout: Layout
    fabrication: Fabrication
    compliance: Compliance
    facts: SheetFacts
    before: Before | None = None
    document: Any
    plan_sheets: tuple[PlanSheet, ...]

    @property
    def units(self) -> ReportUnits:
        return self.facts.units

    @property
    def drawing(self) -> Drawing:
        document: Drawing = self.document
        return document
