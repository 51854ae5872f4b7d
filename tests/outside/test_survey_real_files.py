"""Real survey files: every point accounted for; swapped or in another unit, they are refused with the right reason."""

from __future__ import annotations

import re

import pytest
from lxml import etree

from pipeline.intake.resolve import default_job
from pipeline.survey.answer import answer
from pipeline.survey.landxml_files import read_landxml
from pipeline.survey.point_files import read_points

TOPO = "charlotte_independence_park_topo0.asc"
CHARLOTTE = "City of Charlotte, Independence Park topographic survey, 1,311 points"


@pytest.fixture
def topo(checks_folder):
    return (checks_folder / "surveys" / TOPO).read_bytes()


def topo_job(**survey):
    return default_job("topo", survey={"crs": "EPSG:2264", "unit": "us-survey-foot", **survey})


@pytest.mark.outside(source=CHARLOTTE, compares="every point read, with its numbers", tolerance="exact")
def test_every_point_is_accounted_for(topo):
    found = answer(topo_job(), {TOPO: topo})
    lines = topo.decode().splitlines()
    assert len(found.survey.points) + len(found.survey.quarantined) == len(lines) == 1311
    assert [point.point for point in found.survey.points] == [line.split(",")[0] for line in lines]
    page = read_points(topo.decode(), TOPO, "us-survey-foot")
    assert [f"{point.north * 3937 / 1200:.5f}" for point in page.points] == [f"{float(line.split(',')[1]):.5f}" for line in lines]
    assert [reason.ref for reason in found.holds] == ["no-water"]
    assert abs(found.survey.frame.combined_factor - 0.99983) < 2e-4


@pytest.mark.outside(source=CHARLOTTE, compares="N and E swapped: refused as that", tolerance="exact")
def test_swapped_is_refused_as_swapped(topo):
    found = answer(topo_job(columns="PENZD"), {TOPO: topo})
    reasons = {reason.ref: reason for reason in found.holds}
    assert "swapped" in reasons
    assert 'columns = "PENZD" (or "PNEZD")' in reasons["swapped"].do


@pytest.mark.outside(source=CHARLOTTE, compares="unit mistaken: refused as that, and the right one named", tolerance="exact")
@pytest.mark.parametrize("unit", ["metre", "inch", "millimetre"])
def test_mistaken_unit_is_refused_as_unit(topo, unit):
    found = answer(topo_job(unit=unit), {TOPO: topo})
    reasons = {reason.ref: reason for reason in found.holds}
    assert 'unit = "us-survey-foot"' in reasons["unit"].do


@pytest.mark.outside(source=CHARLOTTE, compares="international for US survey feet: refused as that", tolerance="0.01 m of shift")
def test_the_other_foot_is_refused(topo):
    found = answer(topo_job(unit="foot"), {TOPO: topo})
    reasons = {reason.ref: reason for reason in found.holds}
    assert 'unit = "us-survey-foot"' in reasons["foot-kind"].do
    assert "0.95 m" in reasons["foot-kind"].why


@pytest.mark.outside(source=CHARLOTTE, compares="unit mistaken, no system named: refused as that by its extent", tolerance="exact")
@pytest.mark.parametrize(("unit", "likely"), [("metre", "foot"), ("millimetre", "foot")])
def test_mistaken_unit_is_refused_without_a_system(topo, unit, likely):
    """A site 560 m across: in metres three times too large, in millimetres no larger than a spa.  In inches (47 m) nothing but the codes could tell."""
    found = answer(default_job("topo", survey={"unit": unit}), {TOPO: topo})
    reasons = {reason.ref: reason for reason in found.holds}
    assert f"read as {unit}" in reasons["unit"].what
    assert f'unit = "{likely}"' in reasons["unit"].do


def test_the_real_survey_with_slips_of_the_pen(topo):
    """Header, tabs, carriage returns, trailing commas, blank lines, a duplicated number: still every point."""
    lines = topo.decode().splitlines()
    mangled = "Point\tNorthing\tEasting\tElevation\tDescription\r\n" + "\r\n\r\n".join(line.replace(",", "\t", 4) + ",,," for line in lines)
    page = read_points(mangled, "t.txt", "us-survey-foot")
    assert len(page.points) == 1311
    assert page.points[3].description == "TOPWALL"
    doubled = "\n".join([*lines, "700," + ",".join(lines[500].split(",")[1:])])
    found = answer(topo_job(), {TOPO: doubled.encode()})
    assert "number-twice" in {reason.ref for reason in found.holds}


