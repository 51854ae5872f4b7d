"""Small fences of straight bays, walked eastward with the water to the north, for tests of single measures."""

from __future__ import annotations

import math

import msgspec

from pipeline.compliance.standing import Scene, scene_of
from pipeline.geometry.chain import Chain, polyline
from pipeline.geometry.planes import PlanePatch
from pipeline.intake.resolve import default_job, with_packs
from pipeline.model.job import Job
from pipeline.model.layout import Certificate, FenceEnd, Gate, Hole, Joint, Layout, Panel
from pipeline.model.rules import Limit, RulePack
from pipeline.model.site import FittedLine, LevelSurface, Site
from pipeline.units import parse_length
from tests.made_sites import rectangle

SPACING = parse_length("36 in")
JOINT = parse_length("3 in")
EDGE_SIGMA = 0.003
MARK_AND_DRILL = math.hypot(0.002, 0.002)


def job_with(*packs: RulePack, shop: dict[str, dict[str, object]] | None = None, **options: object) -> Job:
    """The default job, bound by these packs, with some keys of the shop's sections changed."""
    job = default_job()
    if packs:
        job = with_packs(job, packs)
    sections = {name: msgspec.structs.replace(getattr(job.shop, name), **keys) for name, keys in (shop or {}).items()}
    job = msgspec.structs.replace(job, shop=msgspec.structs.replace(job.shop, **sections))
    return msgspec.structs.replace(job, options=msgspec.structs.replace(job.options, **options)) if options else job


def limit_of(quantity: str, comparator: str, value: float | bool, unit: str, *, certainty: str = "read", **more: object) -> Limit:
    return Limit(id=f"made_{quantity}", clause="1.1", quantity=quantity, comparator=comparator, value=value, unit=unit, certainty=certainty, **more)


def pack_of(*limits: Limit, kind: str = "law", name: str = "made") -> RulePack:
    return RulePack(id=name, jurisdiction="nowhere", document="Made code", edition="2026", kind=kind, limits=limits)


def plane(level: float = 0.0, slope: tuple[float, float] = (0.0, 0.0), region: tuple = (), *, roughness: float = 0.002) -> PlanePatch:
    covariance = (1e-6, 0.0, 0.0, 0.0, 1e-8, 0.0, 0.0, 0.0, 1e-8)
    return PlanePatch(region=region, origin=(0.0, 0.0), coefficients=(level, *slope), covariance=covariance, sigma=roughness)


def flat() -> LevelSurface:
    return LevelSurface(patches=(plane(),))


def site_with(**fields: object) -> Site:
    """A pool north of the x axis, its near edge on it, in a wide deck, level."""
    given: dict[str, object] = {
        "waters": (line_of("WATER", rectangle(20.0, 5.0, -5.0, 0.0)),),
        "decks": (line_of("DECK", rectangle(60.0, 40.0, -30.0, -15.0)),),
        "levels": flat(),
    }
    return Site(**{**given, **fields})


def line_of(code: str, chain: Chain, line: str = "", sigma: float = EDGE_SIGMA) -> FittedLine:
    return FittedLine(code=code, line=line, chain=chain, sigma_normals=(sigma,), sigma0=sigma)


def fence_along(
    *,
    setback: float = parse_length("30 in"),
    panels: tuple[int, ...] = (4, 4),
    spacing: float = SPACING,
    joint: float = JOINT,
    height: float = parse_length("48 in"),
    depth: float = parse_length("3-1/2 in"),
    latch: float = parse_length("46 in"),
    gate_after: int | None = None,
    leaf: float = SPACING,
    leans: dict[int, tuple[float, str]] | None = None,
    rises: dict[int, tuple[float, str]] | None = None,
    ends: tuple[FenceEnd, ...] = (),
) -> Layout:
    """Panels eastward from the origin at y = -setback, joined in a row; a gate may stand after one of them.

    `leans` gives the lean [rad] and its side by the hole's number from 0; `rises` the rise [m] and the step of a joint.
    """
    x, holes, made, joints, gates = 0.0, [], [], [], []
    for number, posts in enumerate(panels):
        names = []
        for index in range(posts):
            lean, toward = (leans or {}).get(len(holes), (0.0, "plumb"))
            names.append(f"H{len(holes) + 1:03d}")
            holes.append(
                Hole(
                    name=names[-1],
                    carries=f"P{number + 1:02d}",
                    role="inner",
                    station=x,
                    east=x,
                    north=-setback,
                    water=setback,
                    lean=lean,
                    lean_toward=toward,
                    bore=0.0381,
                    depth=depth,
                )
            )
            x += spacing if index + 1 < posts else 0.0
        made.append(
            Panel(name=f"P{number + 1:02d}", kind="stock", holes=tuple(names), length=spacing * (posts - 1), height=height, stock_posts=posts)
        )
        if number + 1 == len(panels):
            break
        following = f"H{len(holes) + 1:03d}"
        if gate_after == number:
            swing = ((x, -setback), (x + leaf, -setback), (x + 0.7 * leaf, -setback - 0.7 * leaf), (x, -setback - leaf))
            gates.append(Gate(name="G1", hinge_hole=names[-1], latch_hole=following, pocket_hole="", leaf=leaf, swing=swing))
            x += leaf
        else:
            rise, riser = (rises or {}).get(number, (0.0, ""))
            joints.append(
                Joint(name=f"J{len(joints) + 1:02d}", before=names[-1], after=following, gap=joint, rise=rise, riser=riser, latch_height=latch)
            )
            x += joint
    return Layout(
        line=polyline([(0.0, -setback), (max(x, 1.0), -setback)]), setback=setback, least_setback=0.508, closed=False, holes=tuple(holes),
        panels=tuple(made), joints=tuple(joints), gates=tuple(gates), ends=ends,
        certificate=Certificate(objective=(0.0,), bound=(0.0,), gap=0.0, method="by hand"),
    )  # fmt: skip


def scene_with(job: Job | None = None, site: Site | None = None, layout: Layout | None = None) -> Scene:
    return scene_of(job or job_with(), site or site_with(), layout or fence_along())
