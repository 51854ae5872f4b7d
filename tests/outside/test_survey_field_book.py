"""Traverses, intersections, resection, reduction: published field-book computations, to their printed digits.

Errata as noted beside the figures: of the loop traverse the page prints 276.479 for the adjusted length of CD (transposed, sqrt(192.340² + 198.635²) =
276.497); of the link traverse it prints a latitude misclosure of +0.555 for +0.055.
"""

from __future__ import annotations

import math
import re

import pytest

from pipeline.errors import SurveyError
from pipeline.survey.adjustment import adjusted
from pipeline.survey.cogo import area_by_coordinates, compass_rule, join, polar, rays_meet, resection
from pipeline.survey.network import Network, NetworkPoint, Observation
from pipeline.survey.reduction import air_correction, curvature, instrument_height, level_and_rise, refraction, straight_zenith
from pipeline.survey.tape_placing import circles_meet

MAHUN = "J. Mahun, Open Access Surveying Library"


def bearing(text: str) -> float:
    """``S 68-05-35 W`` as an azimuth [rad]."""
    ns, numbers, ew = re.match(r"([NS]) ([\d.-]+) ([EW])", text).groups()
    parts = [float(part) for part in numbers.split("-")] + [0.0, 0.0]
    angle = math.radians(parts[0] + parts[1] / 60 + parts[2] / 3600)
    return {"NE": angle, "SE": math.pi - angle, "SW": math.pi + angle, "NW": -angle}[ns + ew] % (2 * math.pi)


def azimuth(text: str) -> float:
    degrees, minutes, seconds = (float(part) for part in text.split("-"))
    return math.radians(degrees + minutes / 60 + seconds / 3600)


def page_courses(courses):
    """(bearing, distance) as the page goes on with them: latitude and departure rounded to three decimals, turned into (azimuth, distance) again."""
    rounded = [(round(d * math.sin(bearing(b)), 3), round(d * math.cos(bearing(b)), 3)) for b, d in courses]
    return [(turn, length) for length, turn in (join((0.0, 0.0), step) for step in rounded)]


def in_seconds(azimuth):
    """An azimuth in seconds to one decimal."""
    return round(math.degrees(azimuth) % 360 * 3600, 1)


def printed(values, decimals):
    return tuple(tuple(round(v, decimals) + 0.0 for v in row) for row in values)


LOOP = [("S 68-05-35 W", 472.68), ("N 19-46-00 W", 216.13), ("N 45-55-20 E", 276.52), ("S 54-59-15 E", 382.24)]
LOOP_BEARINGS = ("S 68-05-27.4 W", "N 19-46-14.9 W", "N 45-55-20.7 E", "S 54-58-58.0 E")
LOOP_CORNERS = ((2000.000, 500.000), (1561.426, 323.614), (1488.321, 526.996), (1686.956, 719.336))


@pytest.mark.outside(
    source=f"{MAHUN}, Traverse Computations E-I",
    compares="loop traverse: lat, dep, closure, adjusted courses, lengths, bearings",
    tolerance="every printed digit, errata as noted",
)
def test_loop_traverse_as_on_the_page():
    """With the page's own rounding of latitudes and departures to three decimals; it prints 198.635 for the adjusted departure of CD, which is 198.6356."""
    azimuths = [bearing(b) for b, _ in LOOP]
    plain = [(d * math.cos(turn), d * math.sin(turn)) for turn, (_, d) in zip(azimuths, LOOP, strict=True)]
    assert printed(plain, 3) == ((-176.357, -438.548), (203.395, -73.093), (192.357, 198.651), (-219.312, 313.065))
    found = compass_rule((2000.0, 500.0), page_courses(LOOP))
    assert round(found.length, 2) == 1347.57
    assert printed([found.misclosure], 3) == ((0.083, 0.075),)
    # the page adds the courses' printed corrections: CD's departure is 198.6356, printed 198.635
    assert printed(found.courses, 3) == ((-176.386, -438.574), (203.382, -73.105), (192.340, 198.636), (-219.336, 313.044))
    on_page = [(-438.574, -176.386), (-73.105, 203.382), (198.635, 192.340), (313.044, -219.336)]
    lines = [join((0.0, 0.0), course) for course in on_page]
    assert [round(length, 3) for length, _ in lines] == [472.715, 216.122, 276.497, 382.237]
    quadrant = [abs(math.remainder(turn, math.pi)) for _, turn in lines]
    tenths = [math.floor(math.degrees(angle) * 36000) for angle in quadrant]  # the page cuts its seconds off: 27.457 is printed 27.4
    assert tenths == [round(math.degrees(abs(math.remainder(bearing(b), math.pi))) * 36000) for b in LOOP_BEARINGS]


