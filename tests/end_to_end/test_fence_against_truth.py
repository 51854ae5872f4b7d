"""The finished packages against the sites as they truly are: everything is computed from the files a crew gets.

Tolerances: setback - 10 mm, 36 in +- 1/4 in, +- 1 mm on straights, joints 3 in +- 1 mm, ends 1-1/2 in +- 1/16 in (what the job was
asked to hold); tables print tenths of a millimetre, hence PRINTED.
"""

from __future__ import annotations

import itertools
import math

import numpy as np
import pytest
from shapely.geometry import LineString, Point, Polygon

from pipeline.geometry.chain import polyline
from tests.end_to_end.outputs import chords, fitted_frame, holes, line_in_truth, neighbours, status, surveyed, table, to_job, true_waters, turn
from tests.truth.distances import chord_to_chain, point_to_chain
from tests.truth.outlines import moved_point
from tests.truth.sites import INCH, TrueSite, all_sites

SITES = {site.name: site for site in all_sites()}
BUILT = sorted(name for name, site in SITES.items() if site.expected != "held")
SLACK = 0.010  # [m] allowed on the setback against the true edge
PRINTED = 0.00015  # [m] two places rounded to 0.1 mm
SPACING, GIVE, JOINT, END = 36 * INCH, INCH / 4, 3 * INCH, 1.5 * INCH
EXACT = 0.001  # [m]
STRAIGHT = math.radians(0.05)  # no chord of a curve anyone would call one turns less
FELT = math.radians(8)  # a bend that every crew would lean a post for
EDGE_NOISE = 0.006  # [m] what a fitted line of 3 mm shots may be off where it has few


@pytest.fixture(params=BUILT)
def site(request) -> TrueSite:
    return SITES[request.param]


@pytest.fixture
def job(night, site):
    """The job's folder; a sample that may be held or mended is only looked at when it was mended."""
    place = night.job(site.name)
    if site.expected == "held or warned" and status(place)["state"] == "held":
        pytest.skip(f"{site.name} was held, as it may be")
    assert status(place)["state"] == "complete", status(place)["reasons"]
    return place


def closed(site) -> bool:
    return site.ends == "loop"


def test_the_fabric_is_nowhere_too_near_to_the_true_water(site, job):
    waters, places = true_waters(site, job), line_in_truth(site, job)
    spans = chords(holes(job), closed(site))
    nearest = min(chord_to_chain(places[one.name], places[other.name], water) for one, other in spans for water in waters)
    assert len(spans) > 10
    assert nearest >= site.setback - SLACK


def test_the_fence_is_no_farther_off_than_it_needs_to_be(site, job):
    """Beside straight water the fabric stands at the setback: the fence wastes no deck (10 mm, as for nearness)."""
    waters, places = true_waters(site, job), line_in_truth(site, job)
    spans = [min(chord_to_chain(places[one.name], places[other.name], water) for water in waters) for one, other in chords(holes(job), closed(site))]
    assert np.percentile(spans, 25) <= site.setback + SLACK


def test_stock_panels_keep_their_spacing(site, job):
    line = holes(job)
    stock = {row["panel"] for row in table(job / "package" / "panels.csv") if row["kind"] == "stock"}
    for one, other in chords(line, closed(site)):
        if one.carries in stock:
            assert abs(math.dist(one.place, other.place) - SPACING) <= GIVE + PRINTED, (one.name, other.name)


def test_on_straights_the_spacing_is_exact(site, job):
    """Straight: the fabric turns neither at the two posts nor at the ones beside them."""
    line = holes(job)
    stock = {row["panel"] for row in table(job / "package" / "panels.csv") if row["kind"] == "stock"}
    ring = neighbours(line, closed(site))
    seen = 0
    for index, (one, other) in enumerate(ring):
        before = ring[index - 1][0] if index or closed(site) else None
        after = ring[(index + 1) % len(ring)][1] if index + 1 < len(ring) or closed(site) else None
        if one.carries != other.carries or one.carries not in stock or before is None or after is None:
            continue
        if max(abs(turn(before.place, one.place, other.place)), abs(turn(one.place, other.place, after.place))) > STRAIGHT:
            continue
        seen += 1
        assert abs(math.dist(one.place, other.place) - SPACING) <= EXACT, (one.name, other.name)
    assert seen > 0 or site.name == "03-freeform"