@pytest.mark.outside(
    source="OSGeoLab, Pointor sample files", compares="BOM, alphanumeric numbers, semicolons, blank lines between records", tolerance="exact"
)
def test_other_real_point_files(checks_folder):
    folder = checks_folder / "surveys"
    listed = read_points((folder / "osgeolab_coo_list.csv").read_bytes().decode("utf-8-sig"), "c", "metre")
    assert (len(listed.points), listed.points[0].point, listed.quarantined) == (161, "base_1", ())
    spaced = read_points((folder / "pointor_penzd_sample.csv").read_text(), "c", "metre", "PENZD")
    assert [point.point for point in spaced.points] == ["1", "2", "3", "4", "5", "6", "7"]
    assert spaced.points[1].description == "SW 30 3N 1E BCHH"
    circle = read_points((folder / "osgeolab_circletest.txt").read_text(), "c", "metre", "EN")
    assert (len(circle.points), circle.points[0].east) == (16, 479.390)


@pytest.mark.outside(source="TotalOpenStation LandXML 1.2 export", compares="CgPoints in grads and metres", tolerance="exact")
def test_real_landxml(checks_folder):
    page = read_landxml((checks_folder / "surveys" / "tops_landxml12_rawobs.xml").read_bytes(), "t.xml", "foot", 1000)
    assert [(p.point, p.north, p.east, p.elev) for p in page.points] == [
        ("STAZLIB3", 519.659, 465.244, -0.588),
        ("STAZLIB4", 524.441, 445.069, 0.388),
    ]
    assert page.stated_unit == "metre"


@pytest.mark.outside(source="LandXML-1.2.xsd", compares="linear units of the schema are all known", tolerance="exact")
def test_every_linear_unit_of_the_schema_is_known(checks_folder):
    from pipeline.survey.landxml_files import LINEAR_UNITS

    tree = etree.parse(str(checks_folder / "schema" / "LandXML-1.2.xsd"))
    space = {"xs": "http://www.w3.org/2001/XMLSchema"}
    for system, kind in (("Metric", "metLinear"), ("Imperial", "impLinear")):
        values = tree.xpath(f"//xs:simpleType[@name='{kind}']//xs:enumeration/@value", namespaces=space)
        assert values, kind
        assert {unit for known, unit in LINEAR_UNITS if known == system} == set(values)


@pytest.mark.outside(source="LandXML-1.2.xsd", compares="the file the tests are made from is valid", tolerance="exact")
def test_our_own_landxml_is_valid(checks_folder):
    from tests.unit.survey.test_landxml_files import landxml

    schema = etree.XMLSchema(etree.parse(str(checks_folder / "schema" / "LandXML-1.2.xsd")))
    document = etree.fromstring(landxml().encode())
    assert schema.validate(document), schema.error_log
    assert re.search("LandXML-1.2", document.tag)


@pytest.mark.outside(source="LandXML-1.2.xsd", compares="what we call not valid is what the schema does", tolerance="exact")
@pytest.mark.parametrize(
    ("cut", "valid"),
    [
        ("", True),
        (' date="2026-11-24"', False),
        (' time="16:05:00"', False),
        (' version="1.2"', False),
        (' pressureUnit="inHG"', False),
        (' code="WATER B"', True),
    ],
)
def test_not_valid_is_said_where_the_schema_says_so(checks_folder, cut, valid):
    from tests.unit.survey.test_landxml_files import landxml

    text = landxml().replace(cut, "", 1)
    schema = etree.XMLSchema(etree.parse(str(checks_folder / "schema" / "LandXML-1.2.xsd")))
    assert schema.validate(etree.fromstring(text.encode())) == valid
    page = read_landxml(text.encode(), "p.xml", "foot", 100)
    assert len(page.points) == 2
    assert ("not-valid" not in {warning.ref for warning in page.warnings}) == valid