@pytest.mark.outside(
    source=f"{MAHUN}, Traverse Computations E-I", compares="loop traverse unrounded: closure, coordinates, inverse, area", tolerance="printed digits"
)
def test_loop_traverse():
    found = compass_rule((2000.0, 500.0), [(bearing(b), d) for b, d in LOOP])
    assert round(found.closure, 3) == 0.111
    assert round(found.precision) == 12116
    assert printed(found.places[:4], 3) == LOOP_CORNERS
    distance, direction = join(*(LOOP_CORNERS[number] for number in (0, 2)))
    assert (round(distance, 2), round(in_seconds(direction))) == (512.39, in_seconds(bearing("N 86-58-48 W")))
    assert round(area_by_coordinates(found.places[:4]), 2) == 102935.71
    ahead = [*LOOP_CORNERS[1:], LOOP_CORNERS[0]]
    sums = [round(sum(a[i] * b[1 - i] for a, b in zip(LOOP_CORNERS, ahead, strict=True)), 1) for i in (0, 1)]
    assert sums == [3384174.1, 3590045.6]
    assert round((sums[1] - sums[0]) / 2, 2) == 102935.75  # the page halves the difference of its rounded sums
    assert area_by_coordinates(LOOP_CORNERS) == pytest.approx(102935.75, abs=0.05)


@pytest.mark.outside(source="Sample Traverse Computations (scribd 279716815)", compares="six courses, 4 decimals, area", tolerance="printed digits")
def test_six_course_traverse():
    courses = [
        ("N 5-30 E", 495.85),
        ("N 46-02 E", 850.62),
        ("S 67-38 E", 855.45),
        ("S 12-25 E", 1020.87),
        ("S 83-44 W", 1117.26),
        ("N 55-09 W", 660.08),
    ]
    found = compass_rule((0.0, 0.0), [(bearing(b), d) for b, d in courses])
    assert printed([(found.length, *found.misclosure, found.closure)], 4) == ((5000.13, 16.8171, 18.0737, 24.6876),)
    plain = [(d * math.cos(bearing(b)), d * math.sin(bearing(b))) for b, d in courses]
    assert printed(plain, 4) == (
        (493.5672, 47.5251), (590.5342, 612.2285), (-325.5265, 791.0924), (-996.9916, 219.5069), (-121.9557, -1110.5840), (377.1895, -541.6952),
    )  # fmt: skip
    corrections = [(after[0] - before[0], after[1] - before[1]) for before, after in zip(plain, found.courses, strict=True)]
    assert printed(corrections, 4) == (
        (-1.6677, -1.7923), (-2.8609, -3.0747), (-2.8772, -3.0922), (-3.4335, -3.6901), (-3.7577, -4.0385), (-2.2201, -2.3860),
    )  # fmt: skip
    assert printed(found.courses, 4) == (
        (491.8995, 45.7328), (587.6733, 609.1538), (-328.4036, 788.0003), (-1000.4252, 215.8168), (-125.7134, -1114.6225), (374.9694, -544.0812),
    )  # fmt: skip
    lengths = [round(math.hypot(*course), 4) for course in found.courses]
    assert lengths == [494.0208, 846.4208, 853.6940, 1023.4390, 1121.6894, 660.7771]
    assert round(area_by_coordinates(found.places[:6]), 4) == 1715250.0494


