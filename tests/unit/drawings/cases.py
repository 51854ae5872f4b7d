"""Jobs whose sheets the tests look at, each drawn once a run."""

from __future__ import annotations

import math
from functools import cache

import msgspec

from pipeline.drawings.booklets import Drawn, draw, draw_plan, sheet_facts
from pipeline.geometry.chain import Chain
from pipeline.model.compliance import Compliance
from pipeline.model.fabrication import Fabrication
from pipeline.model.job import Job
from pipeline.model.layout import Layout
from pipeline.model.site import Site
from pipeline.model.status import Revision
from tests.made_layouts import made_compliance, made_fabrication, made_job, made_layout, made_survey, opened, stepped
from tests.made_sites import rectangle, site_of

QUARTER = math.tan(math.pi / 8)
REVISION = Revision(revision=3, content="0123456789abcdef")
TITLE = "Hérön Court 12 — Ωραία, Жуковка <b>&amp; \\P %%d"


class Case(msgspec.Struct, frozen=True):
    job: Job
    site: Site
    layout: Layout
    fabrication: Fabrication
    compliance: Compliance


def rounded(width: float, depth: float, radius: float) -> Chain:
    """The line round a rectangle at a distance, its corners rounded [m]."""
    corners = ((-radius, 0), (0, -radius), (width, -radius), (width + radius, 0))
    far = ((width + radius, depth), (width, depth + radius), (0, depth + radius), (-radius, depth))
    return Chain(tuple((float(x), float(y)) for x, y in corners + far), (QUARTER, 0.0) * 4, True)


def circle(radius: float) -> Chain:
    return Chain(((-radius, 0.0), (radius, 0.0)), (1.0, 1.0), True)


@cache
def case(name: str) -> Case:
    if name == "spa":
        return _case(name, circle(0.6), circle(1.36), units="mm", paper="a4")
    if name == "sixty":
        return _case(name, rectangle(18, 9), rounded(18, 9, 0.762), units="inch", paper="letter")
    if name == "150 m":
        return _case(name, rectangle(50, 24), rounded(50, 24, 0.762), units="mm", paper="a4", verdict="does not comply")
    if name == "risers":
        plain = _case(name, rectangle(9, 5), rounded(9, 5, 0.762), units="inch", paper="letter")
        return msgspec.structs.replace(plain, layout=stepped(plain.layout))
    if name == "walls":
        plain = _case(name, rectangle(9, 5), rounded(9, 5, 0.762), units="mm", paper="letter")
        layout = opened(plain.layout, plain.site)
        return msgspec.structs.replace(plain, layout=layout, fabrication=made_fabrication(layout))
    return _case(name, rectangle(9.144, 4.572), rounded(9.144, 4.572, 0.762), units="inch", paper="letter", title=TITLE)


NAMES = ("rectangle", "spa", "sixty", "150 m", "risers", "walls")


def _case(name: str, water: Chain, line: Chain, *, units: str, paper: str, title: str = "", verdict: str = "on-site items open") -> Case:
    site = site_of(water)
    layout = made_layout(site, line)
    job = made_job(name.replace(" ", "-"), title=title or f"Made {name}", report_units=units, paper=paper)
    return Case(job, site, layout, made_fabrication(layout), made_compliance(layout, verdict=verdict))


def drawn_anew(name: str) -> Drawn:
    it = case(name)
    return draw(it.job, made_survey(it.site, it.layout), it.site, it.layout, it.fabrication, it.compliance, REVISION)


@cache
def drawn(name: str) -> Drawn:
    return drawn_anew(name)


@cache
def planned(name: str):
    """The DXF document and its sheets."""
    it = case(name)
    return draw_plan(it.site, it.layout, it.compliance, sheet_facts(it.job, it.compliance, REVISION))[:2]