def test_panels_meet_three_inches_apart(site, job):
    for one, other in neighbours(holes(job), closed(site)):
        if one.carries != other.carries:
            assert math.dist(one.place, other.place) == pytest.approx(JOINT, abs=EXACT), (one.name, other.name)


def test_the_tape_reads_what_the_table_says(site, job):
    """to_next_mm is the straight distance between the places in the same table (0.1 mm in each figure)."""
    line = holes(job)
    for one, other in neighbours(line, closed(site)):
        assert one.metres("to_next_mm") == pytest.approx(math.dist(one.place, other.place), abs=0.0002), one.name


def test_a_loop_closes_and_an_open_line_ends(site, job):
    line = holes(job)
    if closed(site):
        assert line[-1].metres("to_next_mm") == pytest.approx(math.dist(line[-1].place, line[0].place), abs=0.0002)
    else:
        assert line[-1].row["to_next_mm"] == ""


def test_ends_stand_an_inch_and_a_half_from_the_wall(night):
    """Against the wall as shot (a straight line through its face's shots) 1/16 in; against the true wall the shots' noise more."""
    site = SITES["05-house-wall"]
    job = night.job(site.name)
    line = holes(job)
    (true_wall,) = site.lines["WALL"]
    found = surveyed(job)
    face = [found[shot.number] for shot in site.shots if shot.description == "WALL"]
    centre = np.mean(face, axis=0)
    normal = np.linalg.svd(np.asarray(face) - centre)[2][1]
    for hole in (line[0], line[-1]):
        assert abs(float(normal @ (np.asarray(hole.place) - centre))) == pytest.approx(END, abs=INCH / 16)
        assert point_to_chain(hole.place, true_wall) == pytest.approx(END, abs=INCH / 16 + EDGE_NOISE)
        assert hole.role == "end"


def test_the_fence_goes_round_the_true_water(site, job):
    """Water on the left: the holes run counter-clockwise; an open line is closed along its wall."""
    places = line_in_truth(site, job)
    ring = Polygon([places[hole.name] for hole in holes(job)])
    assert ring.is_valid
    assert ring.exterior.is_ccw
    for water in true_waters(site, job):
        outside = Polygon(water.densified(0.001)).difference(ring)
        # beside a wall nearer than the setback the straight line between the ends leaves nothing out either
        assert outside.area < 1e-9


def test_no_hole_meets_what_lies_in_the_deck(site, job):
    """Hole edge to joint or drain 3 in, centre to a pipe 12 in, by the default shop; less what the shots' noise may hide."""
    bore = 1.5 * INCH
    apart = {"JOINT": 3 * INCH + bore / 2, "DRAIN": 3 * INCH + bore / 2, "UTILITY": 12 * INCH}
    places = line_in_truth(site, job)
    for code, least in apart.items():
        for line in site.lines.get(code, ()):
            near = min(point_to_chain(place, to_job(site, job, line)) for place in places.values())
            assert near >= least - EDGE_NOISE, code


def test_every_hole_stands_on_the_deck(site, job):
    """Inside the deck's true outer edge, by the shop's edge distance (3 in from the hole's edge); beside a house it closes along the wall."""
    places = line_in_truth(site, job)
    corners = [shot.true[:2] for shot in site.shots if shot.description.split()[0] == "DECK"]
    deck = Polygon(to_job(site, job, polyline(corners, closed=True)).vertices)
    for name, place in places.items():
        near_wall = any(point_to_chain(place, wall) < 4 * INCH for wall in site.lines.get("WALL", ()))
        assert deck.contains(Point(place)), name
        assert near_wall or deck.exterior.distance(Point(place)) >= 3.75 * INCH - EDGE_NOISE, name


def test_posts_lean_away_from_the_pull(site, job):
    """Away from the pool where the line bends outward, toward it where it bends inward, 2 to 3 degrees where the bend is felt.

    Two posts that meet at a joint are latched to each other and lean alike, for the bend of both together.  On a gentle bend
    the lean fades to plumb; it never leans against its own bend.
    """
    line = holes(job)
    ring = line if not closed(site) else [line[-1], *line, line[0]]
    bends = {here.name: turn(before.place, here.place, after.place) for before, here, after in zip(ring, ring[1:], ring[2:], strict=False)}
    mates = {}
    for one, other in neighbours(line, closed(site)):
        if one.carries != other.carries:
            mates[one.name], mates[other.name] = other.name, one.name
    for here in line:
        lean, toward = float(here.row["lean_deg"]), here.row["lean_toward"]
        assert (toward == "plumb") == (lean == 0.0), here.name
        assert 0.0 <= lean <= 3.0, here.name
        if here.name not in bends:
            continue
        assert math.radians(float(here.row["turn_deg"])) == pytest.approx(bends[here.name], abs=math.radians(0.15)), here.name
        bend = bends[here.name] + bends.get(mates.get(here.name, ""), 0.0)
        if abs(bend) > FELT:
            assert lean >= 2.0, here.name
        if abs(bend) > 2 * STRAIGHT:
            assert toward in {"plumb", "away" if bend > 0 else "pool"}, here.name


