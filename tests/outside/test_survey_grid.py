"""Grid to ground and State Plane zones: the NGS conversion tool's expected answers (public domain)."""

from __future__ import annotations

import csv
import math

import pytest

from pipeline.survey.grid import elevation_factor, grid_point

NGS = "NGS NCAT expected_trans"
SEVENTEEN = {
    "26958": (28, -80.75, 406234.170874, 224589.064445, 0.11736848, 0.99994864),
    "26959": (29, -82.25, 517055.806872, 175641.664608, -0.12120300, 0.99994850),
    "26960": (29.5, -83, 56381.086871, 745447.523457, 0.75378885, 1.00001575),
    "26941": (41, -124, 686982.620143, 1831761.273531, -1.30776861, 0.99989876),
    "26942": (39, -123, 648483.594652, 1913382.641469, -0.63046834, 0.99991576),
    "26943": (38, -121, 666590.072288, 1956086.675408, -0.30611602, 0.99993859),
    "26944": (37, -119, 684938.262329, 2000000.000000, 0.0, 0.99996202),
    "26945": (34, -118.25, 555491.909481, 1976903.656598, -0.14250297, 1.00000739),
    "26946": (34, -117, 703578.054049, 1930710.513013, -0.41213818, 1.00002158),
    "26948": (32, -110, 110879.159969, 229107.291898, 0.08832006, 0.99990306),
    "26949": (36, -112, 554516.101436, 205847.109886, -0.04898213, 0.99990070),
    "26950": (34, -114, 332693.114442, 190265.315535, -0.13979884, 0.99993991),
    "32137": (35, -101.25, 1110965.930224, 222820.587349, 0.14488397, 0.99993731),
    "32138": (34, -103, 2267659.655341, 184391.650193, -2.45427486, 1.00000947),
    "32139": (30, -97.5, 3040434.588407, 973357.308449, 1.45933350, 1.00003319),
    "32140": (28.5, -97.75, 4074540.946319, 722373.964161, 0.61239078, 0.99996856),
    "32141": (27, -98, 5147820.216717, 349622.094198, 0.22700342, 0.99989479),
}  # EPSG: latitude, longitude [deg], N, E [m], convergence [deg], scale


SERIES = 0.00035  # [m] NGS' own series and definitions (1 : 17,000) against PROJ's and the register's nine digits; 3 parts in 1e10 of a northing


def metres_apart(found, latitude, longitude):
    """How far a place lies from given latitude and longitude [m]."""
    east = math.radians(found.longitude - longitude) * math.cos(math.radians(latitude)) * 6_378_137
    return math.hypot(east, math.radians(found.latitude - latitude) * 6_378_137)


@pytest.mark.outside(source=NGS, compares="17 State Plane zones: place, scale, convergence", tolerance="0.35 mm as noted, last printed digit")
@pytest.mark.parametrize("zone", sorted(SEVENTEEN))
def test_state_plane_zones(zone):
    latitude, longitude, north, east, convergence, scale = SEVENTEEN[zone]
    found = grid_point(f"EPSG:{zone}", east, north)
    assert metres_apart(found, latitude, longitude) < SERIES
    assert found.scale == pytest.approx(scale, abs=5.1e-9)
    assert math.degrees(found.convergence) == pytest.approx(convergence, abs=5.1e-9)


@pytest.mark.outside(source=NGS, compares="every zone of the file that has an EPSG code", tolerance="0.35 mm as noted, last printed digit")
def test_all_stored_zones(checks_folder):
    with (checks_folder / "stateplane" / "ncat_nad83_all_zones.csv").open(encoding="utf-8") as file:
        rows = [row for row in csv.DictReader(file) if row["epsg_metre"]]
    assert len(rows) >= 17
    for row in rows:
        found = grid_point(f"EPSG:{row['epsg_metre'].removeprefix('EPSG:')}", float(row["easting_m"]), float(row["northing_m"]))
        assert metres_apart(found, float(row["lat_deg"]), float(row["lon_deg"])) < SERIES
        assert found.scale == pytest.approx(float(row["scale_factor"]), abs=5.1e-9)


