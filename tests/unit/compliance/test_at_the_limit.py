"""Every computed quantity on sites just inside its limit, exactly at it, just beyond, and inside the uncertainty, in the clause's own unit."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import NamedTuple

import msgspec
import pytest

from pipeline.compliance.judge import judge
from pipeline.compliance.measures.posts import POUND_FORCE
from pipeline.compliance.readings import expanded
from pipeline.compliance.stage import work_packs
from pipeline.geometry.chain import polyline
from pipeline.model.compliance import Check
from pipeline.model.layout import FenceEnd
from pipeline.model.rules import UNIT_METRES, Limit
from pipeline.model.site import Opening, SiteObject
from tests.made_sites import rectangle
from tests.unit.compliance.made_fences import EDGE_SIGMA, MARK_AND_DRILL, fence_along, job_with, limit_of, line_of, pack_of, site_with
from tests.unit.compliance.made_jobs import loop, wall_to_wall

HANG = 0.003  # [m] hang_sigma of the default shop
ROUGH = 0.002  # [m] roughness of the made deck
POST = 0.0254  # [m] diameter of the default shop's posts
WALL = 0.002  # [m] sigma of the made wall
GATE_SET = 0.001  # [m] hardware_sigma of the default shop
PITCH, WEAVE = 0.001, 0.0001  # [m] pitch_sigma and weave_sigma of the default shop
THING = 0.004  # [m] sigma of the made objects


class Case(NamedTuple):
    """One quantity with a site built so that it measures just what is wanted."""

    quantity: str
    comparator: str
    value: float
    unit: str
    build: Callable[[float], dict]
    sigma: float
    places: int = 1
    more: tuple[Limit, ...] = ()
    spots: int = 1  # of each place, with a roughness of their own


class ByReport(NamedTuple):
    """One figure of a test report, held in the clause's own unit."""

    quantity: str
    value: float
    unit: str
    section: str
    key: str
    shop_units: float  # per unit of the clause


class Answer(NamedTuple):
    """One yes or no, with a site or shop for each, and what is said of them."""

    quantity: str
    comparator: str
    yes: dict
    no: dict
    said: tuple[str, str]


def shop(section: str, key: str) -> Callable[[float], dict]:
    return lambda wanted: {"shop": {section: {key: wanted}}}


def fence(key: str, *, less: float = 0.0, **others) -> Callable[[float], dict]:
    return lambda wanted: {"layout": fence_along(**{key: wanted - less}, **others)}


def wall_end(wanted: float) -> dict:
    clearance = wanted + POST / 2
    wall = line_of("WALL", polyline([(-clearance, -9.0), (-clearance, 4.0)]), "1", sigma=WALL)
    end = FenceEnd(hole="H001", wall="1", foot=(-clearance, -0.762), clearance=clearance)
    return {"site": {"walls": (wall,)}, "layout": fence_along(panels=(4,), ends=(end,))}


def object_outside(wanted: float, height: float | None = None) -> dict:
    box = rectangle(0.5, 0.5, 1.0, -0.762 - wanted - 0.5)
    return {"site": {"objects": (SiteObject(name="501", outline=box, height=height, sigma=THING),)}}


def object_under_arc(wanted: float) -> dict:
    """A bench 400 mm high, so far from the fence that the arc to its top is as long as wanted."""
    top = 1.2192 + 0.0127
    return object_outside(math.sqrt(wanted**2 - (top - 0.4) ** 2), height=0.4)


def object_inside(wanted: float) -> dict:
    box = rectangle(0.3, 0.1, 1.0, -0.762 + wanted)
    return {"site": {"objects": (SiteObject(name="501", outline=box, sigma=THING),)}, "shop": {"panel": {"fabric_opening": 0.012}}}


def gate(section: str, key: str, *, plus: float = 0.0, **keys) -> Callable[[float], dict]:
    def build(wanted: float) -> dict:
        return {"shop": {section: {key: wanted + plus, **keys}}, "layout": fence_along(gate_after=0)}

    return build


def hem(wanted: float) -> dict:
    return {"shop": {"panel": {"hem_gap": wanted}}}


def hem_over_grass(wanted: float) -> dict:
    return {"shop": {"panel": {"hem_gap": wanted}}, "site": {"decks": (line_of("DECK", rectangle(12.0, 6.0, -3.0, -0.5)),)}}


