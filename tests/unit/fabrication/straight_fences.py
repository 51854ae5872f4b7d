"""Small layouts made by hand, as the layout stage would hand them on."""

from __future__ import annotations

import itertools

from pipeline.geometry.chain import polyline
from pipeline.model.layout import Certificate, FenceEnd, Gate, Hole, Joint, Layout, Panel
from pipeline.units import INCH


def straight_fence(
    panels: list[tuple[str, list[float]]], *, height: float = 48.0, rises: dict[int, float] | None = None, walls: bool = True
) -> Layout:
    """A straight open fence along x of (kind, spacings [in]) panels, 3 in apart, walls at both ends; `rises` [in] by joint number."""
    rises = rises or {}
    holes: list[Hole] = []
    made: list[Panel] = []
    joints: list[Joint] = []
    at = 0.0
    for number, (kind, spacings) in enumerate(panels, 1):
        name = f"P{number:02d}"
        names = []
        for index in range(len(spacings) + 1):
            last = index == len(spacings)
            end = number == len(panels) and last
            to_next = None if end else (3.0 if last else spacings[index]) * INCH
            hole = f"H{len(holes) + 1:03d}"
            names.append(hole)
            role = "end" if index in (0, len(spacings)) else "inner"
            holes.append(
                Hole(
                    name=hole, carries=name, role=role, station=at, east=at, north=0.0, to_next=to_next, water=0.8, bore=1.5 * INCH, depth=3.5 * INCH
                )
            )
            at += to_next or 0.0
        made.append(
            Panel(
                name=name,
                kind=kind,
                holes=tuple(names),
                length=sum(spacings) * INCH,
                height=height * INCH,
                stock_posts=len(spacings) + 1 if kind == "stock" else None,
            )
        )
    for number, (before, after) in enumerate(itertools.pairwise(made), 1):
        rise = rises.get(number, 0.0) * INCH
        joints.append(
            Joint(
                name=f"J{number:02d}",
                before=before.holes[-1],
                after=after.holes[0],
                gap=3 * INCH,
                rise=rise,
                riser="1" if rise else "",
                latch_height=46 * INCH,
            )
        )
    ends = tuple(FenceEnd(hole=hole.name, wall="1" if walls else "", foot=(hole.east, 0.0), clearance=1.5 * INCH) for hole in (holes[0], holes[-1]))
    return Layout(
        line=polyline([(0.0, 0.0), (max(at, 1.0), 0.0)], closed=False),
        setback=0.762,
        least_setback=0.508,
        closed=False,
        holes=tuple(holes),
        panels=tuple(made),
        joints=tuple(joints),
        ends=ends,
        certificate=Certificate(objective=(0.0,), bound=(0.0,), gap=0.0, method="by hand"),
    )


def with_gate(layout: Layout, hinge: str, latch: str, pocket: str) -> Layout:
    """The same layout with a gate whose posts stand in named holes."""
    import msgspec

    gate = Gate(name="G1", hinge_hole=hinge, latch_hole=latch, pocket_hole=pocket, leaf=36 * INCH)
    return msgspec.structs.replace(layout, gates=(gate,))
