"""What a site brings out: steps, free ends, walls, gates in the way, no heights; cautions by the job's own facts."""

from __future__ import annotations

import statistics

import msgspec
import numpy as np
import pytest

from pipeline.compliance.judge import DEFERENCE, judge
from pipeline.compliance.measures.house_wall import barrier_openings, barrier_stretches
from pipeline.compliance.readings import Reading, expanded, margin_of, tightest, verdict_of
from pipeline.compliance.stage import work_packs
from pipeline.compliance.standing import scene_of
from pipeline.geometry.chain import polyline
from pipeline.intake.resolve import shipped_packs
from pipeline.model.drilling import DrilledHole, Drilling
from pipeline.model.layout import FenceEnd
from pipeline.model.shop import SiteOptions
from pipeline.model.site import LevelSurface, Opening, SiteObject
from tests.made_sites import rectangle
from tests.unit.compliance.made_fences import fence_along, job_with, limit_of, line_of, pack_of, plane, site_with
from tests.unit.compliance.made_jobs import loop, wall_to_wall

ISPSC = shipped_packs()["us-ispsc-2018"]


def judged(site=None, layout=None, *packs, **options):
    shop = options.pop("shop", None)
    return judge(job_with(*(packs or (ISPSC,)), shop=shop, **options), site or site_with(), layout or fence_along(), None, work_packs())


def of(found, quantity):
    return [one for one in found.checks if one.quantity == quantity]


@pytest.mark.parametrize(
    ("value", "comparator", "u95", "verdict"),
    [
        (1.25, "min", 0.01, "pass"),
        (1.2192, "min", 0.0, "marginal"),
        (1.2192, "min", 0.01, "marginal"),
        (1.219, "min", 0.01, "fail"),
        (0.1016, "max", 0.0, "marginal"),
        (0.1016, "must-not-pass", 0.0, "fail"),
        (0.1016, "less-than", 0.0, "fail"),
        (0.09, "less-than", 0.001, "pass"),
        (0.1010, "must-not-pass", 0.001, "marginal"),
    ],
)
def test_verdicts(value, comparator, u95, verdict):
    limit = 1.2192 if value > 1 else 0.1016
    assert verdict == verdict_of(margin_of(value, comparator, limit), u95, comparator)


@pytest.mark.parametrize("places", [1, 2, 7, 40])
def test_expanded_uncertainty_of_the_least_of_many_against_its_closed_form(places):
    """For n alike places the least lies within u with F(u) - F(-u) = 0.95, F(t) = 1 - (1 - Phi(t / s))^n."""
    normal = statistics.NormalDist()
    u95 = expanded([0.01] * places, [0.003] * places)
    below = [1 - (1 - normal.cdf(sign * u95 / 0.003)) ** places for sign in (1, -1)]
    assert below[0] - below[1] == pytest.approx(0.95, abs=1e-6)


def test_expanded_uncertainty_against_many_throws():
    """Places of different margins and spreads, 200,000 fences thrown: the least lies within u95 in 95 of 100."""
    margins, sigmas = np.array([0.010, 0.011, 0.014, 0.030]), np.array([0.002, 0.003, 0.006, 0.001])
    thrown = (margins + np.random.default_rng(5).normal(size=(200_000, 4)) * sigmas).min(axis=1)
    u95 = expanded(list(margins), list(sigmas))
    assert np.mean(np.abs(thrown - margins.min()) <= u95) == pytest.approx(0.95, abs=0.002)


def test_expanded_uncertainty_of_groups_against_many_throws():
    """Five bays that each hang with an error of their own over a deck rough at four places: the least lies within u95 in 95 of 100."""
    random, spots = np.random.default_rng(6), np.array([0.010, 0.0105, 0.011, 0.013])
    hang, own = 0.003, 0.002
    thrown = spots + random.normal(size=(100_000, 5, 1)) * hang + random.normal(size=(100_000, 5, 4)) * own
    u95 = expanded([0.010] * 5, [float(np.hypot(hang, own))] * 5, [(list(spots), own)] * 5)
    assert np.mean(np.abs(thrown.min(axis=(1, 2)) - 0.010) <= u95) == pytest.approx(0.95, abs=0.003)


