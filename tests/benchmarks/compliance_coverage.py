"""How often the truth lies within the stated uncertainty, and how often a fence that truly fails is passed.

Two invented sites are surveyed again and again with the noise an instrument has, fitted by the edge stage, and a fence of
fixed holes is judged on each fitted site: one on a deck that is a plane, with a round pump outside and a pool that is square
to the last digit, and one on a deck that falls away from the pool on all sides, so that its levels are a network of facets,
with a bench shot by its four corners and a pool out of square by a tenth of a degree, as the edge stage takes pools to be.
The truth is that fence as marked, drilled and hung, with errors of its own, on the true site: what counts is its least
margin anywhere.  Run the full size with ``python -m tests.benchmarks.compliance_coverage 1000``.
"""

from __future__ import annotations

import math
import sys
from collections.abc import Callable
from typing import NamedTuple

import msgspec
import numpy as np

from pipeline.compliance.measures import climb, gaps, gate, height, latches, openings, posts, setback
from pipeline.compliance.readings import Measured, Reading, margin_of, tightest
from pipeline.compliance.standing import Scene, scene_of
from pipeline.edge.site import fit_site
from pipeline.geometry.chain import Chain, polyline
from pipeline.geometry.planes import PlanePatch
from pipeline.intake.resolve import default_job
from pipeline.model.drilling import DrilledHole, Drilling
from pipeline.model.job import Job
from pipeline.model.layout import Layout
from pipeline.model.rules import Limit, RulePack
from pipeline.model.site import LevelSurface, Site, SiteObject
from pipeline.model.survey import Frame, Survey, SurveyPoint
from pipeline.units import INCH
from tests.made_layouts import made_layout
from tests.made_sites import rectangle, site_of

POOL = rectangle(8.0, 4.0)
AS_BUILT = polyline([(0.0, 0.0), (8.0, 0.010), (8.004, 4.0), (0.003, 3.996)], closed=True)  # the same pool as pools are built
PUMP, PUMP_RADIUS = (3.3, -2.4), 0.3048  # [m] shot at its middle, its radius in the remark
BENCH = [(3.0, -2.4), (4.1, -2.4), (4.1, -1.9), (3.0, -1.9)]  # [m] shot by its corners
PLANE = (30.0, -0.008, -0.012)  # [m, -, -] level at the origin and slope of the true deck
FALL = 0.015  # [-] of the other deck away from the pool, on all sides
SHOT, LEVEL_SHOT, ROUGH = 0.003, 0.004, 0.002  # [m] noise of a shot in plan and in height, roughness of the deck
SPOTS = [(-2, -2), (0, -1.5), (2, -2.2), (5, -1.2), (8, -2), (10, 0), (9.5, 3), (10, 5.5), (7, 5), (4, 6), (1, 5), (-1.5, 5.5), (-2, 2), (-1.2, 0.5)]
CORNERS = [(-3, -3), (3, -3), (11, -3), (11, 2), (11, 7), (3, 7), (-3, 7), (-3, 2)]
WATER_SHOTS = 32
FAN = 12  # true facets round a corner of the pool: flat within 0.1 mm
SHORT = (0.0, 0.002, 0.004)  # [m] by which a fence truly misses its limit
SPARE = (0.012, 0.016)  # [m] beyond the limit on one side of a plan that is then drilled
LEAST = 20 * INCH  # [m] setback asked for
SEED, BLOCK = 20261125, 50

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
COMPUTED_FROM_A_SURVEY = ("barrier-height", "gap-under", "opening-sphere", "setback", "clear-zone", "gate-release-height")


class Place(NamedTuple):
    """One invented site: pool, true level of the deck [m], the same as patches, object, and whether the water's edge is shot with heights."""

    name: str
    pool: Chain
    level: Callable[[float, float], float]
    patches: tuple[PlanePatch, ...]
    thing: SiteObject
    edge_heights: bool


def flat_patch(level: float, slope: tuple[float, float], origin: tuple[float, float] = (0.0, 0.0), region: tuple = ()) -> PlanePatch:
    return PlanePatch(region=region, origin=origin, coefficients=(level, *slope), covariance=(0.0,) * 9, sigma=0.0)