def window(wanted: float) -> dict:
    wall = line_of("WALL", polyline([(-0.0381, -0.762), (-0.0381, 6.0), (5.5626, 6.0), (5.5626, -0.762)]), "1", sigma=WALL)
    ends = tuple(FenceEnd(hole=hole, wall="1", foot=(x, -0.762), clearance=0.0381) for hole, x in (("H001", -0.0381), ("H008", 5.5626)))
    opening = Opening(kind="WINDOW", line="1", jambs=((2.0, 6.0), (3.0, 6.0)), sill=wanted)
    return {"site": {"walls": (wall,), "openings": (opening,)}, "layout": fence_along(ends=ends)}


MIDDLE = math.hypot(HANG, math.sqrt(1.5) * ROUGH)  # half-way between two posts: half of either's roughness and all of the place's own
JOINT = math.hypot(MARK_AND_DRILL, MARK_AND_DRILL)


def beside(x: float) -> float:
    """Sigma of the way from the second bay's fabric to an object's corner abreast of x [m]."""
    along = (x - 0.9144) / 0.9144
    return math.hypot(THING, MARK_AND_DRILL * math.hypot(1 - along, along))


DEPTH = (1.2192 + 0.0127 - 0.4) / (0.9 * 1.02)  # share of the arc's radius, where the spread is taken: the bench's top below the fence's
UNDER_THE_ARC = math.hypot(math.sqrt(1 - DEPTH**2) * beside(1.5), DEPTH * math.hypot(0.005, HANG))
BAYS = 6  # of the fence of two panels with four posts each
LOW = (limit_of("gate-release-height", "min", 60, "in"),)

CASES = (
    Case("barrier-height", "min", 48, "in", fence("height", less=0.0127), MIDDLE, BAYS),
    Case("barrier-height", "min", 1200, "mm", fence("height", less=0.0127), MIDDLE, BAYS),
    Case("barrier-height", "min", 5, "ft", fence("height", less=0.0127), MIDDLE, BAYS),
    Case("gap-under", "max", 2, "in", hem, MIDDLE, BAYS),
    Case("gap-under", "less-than", 100, "mm", hem, MIDDLE, BAYS),
    Case("gap-under-hard", "max", 4, "in", hem, MIDDLE, BAYS),
    Case("gap-under-soft", "max", 2, "in", hem_over_grass, MIDDLE, BAYS),
    Case("gap-under-mesh", "max", 1, "in", hem, MIDDLE, BAYS),
    Case("opening-sphere", "must-not-pass", 4, "in", fence("joint", less=-POST), JOINT),
    Case("opening-sphere", "must-not-pass", 100, "mm", wall_end, math.hypot(MARK_AND_DRILL, WALL)),
    Case("opening-between-uprights", "less-than", 100, "mm", fence("joint", less=-POST), JOINT),
    Case("under-panel-sphere", "must-not-pass", 4, "in", hem, MIDDLE, BAYS),
    Case("joint-latch-height", "min", 45, "in", fence("latch"), HANG),
    Case("setback", "min", 20, "in", fence("setback"), math.hypot(EDGE_SIGMA, MARK_AND_DRILL), BAYS),
    Case("setback", "min", 1000, "mm", fence("setback"), math.hypot(EDGE_SIGMA, MARK_AND_DRILL), BAYS),
    Case("clear-zone", "min", 36, "in", object_outside, beside(1.5)),
    Case("clear-zone-quarter-arc", "min", 900, "mm", object_under_arc, UNDER_THE_ARC),
    Case("clear-zone-inside", "min", 300, "mm", object_inside, beside(1.0)),
    Case("post-spacing", "max", 36, "in", fence("spacing"), JOINT, BAYS),
    Case("post-depth", "min", 3, "in", fence("depth"), 0.002, 8),
    Case("rail-spacing", "min", 45, "in", fence("height"), HANG, BAYS),
    Case("rail-spacing", "min", 900, "mm", fence("height"), HANG, BAYS),
    Case("wall-separation-height", "min", 4, "ft", fence("height", less=0.0127), MIDDLE, BAYS),
    Case("gate-release-height", "min", 54, "in", gate("gate", "release_height"), math.hypot(HANG, math.sqrt(2) * ROUGH), spots=8),
    Case("gate-release-height-over-bottom", "min", 54, "in", gate("gate", "release_height", plus=0.01905), HANG),
    Case("gate-release-above-rail", "min", 1400, "mm", gate("gate", "release_height", plus=0.01905), HANG),
    Case("gate-release-below-top", "min", 3, "in", gate("gate", "release_below_top"), GATE_SET, 1, LOW),
    Case("gate-release-below-top", "max", 6, "in", gate("gate", "release_below_top"), GATE_SET, 1, LOW),
    Case("gate-release-opening", "max", 0.5, "in", gate("gate", "release_opening"), GATE_SET, 1, LOW),
    Case("gate-release-radius", "within", 18, "in", gate("gate", "release_opening_radius"), GATE_SET, 1, LOW),
    Case("fabric-probe", "must-not-pass", 0.25, "in", shop("panel", "fabric_opening"), WEAVE),
    Case("wire-mesh-opening", "max", 1.75, "in", shop("panel", "fabric_opening"), WEAVE),
    Case("strip-screw-spacing", "max", 6, "in", shop("panel", "screw_pitch"), PITCH),
    Case("window-sill", "min", 48, "in", window, 0.005),
)

