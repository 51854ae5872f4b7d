"""From a plan to a drilled fence and back: the crew's sheet through the drilling stage, and how the panels made from it fit the true holes."""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Final

from pipeline import artifacts
from pipeline.artifacts import JobPlace
from pipeline.drilling.follow import follow
from pipeline.errors import SurveyError
from pipeline.fabrication.fabricate import fabricate
from pipeline.geometry.chain import Point
from pipeline.model.drilling import Drilling, Returned
from pipeline.model.job import InputFile, Job
from pipeline.model.layout import Layout, Panel
from pipeline.model.site import Site
from pipeline.model.survey import Survey
from tests.truth.distances import chord_to_chain, point_to_chain
from tests.truth.drilling import Drilled
from tests.truth.sites import Shot, TrueSite
from tests.truth.through_line import take_through

SHOT_EVERY: Final = 0.15  # [m]
LINE_KEPT: Final = 0.08  # [m] from its planned place a hole drilled again keeps the fence's line


@dataclass(frozen=True)
class Planned:
    """A job up to its plan."""

    job: Job
    survey: Survey
    site: Site
    layout: Layout

    @property
    def marks(self) -> dict[str, Point]:
        return {mark.name: mark.place for mark in self.site.marks}


def planned_at(place: JobPlace) -> Planned:
    """The plan as the stages left it."""
    return Planned(
        artifacts.read(place, "job", Job), artifacts.read(place, "survey", Survey), artifacts.read(place, "edge", Site), artifacts.read(place, "layout", Layout)
    )  # fmt: skip


def planned_on(site: TrueSite, folder: Path) -> tuple[Planned, bool]:
    """The plan of a made site, and whether it is that of its own survey: where that is held, of a survey without error, shot every 15 cm."""
    try:
        return planned_at(take_through(site.shots, folder / "surveyed")), True
    except SurveyError:
        return planned_at(take_through(_without_error(site), folder / "designed")), False


def _without_error(site: TrueSite) -> tuple[Shot, ...]:
    others = tuple(replace(shot, measured=shot.true) for shot in site.shots if shot.description.split()[0] != "WATER")
    edge = [(float(east), float(north)) for water in site.waters for east, north in water.densified(SHOT_EVERY)]
    places = [(east, north, site.level((east, north))) for east, north in edge]
    return (*others, *(Shot(str(number), "WATER", place, place) for number, place in enumerate(places, 9001)))


def followed(plan: Planned, sheet: str, cut: str = "") -> Drilling:
    """What the drilling stage makes of a crew's sheet, and of the shop's list of what is cut."""
    files = {name: text.encode() for name, text in (("as_drilled.csv", sheet), ("cut.csv", cut)) if text}
    named = {name: InputFile(name=name, sha256="0" * 64) for name in files}
    returned = Returned(as_drilled=named.get("as_drilled.csv"), cut=named.get("cut.csv"))
    return follow(plan.job, plan.survey, plan.site, plan.layout, returned, files)


@dataclass(frozen=True)
class Fit:
    """How one panel fits its true holes [m].

    `posts` is how far the worst of its posts stands beside its hole when the panel, as the shop makes it, is laid along its holes as well as it can be (half the range of
    the running differences); `spacing` the worst of its spacings against the true one; `whole` from end post to end post; `told` the worst post were the panel made to
    the distances recorded, `chord` the worst of these distances.  `released` says whether it may be cut, or hung: it waits for no tape.
    """

    panel: str
    kind: str
    released: bool
    posts: float
    spacing: float
    whole: float
    told: float
    chord: float


def fits(plan: Planned, drilling: Drilling, truth: Drilled) -> Iterator[Fit]:
    """Every panel as fabricated from the holes as estimated, held against the true ones.

    A stock panel is as made; on a bend its chords are those the give was planned for.
    """
    made = {drawing.panel: drawing for drawing in fabricate(plan.job, drilling.layout).panels}
    standing = {hole.name: hole for hole in drilling.layout.holes}
    for panel in drilling.layout.panels:
        stations = made[panel.name].post_stations if panel.kind == "custom" else _planned_stations(plan, panel)
        off = [b - a - true for (a, b), true in zip(itertools.pairwise(stations), true_bays(panel, truth), strict=True)]
        told = [(standing[name].to_next or 0.0) - true for name, true in zip(panel.holes[:-1], true_bays(panel, truth), strict=True)]
        yield Fit(
            panel.name,
            panel.kind,
            drilling.waits(panel.name) is None,
            _laid(off),
            max(map(abs, off)),
            abs(sum(off)),
            _laid(told),
            max(map(abs, told)),
        )


def _laid(off: list[float]) -> float:
    """How far the worst post is from its hole when the panel is shifted to fit best: half the range of the running differences [m]."""
    running = list(itertools.accumulate(off, initial=0.0))
    return (max(running) - min(running)) / 2