def falling_patches() -> tuple[PlanePatch, ...]:
    """The deck that falls away from the pool: four strips, and fans of narrow facets round its corners."""
    far = 30.0
    strips = [
        flat_patch(30.0, (0.0, FALL), (0.0, 0.0), ((0.0, -far), (8.0, -far), (8.0, 0.0), (0.0, 0.0))),
        flat_patch(30.0, (-FALL, 0.0), (8.0, 0.0), ((8.0, 0.0), (8.0 + far, 0.0), (8.0 + far, 4.0), (8.0, 4.0))),
        flat_patch(30.0, (0.0, -FALL), (0.0, 4.0), ((0.0, 4.0), (8.0, 4.0), (8.0, 4.0 + far), (0.0, 4.0 + far))),
        flat_patch(30.0, (FALL, 0.0), (0.0, 0.0), ((-far, 0.0), (0.0, 0.0), (0.0, 4.0), (-far, 4.0))),
    ]
    fans = []
    for (x, y), begin in (((0.0, 0.0), math.pi), ((8.0, 0.0), 1.5 * math.pi), ((8.0, 4.0), 0.0), ((0.0, 4.0), 0.5 * math.pi)):
        for step in range(FAN):
            ways = [begin + math.pi / 2 * (step + side) / FAN for side in (0, 1)]
            middle, flat = sum(ways) / 2, math.cos(math.pi / 4 / FAN)
            region = ((x, y), *((x + far * math.cos(way), y + far * math.sin(way)) for way in ways))
            fans.append(flat_patch(30.0, (-FALL / flat * math.cos(middle), -FALL / flat * math.sin(middle)), (x, y), region))
    return (*strips, *fans, flat_patch(30.0, (0.0, 0.0)))


def falling_level(x: float, y: float) -> float:
    return 30.0 - FALL * math.hypot(max(-x, 0.0, x - 8.0), max(-y, 0.0, y - 4.0))


def pump() -> SiteObject:
    (x, y), radius = PUMP, PUMP_RADIUS
    return SiteObject(name="OBJECT", outline=Chain(((x + radius, y), (x - radius, y)), (1.0, 1.0), True))


def bench() -> SiteObject:
    return SiteObject(name="OBJECT", outline=Chain(tuple(BENCH), (0.0,) * 4, True))


PLACES = (
    Place("plane deck, round pump", POOL, lambda x, y: PLANE[0] + PLANE[1] * x + PLANE[2] * y, (flat_patch(PLANE[0], PLANE[1:]),), pump(), False),
    Place("deck falling away, bench", AS_BUILT, falling_level, falling_patches(), bench(), True),
)


def surveyed(random: np.random.Generator, place: Place = PLACES[0], noise: float = 1.0) -> Survey:
    """One survey of a site."""
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

    for step in range(WATER_SHOTS):
        x, y = place.pool.point_at(place.pool.length * (step + 0.37) / WATER_SHOTS)
        shoot("WATER", x, y, place.level(x, y) if place.edge_heights else None)
    for x, y in (*CORNERS, *SPOTS):
        shoot("SPOT", x, y, place.level(x, y))
    if place.edge_heights:
        for x, y in BENCH:
            shoot("OBJECT", x, y, remark="bench")
    else:
        shoot("OBJECT", *PUMP, remark="pump r=12in")
    return Survey(form="points", frame=Frame(), points=tuple(points))


def true_site(place: Place = PLACES[0]) -> Site:
    return site_of(place.pool, objects=(place.thing,), levels=LevelSurface(patches=place.patches))


def fence(setback_of_south: float = 0.762) -> Layout:
    """A fence of fixed, plumb holes round the pool; its south side may stand nearer than the 30 in of the others."""
    layout = made_layout(site_of(POOL), rectangle(9.524, 4.762 + setback_of_south, -0.762, -setback_of_south))
    plumb = tuple(msgspec.structs.replace(hole, lean=0.0, lean_toward="plumb") for hole in layout.holes)
    return msgspec.structs.replace(layout, holes=plumb)


def moved(layout: Layout, off: np.ndarray) -> Layout:
    """The fence with its holes moved by `off` (n, 2) [m]."""
    holes = tuple(
        msgspec.structs.replace(hole, east=hole.east + float(move[0]), north=hole.north + float(move[1]))
        for hole, move in zip(layout.holes, off, strict=True)
    )
    return msgspec.structs.replace(layout, holes=holes)


