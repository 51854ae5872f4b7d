"""All that the sheets of one job are drawn from, gathered once."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import msgspec

from pipeline.drawings.changes import Before
from pipeline.drawings.paper import SheetFacts
from pipeline.drawings.plan_sheets import PlanSheet
from pipeline.model.compliance import Compliance
from pipeline.model.drilling import Drilling
from pipeline.model.fabrication import Fabrication
from pipeline.model.job import Job
from pipeline.model.layout import Layout
from pipeline.model.site import Site
from pipeline.model.succession import Succession
from pipeline.model.survey import Survey
from pipeline.units import ReportUnits

if TYPE_CHECKING:
    from ezdxf.document import Drawing


class Dossier(msgspec.Struct, frozen=True, kw_only=True):
    """The artifacts of a job, what every sheet says of it, and its plan.

    Parameters
    ----------
    layout : Layout
        The fence as it stands: of the holes as drilled once they are.
    before : Before or None
        The last package, where there is one.
    drilling : Drilling or None
        What came back from the site, once anything did.
    planned : Layout or None
        The fence as it was planned, where `layout` follows the holes as drilled.
    succession : Succession
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
    drilling: Drilling | None = None
    planned: Layout | None = None
    succession: Succession
    document: Any
    plan_sheets: tuple[PlanSheet, ...]

    @property
    def drilled(self) -> Drilling | None:
        """The holes as drilled; None where they were not measured yet."""
        return self.drilling if self.drilling is not None and self.drilling.as_drilled else None

    @property
    def units(self) -> ReportUnits:
        return self.facts.units

    @property
    def drawing(self) -> Drawing:
        document: Drawing = self.document
        return document