def test_places_of_a_group_count_by_themselves_where_each_has_an_error_of_its_own():
    """Places nearer than a hand's breadth to each other are one place."""
    near = [Reading(value=1.0, sigma=0.003, where="", place=(0.01 * number, 0.0), group="P01", own=0.002) for number in range(9)]
    apart = [Reading(value=1.0, sigma=0.003, where="", place=(0.2 * number, 0.0), group="P01", own=0.002) for number in range(3)]
    assert tightest(tuple(near), "min", 0.9)[2] == pytest.approx(1.96 * 0.003, rel=1e-4)
    assert tightest(tuple(apart), "min", 0.9)[2] == pytest.approx(expanded([0.1], [0.003], [((0.1, 0.1, 0.1), 0.002)]), rel=1e-9)
    assert tightest(tuple(apart), "min", 0.9)[2] > 2.0 * 0.003


def test_readings_that_share_their_errors_count_once():
    one = [Reading(value=1.0, sigma=0.003, where=str(number), group="P01") for number in range(9)]
    assert tightest(tuple(one), "min", 0.9)[2] == pytest.approx(1.96 * 0.003, rel=1e-4)


def step_site() -> LevelSurface:
    """Eastward up a riser of 150 mm that crosses the fence in the joint between its second and third panel."""
    nosing = 8 * 0.9144 + 0.0762 - 2 * 0.9144 + 0.0381
    low = ((-50.0, -50.0), (nosing, -50.0), (nosing, 50.0), (-50.0, 50.0))
    return LevelSurface(patches=(plane(0.0, (0.0, 0.0), low), plane(0.15)))


def step_fence():
    return fence_along(panels=(4, 4, 4), rises={1: (0.15, "1")}, latch=46 * 0.0254)


def test_a_step_lowers_the_panel_below_it_and_the_latch_seen_from_above():
    found = judged(site_with(levels=step_site()), step_fence())
    heights = of(found, "barrier-height")
    assert [one.verdict for one in heights[1:]] == ["on-site"]
    assert "upper tread" in heights[1].look_at
    assert heights[1].measured == pytest.approx(1.2192 + 0.0127 - 0.15, abs=1e-6)
    latches = of(found, "joint-latch-height")
    assert latches[0].measured == pytest.approx(46 * 0.0254)
    assert latches[1].measured == pytest.approx(46 * 0.0254 - 0.15)
    assert "higher" in latches[1].cure


def test_a_tread_outside_within_the_strip_lowers_the_fence():
    """A step 150 mm up, half a metre outside the fence and along all of it: the height counts from its top."""
    outside = ((-50.0, -50.0), (50.0, -50.0), (50.0, -1.262), (-50.0, -1.262))
    found = judged(site_with(levels=LevelSurface(patches=(plane(0.15, (0.0, 0.0), outside), plane(0.0)))))
    (height,) = of(found, "barrier-height")
    assert height.verdict == "fail"
    assert height.measured == pytest.approx(1.2192 + 0.0127 - 0.15, abs=1e-6)
    assert "5' 0\"" in height.cure
    without_strip = judged(
        site_with(levels=LevelSurface(patches=(plane(0.15, (0.0, 0.0), outside), plane(0.0)))), None, shipped_packs()["us-irc-2012-g"]
    )
    assert of(without_strip, "barrier-height")[0].measured == pytest.approx(1.2192 + 0.0127, abs=1e-6)


def test_a_planter_within_the_strip_counts_as_ground():
    planter = SiteObject(name="601", outline=rectangle(1.0, 0.4, 1.0, -1.4), height=0.3)
    (height,) = of(judged(site_with(objects=(planter,))), "barrier-height")
    assert height.measured == pytest.approx(1.2192 + 0.0127 - 0.3, abs=1e-6)
    assert "601" in height.where
    assert "move object 601" in height.cure


def test_a_hollow_under_a_panel_opens_the_gap():
    """A trough 40 mm deep crosses the line inside a bay: one inch is missed, and it is said where."""
    trough = ((1.2, -50.0), (1.5, -50.0), (1.5, 50.0), (1.2, 50.0))
    found = judged(site_with(levels=LevelSurface(patches=(plane(-0.04, (0.0, 0.0), trough), plane(0.0)))))
    (gap,) = of(found, "gap-under-mesh")
    assert (gap.verdict, gap.measured) == ("fail", pytest.approx(0.0527, abs=1e-6))
    assert "H002 to H003" in gap.where


def test_without_heights_nothing_about_heights_is_passed():
    found = judged(site_with(levels=LevelSurface()))
    for quantity in ("barrier-height", "gap-under-mesh", "gap-under-hard", "under-panel-sphere"):
        assert {"on-site"} == {one.verdict for one in of(found, quantity)}
        assert all("no heights were surveyed" in one.look_at for one in of(found, quantity))