def built(layout: Layout, random: np.random.Generator, job: Job) -> Layout:
    """The fence as marked and drilled."""
    sigmas = [math.hypot(hole.tie_sigma or job.shop.setting_out.mark_sigma, job.shop.setting_out.drill_sigma) for hole in layout.holes]
    return moved(layout, random.normal(0.0, 1.0, (len(layout.holes), 2)) * np.array(sigmas)[:, None])


def as_measured(stands: Layout, random: np.random.Generator, job: Job) -> Drilling:
    """What a tape finds of the holes of a fence as it stands, every hole by itself."""
    sigma = float(job.options.survey.tape_sigma)
    layout = moved(stands, random.normal(0.0, sigma, (len(stands.holes), 2)))
    holes = tuple(
        DrilledHole(hole=hole.name, state="measured", planned=hole.place, place=hole.place, variance_east=sigma**2, variance_north=sigma**2)
        for hole in layout.holes
    )
    return Drilling(layout=layout, holes=holes)


def readings_of(scene: Scene, quantity: str) -> tuple[Reading, ...]:
    comparator, inches, measure = MEASURES[quantity]
    strip = Limit(id="s", clause="1", quantity="height-strip", comparator="within", value=36.0, unit="in", certainty="read")
    limit = Limit(id="l", clause="1", quantity=quantity, comparator=comparator, value=inches, unit="in", certainty="read")
    outcome = measure(scene, RulePack(id="p", jurisdiction="", document="", edition="", kind="law", limits=(limit, strip)), limit)
    assert isinstance(outcome, Measured)
    return outcome.readings


def true_margins(scene: Scene, quantity: str, random: np.random.Generator, limit: float | None = None) -> list[float]:
    """True margins of the fence as built [m], with the errors of hanging and the deck's roughness under and beside it."""
    comparator, inches, _ = MEASURES[quantity]
    hung = quantity in ("barrier-height", "gap-under", "gate-release-height", "joint-latch-height")
    errors = Errors(scene, random)
    values = []
    for reading in readings_of(scene, quantity):
        off = errors.of(quantity, reading) if hung and not reading.where.startswith("object") else 0.0
        values.append(margin_of(reading.value + off, comparator, inches * INCH if limit is None else limit))
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


class Tally(NamedTuple):
    """What came of many surveys of one site.

    `covered`: per quantity how often the truth lay within u95.  `passed`: per quantity and shortfall [m] how often a fence that
    truly misses its limit by that much passed.  `near`: the same of a fence one side of which stands too near the water.
    `built`: per spare [m] on that side (plans passed, of these built too near somewhere, passed as drilled, of these too near).
    """

    count: int
    covered: dict[str, int]
    passed: dict[tuple[str, float], int]
    near: dict[float, int]
    built: dict[float, tuple[int, int, int, int]]


def tallied(count: int, place: Place = PLACES[0], seed: int = SEED) -> Tally:
    """Survey a site `count` times, and judge the same fences on every survey.

    Coverage: the fence's true least margin as built lies within u95 of the told one.  Passes: the limit is set so that the
    fence as planned, on the true site, misses it by `SHORT`; how often do the surveys pass it?  Built: the fence is drilled
    once for every survey, and its holes are measured with a tape.
    """
    random = np.random.default_rng(seed)
    job, truth, layout = default_job(), true_site(place), fence()
    planned = {quantity: _limit_met(scene_of(job, truth, layout), quantity) for quantity in COMPUTED_FROM_A_SURVEY}
    nearer = {short: fence(setback_of_south=LEAST - short) for short in (*SHORT, *(-spare for spare in SPARE))}
    hits = dict.fromkeys(MEASURES, 0)
    passed = {(quantity, short): 0 for quantity in planned for short in SHORT}
    near, stood = dict.fromkeys(SHORT, 0), {spare: np.zeros(4, dtype=int) for spare in SPARE}
    for _ in range(count):
        site = fit_site(job, surveyed(random, place))
        seen = scene_of(job, site, layout)
        real = scene_of(job, truth, built(layout, random, job))
        for quantity, (comparator, inches, _) in MEASURES.items():
            readings = readings_of(seen, quantity)
            _, margin, u95, _ = tightest(readings, comparator, inches * INCH)
            hits[quantity] += abs(margin - min(true_margins(real, quantity, random))) <= u95
            for short in SHORT if quantity in planned else ():
                limit = planned[quantity] + (short if comparator == "min" else -short)
                passed[quantity, short] += tightest(readings, comparator, limit)[3] == "pass"
        for short in SHORT:
            near[short] += _far_enough(job, site, nearer[short])
        for spare in SPARE:
            stood[spare] += _drilled(job, site, truth, nearer[-spare], random)
    return Tally(count, hits, passed, near, {spare: tuple(int(one) for one in found) for spare, found in stood.items()})