@pytest.mark.outside(source=f"{MAHUN}, Traverse Computations I", compares="link traverse between fixed points", tolerance="printed digits")
def test_link_traverse():
    """The page's latitude misclosure of +0.555 is a typing error for +0.055."""
    courses = [("S 56-23-38 E", 398.75), ("S 75-17-42 W", 422.89), ("N 43-05-47 E", 604.49)]
    plain = [(d * math.cos(bearing(b)), d * math.sin(bearing(b))) for b, d in courses]
    assert printed(plain, 3) == ((-220.700, 332.104), (-107.347, -409.038), (441.402, 413.004))
    on_page = compass_rule((1391.670, 2600.480), page_courses(courses), (1727.810, 2713.780))
    assert printed([on_page.misclosure], 3) == ((0.055, -0.070),)
    assert round(on_page.length, 2) == 1426.13
    found = compass_rule((1391.670, 2600.480), [(bearing(b), d) for b, d in courses], (1727.810, 2713.780))
    assert printed(found.places[1:], 3)[-1] == (1727.810, 2713.780)
    assert printed(on_page.places[1:], 3) == ((1723.794, 2379.765), (1314.776, 2272.401), (1727.810, 2713.780))
    place, walked = (1391.670, 2600.480), []
    for turn, distance in page_courses(courses):
        place = polar(place, turn, distance)
        walked.append(place)
    assert printed(walked, 3) == ((1723.774, 2379.780), (1314.736, 2272.433), (1727.740, 2713.835))


@pytest.mark.outside(source=f"{MAHUN}, COGO", compares="direction-direction and distance-distance intersections, inverse", tolerance="printed digits")
def test_intersections():
    """The page joins its printed coordinates: 573.754 and 1053.642, which are 573.7547 and 1053.6427 from the unrounded ones."""
    first = (2000.0, 1000.0)
    second = polar(first, azimuth("200-00-00"), 552.360)
    assert printed([second], 3) == ((1811.082, 480.951),)
    from_printed = (1811.082, 480.951)
    left_there = rays_meet(first, azimuth("253-26-15"), from_printed, azimuth("314-33-26"))
    front_there = rays_meet(first, azimuth("140-54-25"), from_printed, azimuth("91-34-08"))
    assert printed([left_there, front_there], 3) == ((1450.051, 836.445), (2435.613, 463.846))
    assert printed([left_there, front_there], 4) == ((1450.0508, 836.4449), (2435.6129, 463.8456))
    corners = ((1450.051, 836.445), (2435.613, 463.846))
    assert [round(join(first, corner)[0], 3) for corner in corners] == [573.754, 690.811]
    assert [round(join(first, corner)[0], 4) for corner in (left_there, front_there)] == [573.7547, 690.8112]
    assert [round(join(from_printed, corner)[0], 3) for corner in corners] == [506.675, 624.765]
    assert (round(join(*corners)[0], 3), round(join(left_there, front_there)[0], 4)) == (1053.642, 1053.6427)
    for place, near, far in ((left_there, 573.754, 506.675), (front_there, 690.811, 624.765)):
        # three decimals of the distances leave a millimetre of the foot in the place they meet at
        assert min(math.dist(other, place) for other in circles_meet(first, near, from_printed, far)) < 1e-3


@pytest.mark.outside(source=f"{MAHUN}, COGO ch. B", compares="intersection of two azimuths, and back by distances", tolerance="printed digits")
def test_second_intersection_and_its_mirror_image():
    left, middle = (2255.90, 614.80), (2517.03, 791.53)
    place = rays_meet(left, azimuth("117-22-40"), middle, azimuth("198-10-30"))
    assert printed([place], 3) == ((2429.496, 524.902),)
    assert (round(join(left, place)[0], 3), round(join(middle, place)[0], 3)) == (195.492, 280.629)
    assert min(math.dist(other, place) for other in circles_meet(left, 195.492, middle, 280.629)) < 1e-3


@pytest.mark.outside(source="GeodePy tests (Geoscience Australia)", compares="joins: distance and bearing", tolerance="printed digits")
def test_joins():
    cases = [
        ((500, 500), (460.529, 493.218), 40.049, 260.2505),
        ((500, 500), (458.129, 515.419), 44.620, 290.2162),
        ((562.677, 548.598), (580.905, 569.481), 27.719, 41.1165),
        ((582.510, 488.332), (585.996, 463.264), 25.309, 172.0831),
    ]
    for start, end, distance, turn in cases:
        found = join(start, end)
        assert (round(found[0], 3), round(math.degrees(found[1]), 4)) == (distance, turn)