FIFTEEN_THOUSANDTH = (1 - 1 / 15000) / 0.999933333  # Missouri's zones are defined by 1 : 15,000; the EPSG register writes nine digits
NCAT = {
    "32129": (407886.482, 76470.584, 1.0, 0.99999024, 0.99997455),
    "26917": (585360.462, 4428236.065, 1.0, 0.99968970, 0.99967402),
    "26997": (503626.812, 173099.419, FIFTEEN_THOUSANDTH, 0.99993350, 0.99991781),
}  # zone: E, N [m], scale of the zone's definition over the register's, scale factor and combined factor as printed


@pytest.mark.outside(source="NGS NCAT library, samples at 100 m", compares="scale factor, combined factor", tolerance="printed digits")
@pytest.mark.parametrize("zone", sorted(NCAT))
def test_combined_factor(zone):
    """The tool hands its scale factor on as a text of eight decimals, and multiplies that by the elevation factor: so are its printed digits reproduced.

    From unrounded factors the last digit differs: 0.999974557 and 0.999917804.
    """
    east, north, defined, scale, combined = NCAT[zone]
    found = grid_point(f"EPSG:{zone}", east, north)
    raised = elevation_factor(found.mean_radius, 100.0)
    assert round(found.scale * defined, 8) == scale
    assert round(scale * raised, 8) == combined
    assert found.scale * raised == pytest.approx(combined, abs=1.1e-8)


@pytest.mark.outside(source="NGS NCAT library, sample", compares="convergence", tolerance="printed digits")
def test_convergence():
    found = grid_point("EPSG:32129", 407886.482, 76470.584)
    assert round(math.degrees(found.convergence) * 3600, 2) == -(1 * 3600 + 27 * 60 + 35.22)


@pytest.mark.outside(
    source="POB, State Plane vs surface coordinates 8 (New Mexico)", compares="latitude and longitude of two marks, scale", tolerance="0.00001 s"
)
def test_new_mexico_marks():
    bromilow = grid_point("EPSG:32113", 452489.852, 142158.262)
    assert bromilow.latitude == pytest.approx(32 + 16 / 60 + 52.33969 / 3600, abs=1e-8)
    assert bromilow.longitude == pytest.approx(-(106 + 45 / 60 + 15.77636 / 3600), abs=1.2e-8)
    assert bromilow.scale == pytest.approx(0.99992781, abs=6e-8)


@pytest.mark.outside(
    source="USGS program l176 (PROJ test data), US survey feet", compares="latitude and longitude of State Plane places", tolerance="0.0006 ft"
)
@pytest.mark.parametrize(
    ("zone", "longitude", "latitude", "east", "north"),
    [
        ("2227", -(121 + 22 / 60 + 26.019 / 3600), 37 + 30 / 60 + 30.324 / 3600, 6308189.835, 2008776.145),
        ("2238", -(82 + 45 / 60 + 52.412 / 3600), 29 + 39 / 60 + 6.589 / 3600, 2519743.236, 241248.726),
        ("2275", -(100 + 33 / 60 + 6.303 / 3600), 34 + 39 / 60 + 35.684 / 3600, 941333.504, 3522390.511),
    ],
)
def test_usgs_places(zone, longitude, latitude, east, north):
    found = grid_point(f"EPSG:{zone}", east * 1200 / 3937, north * 1200 / 3937)
    foot = math.degrees(0.3048 / 6_371_000)
    assert found.latitude == pytest.approx(latitude, abs=0.0006 * foot + 0.0005 / 3600 / 2)  # the printed seconds have three decimals
    assert found.longitude == pytest.approx(longitude, abs=0.0008 * foot + 0.0005 / 3600 / 2)


@pytest.mark.outside(source="EPSG Guidance Note 7-2", compares="Texas South Central 1927 and the British grid", tolerance="0.01 ft, 0.01 m")
@pytest.mark.parametrize(
    ("zone", "east", "north", "latitude", "longitude"),
    [("32040", 2963503.91 * 1200 / 3937, 254759.80 * 1200 / 3937, 28.5, -96.0), ("27700", 577274.99, 69740.50, 50.5, 0.5)],
)
def test_epsg_examples(zone, east, north, latitude, longitude):
    found = grid_point(f"EPSG:{zone}", east, north)
    assert (found.latitude, found.longitude) == pytest.approx((latitude, longitude), abs=1.5e-7)