def _limit_met(scene: Scene, quantity: str) -> float:
    """Return the limit [m] that a fence as planned meets exactly, at its tightest place."""
    values = [reading.value for reading in readings_of(scene, quantity)]
    return min(values) if MEASURES[quantity][0] == "min" else max(values)


def _setbacks(job: Job, site: Site, layout: Layout, drilling: Drilling | None = None) -> tuple[Reading, ...]:
    return readings_of(scene_of(job, msgspec.structs.replace(site, levels=LevelSurface()), layout, drilling), "setback")


def _far_enough(job: Job, site: Site, layout: Layout, drilling: Drilling | None = None) -> bool:
    """Whether the compliance stage passes the setback of a fence."""
    return tightest(_setbacks(job, site, layout, drilling), "min", LEAST)[3] == "pass"


def _drilled(job: Job, site: Site, truth: Site, layout: Layout, random: np.random.Generator) -> np.ndarray:
    """Plan, drill and measure one fence: (plan passed, and is built too near, passed as drilled, and is built too near)."""
    stands = built(layout, random, job)
    drilling = as_measured(stands, random, job)
    near = min(reading.value for reading in _setbacks(job, truth, stands)) < LEAST
    plan, drilled = _far_enough(job, site, layout), _far_enough(job, site, drilling.layout, drilling)
    return np.array([plan, plan and near, drilled, drilled and near], dtype=int)


def added(one: Tally, other: Tally) -> Tally:
    """Two tallies of one site together."""
    return Tally(
        one.count + other.count,
        {key: value + other.covered[key] for key, value in one.covered.items()},
        {key: value + other.passed[key] for key, value in one.passed.items()},
        {key: value + other.near[key] for key, value in one.near.items()},
        {key: tuple(np.add(value, other.built[key]).tolist()) for key, value in one.built.items()},
    )


def told(place: Place, tally: Tally) -> str:
    """The figures of one site in words."""
    count = tally.count
    rows = [f"{place.name}, {count} surveys: the true least margin lies within u95; passes of a fence that truly misses by 0, 2, 4 mm"]
    for quantity, hits in tally.covered.items():
        passes = ", ".join(str(tally.passed[quantity, short]) for short in SHORT if (quantity, short) in tally.passed)
        rows.append(f"  {quantity:22s} {hits:5d} of {count:5d}  {100 * hits / count:5.1f} %   {passes}")
    rows += [f"  setback of one side truly short by {1000 * short:g} mm: passed in {passes} of {count}" for short, passes in tally.near.items()]
    rows += [
        f"  one side planned with {1000 * spare:g} mm to spare: {passes} of {count} plans passed, {wrong} of them built too near somewhere; "
        f"{drilled} passed as drilled, {wrong_drilled} of them truly too near"
        for spare, (passes, wrong, drilled, wrong_drilled) in tally.built.items()
    ]
    return "\n".join(rows)


def main() -> None:
    """Survey each site in blocks with seeds of their own, 20261125 and on; what is known so far is told after every block."""
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 100
    for place in PLACES:
        tally = tallied(min(BLOCK, count), place)
        for block in range(1, math.ceil(count / BLOCK)):
            tally = added(tally, tallied(min(BLOCK, count - block * BLOCK), place, SEED + block))
            print(told(place, tally), file=sys.stderr, flush=True)
        print(told(place, tally), flush=True)


if __name__ == "__main__":
    main()
