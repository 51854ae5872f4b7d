"""A small fence of straight bays between two marks, and the sheet a crew would write of it."""

from __future__ import annotations

import math

import msgspec

from pipeline.drilling.follow import follow
from pipeline.model.drilling import Drilling, Returned
from pipeline.model.job import InputFile, Job
from pipeline.model.layout import Layout, TapeTie
from pipeline.model.site import Mark, Site
from pipeline.model.survey import Frame, Survey
from tests.unit.compliance.made_fences import fence_along, job_with, site_with

MARKS = (Mark(name="A", kind="mark", place=(-2.0, -6.0), sigma=0.002), Mark(name="B", kind="mark", place=(14.0, -6.0), sigma=0.002))
SITE = site_with(marks=MARKS)
JOB = msgspec.structs.replace(job_with(), options=msgspec.structs.replace(job_with().options, report_units="mm"))
SURVEY = Survey(form="points", frame=Frame(), points=())


def plan_of(*panels: int, gate_after: int | None = None) -> Layout:
    """Stock panels in a row, with ties of every hole from A and B."""
    layout = fence_along(panels=panels or (5, 4, 4), gate_after=gate_after)
    ends = {name for panel in layout.panels for name in (panel.holes[0], panel.holes[-1])}
    gated = {name for gate in layout.gates for name in (gate.hinge_hole, gate.latch_hole)}
    holes = []
    for index, hole in enumerate(layout.holes):
        after = layout.holes[index + 1] if index + 1 < len(layout.holes) else None
        role = "gate" if hole.name in gated else "end" if hole.name in ends else "inner"
        ties = tuple(TapeTie(mark=mark.name, distance=math.dist(mark.place, hole.place)) for mark in MARKS)
        to_next = math.dist(hole.place, after.place) if after else None
        holes.append(msgspec.structs.replace(hole, role=role, to_next=to_next, ties=ties, tie_sigma=0.002))
    return msgspec.structs.replace(layout, holes=tuple(holes))


def places_of(layout: Layout, **moved: tuple[float, float]) -> dict[str, tuple[float, float]]:
    """Where the holes are [m]: as planned, but those moved by so much east and north."""
    return {hole.name: (hole.east + moved.get(hole.name, (0, 0))[0], hole.north + moved.get(hole.name, (0, 0))[1]) for hole in layout.holes}


def distances(places: dict[str, tuple[float, float]], **instead: float | str) -> str:
    """The sheet of distances to the next hole [mm]; `instead` are other figures, or remarks."""
    names = list(places)
    lines = ["hole,to_next,remark"]
    for name, after in zip(names, [*names[1:], None], strict=True):
        read = f"{math.dist(places[name], places[after]) * 1000:.0f}" if after else ""
        other = instead.get(name, "")
        lines.append(f"{name},,{other}" if isinstance(other, str) and other else f"{name},{other or read},")
    return "\n".join(lines) + "\n"


def tied(places: dict[str, tuple[float, float]]) -> str:
    """The sheet of ties from A and B [mm]."""
    rows = [",".join([name, *(f"{math.dist(mark.place, place) * 1000:.0f}" for mark in MARKS)]) for name, place in places.items()]
    return "hole,tie_a,tie_b\n" + "\n".join(rows) + "\n"


def shot(places: dict[str, tuple[float, float]], *, also_marks: bool = False, shift: tuple[float, float] = (0.0, 0.0)) -> str:
    """The sheet of a second total station [m], in a frame that may lie off the first by `shift`."""
    seen = {**places, **({mark.name: mark.place for mark in MARKS} if also_marks else {})}
    return "P,N,E,Z,D\n" + "".join(f"{name},{north + shift[1]:.4f},{east + shift[0]:.4f},,\n" for name, (east, north) in seen.items())


def followed(layout: Layout, sheet: str = "", cut: str = "", *, job: Job = JOB, site: Site = SITE) -> Drilling:
    files = {name: text.encode() for name, text in (("as_drilled.csv", sheet), ("cut.csv", cut)) if text}
    named = {name: InputFile(name=name, sha256="0" * 64) for name in files}
    return follow(job, SURVEY, site, layout, Returned(as_drilled=named.get("as_drilled.csv"), cut=named.get("cut.csv")), files)