BY_REPORT = (
    ByReport("post-strength", 52, "lbf", "post", "strength_tested", POUND_FORCE),
    ByReport("fabric-tensile", 100, "lbf", "panel", "fabric_tensile", POUND_FORCE),
    ByReport("fabric-ball-burst", 150, "lbf", "panel", "fabric_ball_burst", POUND_FORCE),
    ByReport("fabric-weathering", 500, "h", "panel", "fabric_weathering", 1.0),
)


def hardware(section: str, key: str, answer: bool) -> dict:
    return {"shop": {section: {key: answer}}, "layout": fence_along(gate_after=0)}


def swinging(side: float) -> dict:
    layout = fence_along(gate_after=0)
    gate = layout.gates[0]
    swing = tuple((x, -0.762 + side * (y + 0.762)) for x, y in gate.swing)
    return {"layout": msgspec.structs.replace(layout, gates=(msgspec.structs.replace(gate, swing=swing),))}


def released(side: str) -> dict:
    return {"shop": {"gate": {"release_side": side}}, "layout": fence_along(gate_after=0)}


def in_the_wall(*openings: str) -> dict:
    built = window(1.5)
    built["site"]["openings"] = built["site"]["openings"] if openings else ()
    return built


ANSWERS = (  # a yes of what only hands can try stays on-site
    Answer(
        "sleeve-non-conductive", "required", hardware("sleeve", "non_conductive", True), hardware("sleeve", "non_conductive", False), ("pass", "fail")
    ),
    Answer("gate-lockable", "required", hardware("gate", "lockable", True), hardware("gate", "lockable", False), ("pass", "fail")),
    Answer("gate-self-closing", "required", hardware("gate", "self_closing", True), hardware("gate", "self_closing", False), ("on-site", "fail")),
    Answer("gate-self-latching", "required", hardware("gate", "self_latching", True), hardware("gate", "self_latching", False), ("on-site", "fail")),
    Answer("gate-action", "required", hardware("gate", "self_closing", True), hardware("gate", "self_closing", False), ("on-site", "fail")),
    Answer("gate-opens-away", "required", swinging(1.0), swinging(-1.0), ("pass", "fail")),
    Answer("gate-release-inside", "required", released("pool"), released("both"), ("on-site", "fail")),
    Answer("wall-without-openings", "required", in_the_wall(), in_the_wall("1"), ("on-site", "fail")),
)


def found(built: dict, *limits: Limit) -> Check:
    """What becomes of the first of the limits on a site, a shop and a layout as built."""
    job = job_with(pack_of(*limits), shop=built.get("shop"))
    judged = judge(job, site_with(**built.get("site", {})), built.get("layout") or fence_along(), None, work_packs())
    return next(check for check in judged.checks if check.quantity == limits[0].quantity)


def checked(case: Case, wanted: float) -> Check:
    return found(case.build(wanted), limit_of(case.quantity, case.comparator, case.value, case.unit), *case.more)


def named(case: Case) -> str:
    return f"{case.quantity} {case.comparator} {case.value:g} {case.unit}"


@pytest.fixture(scope="module")
def spread() -> dict[str, float]:
    """The expanded uncertainty of each case, taken where the fence is well inside its limit."""
    return {named(case): checked(case, case.value * UNIT_METRES[case.unit] * (1 + _safe(case) * 0.02)).u95 for case in CASES}


def _safe(case: Case) -> float:
    """The direction of the safe side."""
    return 1.0 if case.comparator in ("min", "within") else -1.0