def test_posts_far_from_any_bend_stand_plumb(site, job):
    line = holes(job)
    ring = line if not closed(site) else [line[-2], line[-1], *line, line[0], line[1]]
    for five in zip(ring, ring[1:], ring[2:], ring[3:], ring[4:], strict=False):
        bends = [abs(turn(*(hole.place for hole in three))) for three in (five[:3], five[1:4], five[2:])]
        if max(bends) < STRAIGHT:
            assert five[2].row["lean_toward"] == "plumb", five[2].name


def test_the_fence_crosses_every_riser_square_between_two_holes(night):
    """Holes 1-1/2 in from both edges of each riser, measured along the line; every tread crossed has a panel of its own."""
    site = SITES["06-three-risers"]
    job = night.job(site.name)
    ring = neighbours(holes(job), True)
    crossed = []
    for nosing, _ in site.risers:
        edge = LineString(nosing.vertices)
        (pair,) = [(one, other) for one, other in ring if LineString([one.place, other.place]).intersects(edge)]
        one, other = pair
        assert one.carries != other.carries
        for hole in pair:
            assert edge.distance(Point(hole.place)) == pytest.approx(END, abs=INCH / 16 + EDGE_NOISE), hole.name
        crossed.append(ring.index(pair))
    panels = {tuple(sorted(hole.carries for hole in ring[index])) for index in crossed}
    assert len(panels) == 6
    rows = {row["panel"]: row for row in table(job / "package" / "panels.csv")}
    crossed.sort()
    treads = [(a, (b - a) % len(ring)) for a, b in itertools.pairwise([*crossed, crossed[0]]) if (b - a) % len(ring) < 4]
    assert len(treads) == 4
    for a, posts in treads:
        assert {ring[(a + step) % len(ring)][0].carries for step in range(1, posts + 1)} == {ring[a][1].carries}
        assert int(rows[ring[a][1].carries]["posts"]) == posts


def test_heights_follow_the_true_deck(site, job):
    """Within 15 mm of the deck as it is: it falls away from the pool on all sides, the level surface is made of planes.

    The shape only where the height's zero is the survey's own: the median difference is taken off first.
    """
    places = line_in_truth(site, job)
    angle, east, north = fitted_frame(site, job) if site.frame == "free" else (0.0, 0.0, 0.0)
    off = []
    for hole in holes(job, pockets=True):
        place = places[hole.name]
        true = site.level(moved_point((place[0] - east, place[1] - north), -angle))
        off.append(hole.metres("elev_mm") - true)
    zero = 0.0 if site.frame in {"given", "grid"} else float(np.median(off))
    worst = max(range(len(off)), key=lambda index: abs(off[index] - zero))
    assert abs(off[worst] - zero) <= 0.015, (holes(job, pockets=True)[worst].name, off[worst] - zero)


def test_water_distances_are_true(site, job):
    places, waters = line_in_truth(site, job), true_waters(site, job)
    for hole in holes(job, pockets=True):
        true = min(point_to_chain(places[hole.name], water) for water in waters)
        assert hole.metres("water_mm") == pytest.approx(true, abs=SLACK), hole.name


def test_tape_ties_measure_to_the_marks(site, job):
    """Two ties each, to points of points.csv or to corners of a wall named in the package (1 mm)."""
    found = surveyed(job)
    scale = 1.0
    for hole in holes(job, pockets=True):
        for tie in ("tie_a", "tie_b"):
            mark = hole.row[tie]
            assert mark, hole.name
            if site.frame == "grid" or mark not in found:
                continue
            assert hole.metres(f"{tie}_mm") == pytest.approx(math.dist(hole.place, found[mark]) * scale, abs=EXACT), hole.name
