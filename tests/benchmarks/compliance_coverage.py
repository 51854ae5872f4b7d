"""How often the truth lies within the stated uncertainty, and how often a fence that truly fails is passed.

One invented site is surveyed again and again with the noise an instrument has, fitted by the edge stage, and a fence of
fixed holes is judged on each fitted site.  The truth is that fence as marked, drilled and hung, with errors of its own,
on the true site: what counts is its least margin anywhere.  Run the full size with ``python -m tests.benchmarks.compliance_coverage 1000``.
"""

from __future__ import annotations

import math
import sys

import msgspec
import numpy as np

from pipeline.compliance.measures import climb, gaps, gate, height, latches, openings, posts, setback
from pipeline.compliance.readings import Measured, Reading, margin_of, tightest
from pipeline.compliance.standing import Scene, scene_of
from pipeline.edge.site import fit_site
from pipeline.geometry.chain import Chain
from pipeline.geometry.planes import PlanePatch
from pipeline.intake.resolve import default_job
from pipeline.model.job import Job
from pipeline.model.layout import Layout
from pipeline.model.rules import Limit, RulePack
from pipeline.model.site import LevelSurface, Site, SiteObject
from pipeline.model.survey import Frame, Survey, SurveyPoint
from pipeline.units import INCH
from tests.made_layouts import made_layout
from tests.made_sites import rectangle, site_of

POOL = rectangle(8.0, 4.0)
PUMP, PUMP_RADIUS = (3.3, -2.4), 0.3048  # [m] shot at its middle, its radius in the remark
FALL = (30.0, -0.008, -0.012)  # [m, -, -] level at the origin and slope of the true deck
SHOT, LEVEL_SHOT, ROUGH = 0.003, 0.004, 0.002  # [m] noise of a shot in plan and in height, roughness of the deck
SPOTS = [(-2, -2), (0, -1.5), (2, -2.2), (5, -1.2), (8, -2), (10, 0), (9.5, 3), (10, 5.5), (7, 5), (4, 6), (1, 5), (-1.5, 5.5), (-2, 2), (-1.2, 0.5)]
CORNERS = [(-3, -3), (3, -3), (11, -3), (11, 2), (11, 7), (3, 7), (-3, 7), (-3, 2)]
STRIP = 0.9144  # [m] outside the fence, over which its height is kept

MEASURES = {
    "barrier-height": ("min", 48.0, height.barrier_height),
    "gap-under": ("max", 1.0, gaps.gap_under),
    "opening-sphere": ("must-not-pass", 4.0, openings.opening_sphere),
    "setback": ("min", 20.0, setback.setback),
    "clear-zone": ("min", 36.0, climb.clear_zone),
    "post-spacing": ("max", 36.0, posts.post_spacing),
    "joint-latch-height": ("min", 45.0, latches.joint_latch_height),
    "gate-release-height": ("min", 54.0, gate.gate_release_height),
}


def level(x: float, y: float) -> float:
    """True level of the deck [m]."""
    return FALL[0] + FALL[1] * x + FALL[2] * y


def surveyed(random: np.random.Generator, noise: float = 1.0) -> Survey:
    """One survey of the site."""
    points: list[SurveyPoint] = []

    def shoot(code: str, x: float, y: float, z: float | None = None, remark: str = "") -> None:
        east, north = np.array([x, y]) + noise * random.normal(0.0, SHOT, 2)
        elev = None if z is None else z + noise * (random.normal(0.0, LEVEL_SHOT) + random.normal(0.0, ROUGH))
        points.append(
            SurveyPoint(
                point=str(101 + len(points)),
                code=code,
                remark=remark,
                east=float(east),
                north=float(north),
                elev=elev,
                sigma_east=SHOT,
                sigma_north=SHOT,
                sigma_elev=LEVEL_SHOT,
                order=len(points),
            )
        )

    for step in range(32):
        shoot("WATER", *POOL.point_at(POOL.length * (step + 0.37) / 32))
    for code, places in (("DECK", CORNERS), ("SPOT", SPOTS)):
        for x, y in places:
            shoot(code, x, y, level(x, y))
    shoot("OBJECT", *PUMP, remark="pump r=12in")
    return Survey(form="points", frame=Frame(), points=tuple(points))