@pytest.mark.parametrize("case", CASES, ids=named)
@pytest.mark.parametrize("where", ["inside", "exact", "beyond", "band"])
def test_each_quantity_on_either_side_of_its_limit(case, where, spread):
    limit, u95 = case.value * UNIT_METRES[case.unit], spread[named(case)]
    assert u95 > 0
    step = 0.0005 if case.unit in ("mm", "m") else 0.0254 / 32
    margin = {"inside": u95 + step, "exact": 0.0, "beyond": -step, "band": u95 / 2}[where]
    check = checked(case, limit + _safe(case) * margin)
    strict = case.comparator in ("less-than", "must-not-pass")
    wanted = {"inside": "pass", "exact": "fail" if strict else "marginal", "beyond": "fail", "band": "marginal"}[where]
    if case.quantity == "window-sill" and where == "beyond":
        wanted = "on-site"  # a low sill is no breach: the window then needs an alarm, which hands and eyes confirm
    assert wanted == check.verdict, check
    assert check.margin == pytest.approx(margin, abs=2e-9)
    if where == "exact":
        assert check.margin == 0.0


@pytest.mark.parametrize("case", CASES, ids=named)
def test_uncertainty_is_what_its_parts_add_up_to(case, spread):
    groups = [((0.0,) * case.spots, ROUGH if case.spots > 1 else 0.0)] * case.places
    assert spread[named(case)] == pytest.approx(expanded([0.0] * case.places, [case.sigma] * case.places, groups), rel=2e-3)


@pytest.mark.parametrize("case", BY_REPORT, ids=lambda case: f"{case.quantity} {case.value:g} {case.unit}")
@pytest.mark.parametrize(
    ("stood", "verdict"), [(1.02, "pass"), (1.0, "marginal"), (0.999, "fail"), (1.005, "marginal")], ids=["inside", "exact", "beyond", "band"]
)
def test_a_test_reports_figure_on_either_side_of_its_limit(case, stood, verdict):
    built = {"shop": {case.section: {case.key: stood * case.value * case.shop_units}}}
    assert found(built, limit_of(case.quantity, "min", case.value, case.unit)).verdict == verdict


@pytest.mark.parametrize("case", BY_REPORT, ids=lambda case: case.quantity)
def test_a_test_report_that_is_not_there_is_asked_for(case):
    check = found({"shop": {case.section: {case.key: 0.0}}}, limit_of(case.quantity, "min", case.value, case.unit))
    assert (check.verdict, "ask for" in check.look_at) == ("on-site", True)


@pytest.mark.parametrize("case", ANSWERS, ids=lambda case: case.quantity)
def test_each_yes_or_no_with_both_answers(case):
    limit = limit_of(case.quantity, case.comparator, True, "bool")
    assert (found(case.yes, limit).verdict, found(case.no, limit).verdict) == case.said


def test_every_computed_quantity_has_its_rows():
    """Whatever any pack brings out as a number or as a yes or no on the made fences stands in one of the tables above."""
    low = {"gate": {"release_height": 1.14, "release_side": "pool"}, "panel": {"fabric_opening": 0.012}, "post": {"strength_tested": 300.0}}
    checks = [check for judged in (loop(), wall_to_wall(), loop(**low)) for check in judged.checks]
    computed = {check.quantity for check in checks if check.measured is not None or check.verdict in ("pass", "marginal", "fail")}
    asked = {"setback-judgement"}  # a measured distance handed to somebody to judge; the clause has no number
    assert computed - asked <= {case.quantity for case in (*CASES, *BY_REPORT, *ANSWERS)}


def test_forty_eight_inches_are_compared_exactly_and_the_printed_millimetres_are_not():
    """A fence of 1219.0 mm is under 48 in, and a gap of 102 mm is over 4 in."""
    height = Case("barrier-height", "min", 48, "in", fence("height", less=0.0127), MIDDLE)
    assert checked(height, 1.2192).margin == 0.0
    assert checked(height, 1.2190).verdict == "fail"
    ball = Case("opening-sphere", "must-not-pass", 4, "in", fence("joint", less=-POST), JOINT)
    assert checked(ball, 0.102).verdict == "fail"
    assert checked(ball, 0.1016).verdict == "fail"


def test_count_of_rows(capsys):
    rows = 4 * len(CASES) + 4 * len(BY_REPORT) + 2 * len(ANSWERS)
    quantities = {case.quantity for case in (*CASES, *BY_REPORT, *ANSWERS)}
    with capsys.disabled():
        print(
            f"\n{4 * len(CASES)} rows of {len({case.quantity for case in CASES})} lengths inside, at, beyond their limits and in the uncertainty; "
            f"{4 * len(BY_REPORT)} of {len(BY_REPORT)} figures of test reports; {2 * len(ANSWERS)} of {len(ANSWERS)} yes-or-no quantities: {rows} rows of {len(quantities)} quantities"
        )
    assert rows >= 49