@pytest.mark.outside(source="US Navy Engineering Aid 14071, fig. 7-24 to 7-27", compares="area by coordinates", tolerance="printed digits")
def test_area_by_coordinates():
    assert area_by_coordinates([(0, 591.64), (125.66, 847.60), (716.31, 694.07), (523.62, 0)]) == pytest.approx(323953.70, abs=0.005)


@pytest.mark.outside(source="PyGeodesy trilaterate2d2", compares="two circles", tolerance="1e-12")
def test_trilateration_toy():
    assert min(math.dist(place, (3, 4)) for place in circles_meet((0, 0), 5, (6, 0), 5)) < 1e-12


@pytest.mark.outside(
    source="Ferris State Univ., Three Point Resection Problem (PyGeodesy tests)",
    compares="resection from two angles, the marks' triangle",
    tolerance="printed digits",
)
@pytest.mark.parametrize(("first", "second", "place"), [(109.5125, 115.0889, (2128.3903, 5578.1443)), (109.3, 115.1, (2129.3018, 5575.8016))])
def test_three_point_resection(first, second, place):
    marks = [(1000.0, 5300.0), (2200.0, 6300.0), (3100.0, 5000.0)]
    directions = [1.0, 1.0 + math.radians(first), 1.0 + math.radians(first + second)]
    assert printed([resection(marks, directions)], 4) == (place,)
    sides = [math.dist(marks[a], marks[b]) for a, b in ((1, 2), (0, 2), (0, 1))]
    assert [round(side, 4) for side in sides] == [1581.1388, 2121.3203, 1562.0499]
    angles = [_corner(marks, number) for number in range(3)]
    assert [round(math.degrees(angle), 4) for angle in angles] == [47.9357, 84.8896, 47.1747]


def _corner(marks, number):
    """The angle at one of three marks."""
    back, ahead = (join(marks[number], marks[other])[1] for other in range(3) if other != number)
    return abs(math.remainder(ahead - back, 2 * math.pi))


@pytest.mark.outside(source="the danger circle, by construction", compares="refused, and names setup and marks", tolerance="exact")
def test_danger_circle_is_refused():
    marks = [polar((100.0, 50.0), math.radians(angle), 40.0) for angle in (10, 100, 220)]
    setup = polar((100.0, 50.0), math.radians(300), 40.0)
    with pytest.raises(SurveyError) as refused:
        resection(marks, [join(setup, mark)[1] for mark in marks], "S3", ["A", "B", "C"])
    assert refused.value.reasons[0].ref == "danger-circle"
    assert "S3" in refused.value.reasons[0].what and "A, B, C" in refused.value.reasons[0].what


VA_CONV = [
    (92.24305556, 2116.254, 0, 0, 2116.254, 2114.6325, -82.82744),
    (83.18694444, 145.145, 1.62, 0.05, 145.33961, 144.12006, 18.78858),
    (1.25, 12.23, 2.05, 0, 14.27958, 0.266796, 14.277089),
]


@pytest.mark.outside(
    source="GeodePy va_conv (stored)", compares="slope to level, rise, slope from ground point to ground point", tolerance="stored digits"
)
@pytest.mark.parametrize(("zenith", "slope", "hi", "ht", "from_ground", "level", "rise"), VA_CONV)
def test_slope_reduction(zenith, slope, hi, ht, from_ground, level, rise):
    """The source compares at five decimals; its 14.277089 is cut off from 14.2770896."""
    found = level_and_rise(slope, math.radians(zenith), hi, ht)
    assert (round(found[0], 5), round(found[1], 5)) == (round(level, 5), round(rise, 5))
    assert round(math.hypot(*found), 5) == from_ground


@pytest.mark.outside(
    source="GeodePy va_conv (stored), face 2", compares="level distance and rise, under the source's circle and under ours", tolerance="stored digits"
)
def test_slope_reduction_on_face_two():
    """The source's va_conv takes 270° less the reading for the angle of elevation on face 2: a circle that reads 180° more than on face 1.

    Read so, its answers come out to the digit.  The circles of total stations run on instead, so that both faces add to 360°; the same source's
    changeface goes by that, and so does this project.  The reading of 264.704° is then 95.296° on face 1, below the horizon.
    """
    reading = 264.70444444
    level, rise = level_and_rise(3.25, math.radians(reading - 180), 1.4)
    assert (round(level, 5), round(rise, 5), round(math.hypot(level, rise), 5)) == (3.23613, 1.69995, 3.65546)
    ours = level_and_rise(3.25, math.radians(reading), 1.4)
    assert (round(ours[0], 5), round(ours[1], 5)) == (3.23613, round(2 * 1.4 - 1.69995, 5))
    assert ours == pytest.approx(level_and_rise(3.25, math.radians(360 - reading), 1.4), abs=1e-12)