def true_site() -> Site:
    patch = PlanePatch(region=(), origin=(0.0, 0.0), coefficients=FALL, covariance=(0.0,) * 9, sigma=0.0)
    (x, y), radius = PUMP, PUMP_RADIUS
    pump = SiteObject(name="OBJECT", outline=Chain(((x + radius, y), (x - radius, y)), (1.0, 1.0), True))
    return site_of(POOL, objects=(pump,), levels=LevelSurface(patches=(patch,)))


def fence(setback_of_south: float = 0.762) -> Layout:
    """A fence of fixed, plumb holes round the pool; its south side may stand nearer than the 30 in of the others."""
    layout = made_layout(site_of(POOL), rectangle(9.524, 4.762 + setback_of_south, -0.762, -setback_of_south))
    plumb = tuple(msgspec.structs.replace(hole, lean=0.0, lean_toward="plumb") for hole in layout.holes)
    return msgspec.structs.replace(layout, holes=plumb)


def built(layout: Layout, random: np.random.Generator, job: Job) -> Layout:
    """The fence as marked and drilled."""
    sigmas = [math.hypot(hole.tie_sigma or job.shop.setting_out.mark_sigma, job.shop.setting_out.drill_sigma) for hole in layout.holes]
    off = random.normal(0.0, 1.0, (len(layout.holes), 2)) * np.array(sigmas)[:, None]
    holes = tuple(
        msgspec.structs.replace(hole, east=hole.east + float(move[0]), north=hole.north + float(move[1]))
        for hole, move in zip(layout.holes, off, strict=True)
    )
    return msgspec.structs.replace(layout, holes=holes)


def readings_of(scene: Scene, quantity: str) -> tuple[Reading, ...]:
    comparator, inches, measure = MEASURES[quantity]
    limit = Limit(id="l", clause="1", quantity=quantity, comparator=comparator, value=inches, unit="in", certainty="read")
    outcome = measure(scene, RulePack(id="p", jurisdiction="", document="", edition="", kind="law", limits=(limit,)), limit)
    assert isinstance(outcome, Measured)
    return outcome.readings


def true_margins(scene: Scene, quantity: str, random: np.random.Generator) -> list[float]:
    """True margins of the fence as built [m], with the errors of hanging and the deck's roughness under and beside it."""
    comparator, inches, _ = MEASURES[quantity]
    hung = quantity in ("barrier-height", "gap-under", "gate-release-height", "joint-latch-height")
    errors = Errors(scene, random)
    values = []
    for reading in readings_of(scene, quantity):
        off = errors.of(quantity, reading) if hung and not reading.where.startswith("object") else 0.0
        values.append(margin_of(reading.value + off, comparator, inches * INCH))
    return values


