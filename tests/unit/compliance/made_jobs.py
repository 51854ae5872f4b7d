"""Two whole fences that between them bring out every kind of finding: a loop with a gate, and one from wall to wall."""

from __future__ import annotations

from pipeline.compliance.judge import judge
from pipeline.compliance.stage import work_packs
from pipeline.geometry.chain import polyline
from pipeline.intake.resolve import shipped_packs
from pipeline.model.compliance import Compliance
from pipeline.model.layout import FenceEnd
from pipeline.model.rules import RulePack
from pipeline.model.site import Opening, SiteObject
from tests.made_layouts import made_layout
from tests.made_sites import rectangle, site_of
from tests.unit.compliance.made_fences import fence_along, job_with, line_of, site_with

WALL_Y = 6.0


def all_packs() -> tuple[RulePack, ...]:
    return tuple(shipped_packs().values())


def loop(*packs: RulePack, report_units: str = "inch", **shop: dict) -> Compliance:
    """A rectangle of 8 x 4 m, a fence round it at 30 in with a gate, a bench outside and a planter inside."""
    things = (
        SiteObject(name="701", outline=rectangle(0.6, 0.4, 3.0, -2.6), height=0.45, sigma=0.004),
        SiteObject(name="702", outline=rectangle(0.3, 0.2, 4.0, -0.4), sigma=0.004),
    )
    site = site_of(rectangle(8.0, 4.0), objects=things)
    layout = made_layout(site, rectangle(9.524, 5.524, -0.762, -0.762))
    return judge(job_with(*(packs or all_packs()), shop=shop or None, report_units=report_units), site, layout, None, work_packs())


def wall_to_wall(*packs: RulePack, openings: tuple[Opening, ...] | None = None, report_units: str = "inch", **shop: dict) -> Compliance:
    """A fence from wall to wall round the near side of a pool, with a gate, a step, a door and two windows in the wall."""
    gate = {"gate_after": 0, "panels": (4, 4, 4), "rises": {1: (0.15, "1")}}
    layout = fence_along(**gate)
    last = layout.holes[-1]
    wall = line_of(
        "WALL", polyline([(-0.0381, -0.762), (-0.0381, WALL_Y), (last.east + 0.0381, WALL_Y), (last.east + 0.0381, -0.762)]), "1", sigma=0.002
    )
    ends = tuple(
        FenceEnd(hole=hole, wall="1", foot=(x, -0.762), clearance=0.0381) for hole, x in (("H001", -0.0381), (last.name, last.east + 0.0381))
    )
    given = (
        Opening(kind="DOOR", line="1", jambs=((2.0, WALL_Y), (2.9, WALL_Y))),
        Opening(kind="WINDOW", line="1", jambs=((4.0, WALL_Y), (5.0, WALL_Y)), sill=0.9),
        Opening(kind="WINDOW", line="2", jambs=((6.0, WALL_Y), (7.0, WALL_Y)), sill=1.5),
    )
    site = site_with(walls=(wall,), openings=given if openings is None else openings)
    return judge(
        job_with(*(packs or all_packs()), shop=shop or None, report_units=report_units), site, fence_along(**gate, ends=ends), None, work_packs()
    )