@pytest.mark.outside(source="GeodePy first velocity correction (stored)", compares="distance through air, two instruments", tolerance="stored digits")
def test_air_correction():
    assert round(1117.8517 * (1 + air_correction(6.8, 960.8, 0.586, 281.783, 79.393)), 4) == 1117.8624
    correction = 145.265 * air_correction(26, 1010.8, 0.37, 286.3433, 80.6752)
    assert (round(correction, 7), round(145.265 + round(correction, 7), 7)) == (0.0020656, 145.2670656)


CURVATURE = [
    (500, 0.005979, 0.000837, 0.005142),
    (1000, 0.023917, 0.003348, 0.020568),
    (2000, 0.095666, 0.013393, 0.082273),
    (5000, 0.597914, 0.083708, 0.514206),
    (10000, 2.391658, 0.334832, 2.056826),
]


@pytest.mark.outside(source="Wolf & Ghilani ch. 4, course notes", compares="curvature and refraction, 500 to 10,000 ft", tolerance="printed digits")
@pytest.mark.parametrize(("feet", "c", "r", "net"), CURVATURE)
def test_curvature_and_refraction_table(feet, c, r, net):
    bent, seen = curvature(feet, 20_906_000), refraction(feet, 0.14, 20_906_000)
    assert (round(bent, 6), round(seen, 6), round(bent - seen, 6)) == (c, r, net)


@pytest.mark.outside(source="first principles", compares="sign of curvature and refraction", tolerance="1e-6 m over 60 m")
def test_a_far_target_is_higher_than_it_looks():
    level, _ = level_and_rise(60.0, math.radians(90))
    _, rise = level_and_rise(60.0, straight_zenith(math.radians(90), level))
    assert rise == pytest.approx(0.87 * 60.0**2 / (2 * 6_371_000), abs=1e-6)
    assert rise > 0


@pytest.mark.outside(source="GeodePy tutorial (stored)", compares="corrected slope distance to level and rise", tolerance="stored digits")
def test_tutorial_reduction():
    level, rise = level_and_rise(145.2670656, math.radians(91.15678))
    assert (round(level, 7), math.trunc(rise * 1e7) / 1e7) == (145.2374597, -2.9326875)  # the rise is cut off there, from -2.93268757


STAFF = [99.50920833333333, 95.67597222222223, 91.80145833333333, 87.90518055555556]


@pytest.mark.outside(
    source="GeodePy precise_inst_ht (stored)", compares="height of instrument from zenith angles to staff marks", tolerance="stored digits"
)
@pytest.mark.parametrize(("count", "height", "spread"), [(4, 1.78458, 0.00083), (3, 1.78441, 0.00109)])
def test_height_of_instrument_from_staff_marks(count, height, spread):
    found = instrument_height([math.radians(zenith) for zenith in STAFF[:count]], [0.8 + 0.4 * n for n in range(count)])
    assert (round(found[0], 5), round(found[1], 5)) == (height, spread)


@pytest.mark.outside(
    source="GeodePy precise_inst_ht (stored): 1.78458 ± 0.00083", compares="one adjustment of all four angles", tolerance="the source's own ±"
)
def test_height_of_instrument_by_adjustment():
    """All angles at once weigh the marks otherwise than a mean of neighbouring pairs: 1.78485, a third of the pairs' spread away."""
    points = [NetworkPoint(name=f"s{n}", east=0, north=0, up=0.8 + 0.4 * n, held="ENU") for n in range(4)]
    sights = [Observation(kind="zenith", at="I", to=f"s{n}", value=math.radians(z), sigma=math.radians(5 / 3600)) for n, z in enumerate(STAFF)]
    found = adjusted(Network(points=(*points, NetworkPoint(name="I", east=6, north=0, up=1.7, held="N")), observations=tuple(sights)))
    assert found.place("I")[2] == pytest.approx(1.78458, abs=0.00083)