class Errors:
    """One throw of everything a survey cannot know: how each bay hangs, and the deck's roughness, alike within a hand's breadth."""

    def __init__(self, scene: Scene, random: np.random.Generator) -> None:
        self.random, self.hang = random, float(scene.job.shop.panel.hang_sigma)
        self.bays = {bay.where: bay for bay in scene.fence.bays}
        self.hung: dict[str, float] = {}
        self.rough: dict[tuple[int, int], float] = {}
        self.posts = {name: self.at(post.foot) for name, post in scene.fence.posts.items()}

    def at(self, place: tuple[float, float]) -> float:
        near = (round(place[0] / 0.1), round(place[1] / 0.1))
        return self.rough.setdefault(near, float(self.random.normal(0.0, ROUGH)))

    def of(self, quantity: str, reading: Reading) -> float:
        """Error of one reading: the deck under the two posts carries the fabric, the deck at its place is what it is measured to."""
        group = reading.group or reading.where
        off = self.hung.setdefault(group, float(self.random.normal(0.0, self.hang)))
        bay = self.bays.get(group)
        if bay is None or reading.place is None or quantity == "joint-latch-height":
            return off
        ends = [self.posts[bay.first.name], self.posts[bay.last.name]]
        near = [math.dist(reading.place, end.foot) < 0.05 for end in (bay.first, bay.last)]
        here = ends[0] if near[0] else ends[1] if near[1] else self.at(reading.place)
        (x0, y0), (x1, y1) = bay.first.foot, bay.last.foot
        ratio = ((reading.place[0] - x0) * (x1 - x0) + (reading.place[1] - y0) * (y1 - y0)) / bay.length**2
        if quantity == "gate-release-height":
            return off + ends[1] - here
        if bay.kind == "gate" and quantity == "gap-under":
            return off + (ends[0] if bay.first.level >= bay.last.level else ends[1]) - here
        return off + (1 - ratio) * ends[0] + ratio * ends[1] - here


def covered(count: int, seed: int = 20261125) -> dict[str, tuple[int, int]]:
    """Return for each quantity in how many of `count` surveys the fence's true least margin lies within u95 of the told one."""
    random = np.random.default_rng(seed)
    job, truth, layout = default_job(), true_site(), fence()
    hits: dict[str, int] = dict.fromkeys(MEASURES, 0)
    for _ in range(count):
        site = fit_site(job, surveyed(random))
        seen = scene_of(job, site, layout)
        real = scene_of(job, truth, built(layout, random, job))
        for quantity, (comparator, inches, _) in MEASURES.items():
            _, margin, u95, _ = tightest(readings_of(seen, quantity), comparator, inches * INCH)
            hits[quantity] += abs(margin - min(true_margins(real, quantity, random))) <= u95
    return {quantity: (found, count) for quantity, found in hits.items()}


def passed_though_failing(count: int, short: float, seed: int = 7) -> int:
    """Return how many of `count` surveys pass a setback of 20 in that the planned fence truly misses by `short` [m] on one side."""
    random = np.random.default_rng(seed)
    job = default_job()
    limit = 20 * INCH
    layout = fence(setback_of_south=limit - short)
    verdicts = []
    for _ in range(count):
        scene = scene_of(job, fit_site(job, surveyed(random)), layout)
        verdicts.append(tightest(readings_of(scene, "setback"), "min", limit)[3])
    return verdicts.count("pass")


def passed_though_built_wrong(count: int, spare: float, seed: int = 11) -> tuple[int, int]:
    """Return (fences passed, those of them that truly miss 20 in somewhere as built) for a plan with `spare` [m] to spare on one side."""
    random = np.random.default_rng(seed)
    job, truth = default_job(), true_site()
    limit = 20 * INCH
    layout = fence(setback_of_south=limit + spare)
    passed = wrong = 0
    for _ in range(count):
        scene = scene_of(job, fit_site(job, surveyed(random)), layout)
        if tightest(readings_of(scene, "setback"), "min", limit)[3] == "pass":
            passed += 1
            real = scene_of(job, truth, built(layout, random, job))
            wrong += min(reading.value for reading in readings_of(real, "setback")) < limit
    return passed, wrong


def main() -> None:
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 100
    for quantity, (hits, total) in covered(count).items():
        print(f"{quantity:22s} {hits:5d} of {total:5d}  {100 * hits / total:5.1f} %", flush=True)
    for short in (0.0, 0.002, 0.004):
        print(f"setback truly short by {1000 * short:g} mm: passed in {passed_though_failing(count, short)} of {count}", flush=True)
    for spare in (0.008, 0.012):
        passed, wrong = passed_though_built_wrong(count, spare)
        print(f"setback with {1000 * spare:g} mm to spare: {passed} of {count} passed, {wrong} of them built too near somewhere", flush=True)


if __name__ == "__main__":
    main()