def test_an_object_that_the_fence_cuts_is_no_distance_away():
    thing = SiteObject(name="602", outline=rectangle(0.4, 0.4, 1.0, -0.962))
    (zone,) = of(judged(site_with(objects=(thing,))), "clear-zone")
    assert (zone.verdict, zone.measured) == ("fail", 0.0)


def test_an_object_inside_does_not_count_outside():
    thing = SiteObject(name="603", outline=rectangle(0.4, 0.3, 1.0, -0.6))
    (zone,) = of(judged(site_with(objects=(thing,))), "clear-zone")
    assert (zone.verdict, zone.measured) == ("on-site", None)


def test_a_free_end_is_asked_for():
    end = FenceEnd(hole="H001", wall="", foot=(0.0, -0.762), clearance=0.0)
    spheres = of(judged(None, fence_along(ends=(end,))), "opening-sphere")
    assert any("ends free" in one.look_at for one in spheres)


def test_a_wide_wall_end_lets_the_ball_through():
    wall = line_of("WALL", polyline([(-0.13, -9.0), (-0.13, 4.0)]), "1")
    end = FenceEnd(hole="H001", wall="1", foot=(-0.13, -0.762), clearance=0.13)
    (sphere,) = of(judged(site_with(walls=(wall,)), fence_along(ends=(end,))), "opening-sphere")
    assert (sphere.verdict, sphere.where) == ("fail", "wall end at H001")
    assert sphere.measured == pytest.approx(0.13 - 0.0127)


def test_a_gate_that_swings_over_the_water_or_into_a_bench_fails():
    layout = fence_along(gate_after=0)
    assert of(judged(None, layout), "gate-opens-away")[0].verdict == "pass"
    toward = tuple((x, -1.524 - y) for x, y in layout.gates[0].swing)
    turned = msgspec.structs.replace(layout, gates=(msgspec.structs.replace(layout.gates[0], swing=toward),))
    assert of(judged(None, turned), "gate-opens-away")[0].verdict == "fail"
    bench = SiteObject(name="604", outline=rectangle(0.2, 0.2, layout.gates[0].swing[0][0] + 0.3, -1.2))
    (hit,) = of(judged(site_with(objects=(bench,)), layout), "gate-opens-away")
    assert (hit.verdict, "604" in hit.where) == ("fail", True)


def test_a_gate_whose_leaf_would_scrape_on_a_rising_deck_is_looked_at():
    rising = LevelSurface(patches=(plane(0.0, (0.0, -0.03)),))
    (found,) = of(judged(site_with(levels=rising), fence_along(gate_after=0)), "gate-opens-away")
    assert (found.verdict, "rises" in found.look_at) == ("on-site", True)


def test_a_gate_set_that_does_not_close_itself_fails_and_one_that_does_is_tried_on_site():
    layout = fence_along(gate_after=0)
    assert of(judged(None, layout), "gate-self-closing")[0].verdict == "on-site"
    assert of(judged(None, layout, shop={"gate": {"self_closing": False}}), "gate-self-closing")[0].verdict == "fail"


def test_conductive_sleeves_fail():
    found = judged(shop={"sleeve": {"non_conductive": False}})
    assert of(found, "sleeve-non-conductive")[0].verdict == "fail"


def house(*openings: Opening):
    """A closed house outline north of the pool; the fence ends at its south face, the pool lies between fence and house."""
    layout = fence_along(panels=(4, 4))
    last = layout.holes[-1].east
    ring = [
        (-0.0381, -5.0),
        (-0.0381, 5.5),
        (last + 0.0381, 5.5),
        (last + 0.0381, -5.0),
        (last + 9.0, -5.0),
        (last + 9.0, 9.0),
        (-9.0, 9.0),
        (-9.0, -5.0),
    ]
    wall = line_of("WALL", polyline(ring, closed=True), "")
    ends = tuple(FenceEnd(hole=hole, wall="", foot=(x, -0.762), clearance=0.0381) for hole, x in (("H001", -0.0381), ("H008", last + 0.0381)))
    site = site_with(walls=(wall,), openings=openings, waters=(line_of("WATER", rectangle(3.0, 3.0, 1.0, 0.0)),))
    return scene_of(job_with(ISPSC), site, msgspec.structs.replace(layout, ends=ends))


def test_on_a_closed_house_the_side_that_shuts_the_water_in_is_the_barrier():
    within = Opening(kind="DOOR", line="1", jambs=((2.0, 5.5), (2.9, 5.5)))
    without = Opening(kind="DOOR", line="2", jambs=((2.0, 9.0), (2.9, 9.0)))
    scene = house(within, without)
    assert [one.line for one in barrier_openings(scene)] == ["1"]
    ((_, low, high),) = barrier_stretches(scene)
    assert high - low == pytest.approx(2 * 6.262 + scene.fence.posts["H008"].foot[0] + 2 * 0.0381, abs=1e-6)