def _planned_stations(plan: Planned, panel: Panel) -> tuple[float, ...]:
    holes = {hole.name: hole for hole in plan.layout.holes}
    own = next(one for one in plan.layout.panels if one.name == panel.name)
    return tuple(itertools.accumulate((holes[name].to_next or 0.0 for name in own.holes[:-1]), initial=0.0))


def true_bays(panel: Panel, truth: Drilled) -> list[float]:
    """True distances between a panel's holes [m]."""
    return [math.dist(truth.places[a], truth.places[b]) for a, b in itertools.pairwise(panel.holes)]


@dataclass(frozen=True)
class Found:
    """One hole drilled again, by trying: which, whither, and what that costs."""

    hole: str
    place: Point
    cost: float


def misfits(plan: Layout, places: dict[str, Point], tolerance: float) -> set[str]:
    """Stock panels of the plan with a chord that differs from the planned one by more than `tolerance` [m]."""
    return {panel.name for panel in plan.panels if panel.kind == "stock" and not _hangs(plan, panel, places, tolerance)}


def _hangs(plan: Layout, panel: Panel, places: dict[str, Point], tolerance: float) -> bool:
    planned = {hole.name: hole.to_next or 0.0 for hole in plan.holes}
    return all(abs(math.dist(places[a], places[b]) - planned[a]) <= tolerance + 1e-9 for a, b in itertools.pairwise(panel.holes))


def ground_allows(plan: Planned, places: dict[str, Point], hole: str, at: Point) -> bool:
    """Whether a hole may be drilled at a place: every distance as large as the shop or the codes ask, or no smaller than it is."""
    sleeve, site = plan.job.shop.sleeve, plan.site
    half, was = float(sleeve.bore) / 2, places[hole]
    asked = [(line.chain, float(sleeve.edge_distance) + half) for line in site.decks]
    asked += [(line.chain, float(sleeve.joint_distance) + half) for line in site.joints]
    asked += [(line.chain, float(sleeve.drain_distance) + half) for line in site.drains]
    asked += [(line.chain, float(sleeve.utility_distance)) for line in site.utilities]
    asked += [(thing.outline, float(sleeve.utility_distance)) for thing in site.point_hazards]
    if any(point_to_chain(at, line) < min(least, point_to_chain(was, line)) - 1e-6 for line, least in asked):
        return False
    own = next(panel.holes for panel in plan.layout.panels if hole in panel.holes)
    others = [places[b if a == hole else a] for a, b in itertools.pairwise(own) if hole in (a, b)]
    waters = [water.chain for water in site.waters]
    least = plan.layout.least_setback
    return all(chord_to_chain(at, other, water) >= min(least, chord_to_chain(was, other, water)) - 1e-5 for other in others for water in waters)


def cheapest_by_trying(
    planned: Planned,
    places: dict[str, Point],
    extras: dict[str, float],
    *,
    tolerance: float,
    redrill: float,
    reach: float = 0.08,
    step: float = 0.001,
) -> Found | None:
    """The cheapest single hole drilled again, by trying every hole on a grid of places round it; None where none saves anything.

    `extras` are what each misfit costs as a custom panel beyond its stock price.  A panel is saved when all its chords are right again
    and the joints at its ends are still within the tolerance, or no farther off than they are, and when the ground allows the place and it keeps the fence's line.
    """
    plan = planned.layout
    chords = {hole.name: hole.to_next or 0.0 for hole in plan.holes}
    joints = {
        name: (joint.after if name == joint.before else joint.before, joint.gap) for joint in plan.joints for name in (joint.before, joint.after)
    }
    gives = {name: max(tolerance, abs(math.dist(places[name], places[other]) - gap)) for name, (other, gap) in joints.items()}
    designed = {hole.name: hole.place for hole in plan.holes}
    as_is, best = sum(extras.values()), None
    count = round(reach / step)
    offsets = sorted(((i * step, j * step) for i in range(-count, count + 1) for j in range(-count, count + 1)), key=lambda off: math.hypot(*off))
    for panel in plan.panels:
        if panel.name not in extras:
            continue
        wrong = [(a, b) for a, b in itertools.pairwise(panel.holes) if abs(math.dist(places[a], places[b]) - chords[a]) > tolerance + 1e-9]
        for hole in panel.holes:
            if not all(hole in pair for pair in wrong):
                continue
            bound = [(b if a == hole else a, chords[a], tolerance) for a, b in itertools.pairwise(panel.holes) if hole in (a, b)]
            bound += [(*joints[hole], gives[hole])] if hole in joints else []
            for east, north in offsets:
                at = (places[hole][0] + east, places[hole][1] + north)
                if math.dist(at, designed[hole]) > LINE_KEPT:
                    continue
                fits_here = all(abs(math.dist(at, places[other]) - length) <= give for other, length, give in bound)
                if fits_here and ground_allows(planned, places, hole, at):
                    cost = round(redrill + as_is - extras[panel.name], 2)
                    if cost < as_is and (best is None or cost < best.cost):
                        best = Found(hole, at, cost)
                    break
    return best