def raised(found) -> str:
    return " | ".join(one.text + one.raised_by for one in found.cautions if one.raised_by)


@pytest.mark.parametrize(
    ("slab", "says"),
    [
        ("post-tensioned", "do not drill before it is scanned"),
        ("unknown", "kind of slab is not known"),
        ("reinforced", "find the bars"),
        ("pavers", "Pavers hold no sleeve"),
    ],
)
def test_the_slab_raises_its_own_caution(slab, says):
    assert says in raised(on_slab(slab))


def on_slab(slab):
    job = job_with(ISPSC, site=SiteOptions(slab=slab))
    return judge(job, site_with(), fence_along(), None, work_packs())


def test_a_plain_slab_raises_no_slab_caution():
    assert "slab = " not in raised(on_slab("plain"))


def test_utilities_joints_edges_and_thin_slabs_raise_cautions_that_name_their_holes():
    site = site_with(
        utilities=(line_of("UTILITY", polyline([(0.5, -5.0), (0.5, 5.0)])),),
        joints=(line_of("JOINT", polyline([(0.9, -5.0), (0.9, 5.0)])),),
        decks=(line_of("DECK", rectangle(40.0, 10.82, -20.0, -0.82)),),
    )
    said = raised(judged(site, None, shop={"sleeve": {"slab_thickness": 0.0889}}))
    assert "H001, H002 within" in said
    assert "nearer to a joint" in said and "hole H002" in said
    assert "nearer to the deck's edge" in said
    assert 'A slab thinner than 4": stop and ask the office' in said
    assert 'the slab of 3-1/2" in the shop file, against 4" the holes need' in said


def test_pavers_are_told_of_their_footing_and_of_no_slab():
    assert '4" or more below the deck' in raised(on_slab("pavers"))
    assert "slab thinner" in raised(on_slab("plain"))
    assert "slab thinner" not in raised(on_slab("pavers"))


def test_the_crews_word_for_an_object_names_it_in_the_findings():
    boulder = SiteObject(name="572", outline=rectangle(1.0, 0.4, 1.0, -1.4), height=0.3, remark="OBJECT r=14in h=12in boulder")
    (height,) = of(judged(site_with(objects=(boulder,))), "barrier-height")
    assert "over boulder, point 572" in height.where
    assert "move boulder, point 572" in height.cure


def test_job_cautions_come_first_and_every_caution_has_a_source():
    found = wall_to_wall(ISPSC)
    kinds = [bool(one.raised_by) for one in found.cautions]
    assert kinds == sorted(kinds, reverse=True)
    assert all(one.source for one in found.cautions)
    general = " ".join(one.text for one in found.cautions if not one.raised_by)
    for word in ("watches the water", "buried lines", "HEPA", "compressed air", "ground-fault", "Eyes", "Epoxy", "flame", "trip", "lift"):
        assert word in general
    assert any("house wall is part of the barrier" in one.text for one in found.cautions)


def test_deference_and_supervision_stand_in_every_report():
    found = loop(ISPSC)
    assert found.deference == DEFERENCE
    assert "authority having jurisdiction" in found.deference[0] and "replaces no supervision" in found.deference[1]
    assert found.not_covered


def test_as_drilled_holes_carry_the_uncertainty_of_their_estimate():
    layout = fence_along()
    holes = tuple(
        DrilledHole(hole=hole.name, state="measured", planned=hole.place, place=hole.place, variance_east=0.003**2, variance_north=0.003**2)
        for hole in layout.holes
    )
    found = judge(job_with(ISPSC), site_with(), layout, None, work_packs(), Drilling(layout=layout, holes=holes))
    assert found.as_drilled
    assert of(found, "setback")[0].u95 == pytest.approx(expanded([0.0] * 6, [(2 * 0.003**2) ** 0.5] * 6), rel=1e-6)


def test_overall_verdicts():
    easy = pack_of(limit_of("setback", "min", 20, "in"))
    assert judged(None, None, easy).verdict == "complies"
    assert judged(None, fence_along(setback=20 * 0.0254), easy).verdict == "marginal"
    assert judged(None, fence_along(setback=19 * 0.0254), easy).verdict == "does not comply"
    assert judged(None, None, pack_of(limit_of("setback", "min", 20, "in", certainty="memory"))).verdict == "on-site items open"


def test_same_input_same_findings():
    assert loop(ISPSC) == loop(ISPSC)
