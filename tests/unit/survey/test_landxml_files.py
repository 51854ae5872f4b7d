import pytest

from pipeline.errors import SurveyError
from pipeline.survey.landxml_files import LINEAR_UNITS, read_landxml

POINTS = '<CgPoint name="W1" code="WATER B">10 20 1.5</CgPoint><CgPoint name="W2" code="WATER" desc="by the ladder">11 20</CgPoint>'


def landxml(
    points=POINTS, units='<Imperial areaUnit="squareFoot" linearUnit="foot" volumeUnit="cubicYard" temperatureUnit="fahrenheit" pressureUnit="inHG"/>'
):
    """A LandXML 1.2 file of a few points."""
    return (
        '<LandXML xmlns="http://www.landxml.org/schema/LandXML-1.2" version="1.2" date="2026-11-24" time="16:05:00">'
        f'<Units>{units}</Units><Application name="own"/><CgPoints>{points}</CgPoints></LandXML>'
    )


def read(text, most=1000):
    return read_landxml(text.encode(), "p.xml", "inch", most)


def test_points_with_codes_and_missing_height():
    page = read(landxml())
    first, second = page.points
    assert (first.point, first.north, first.east, first.elev) == ("W1", 10 * 0.3048, 20 * 0.3048, pytest.approx(1.5 * 0.3048))
    assert second.elev is None
    assert second.description == "WATER / by the ladder"


@pytest.mark.parametrize(("system", "unit"), sorted(LINEAR_UNITS))
def test_every_unit(system, unit):
    page = read(landxml(units=f'<{system} linearUnit="{unit}"/>'))
    assert page.points[0].north == pytest.approx(10 * LINEAR_UNITS[system, unit][0], rel=1e-15)


def test_a_reference_to_a_point_is_no_second_point():
    page = read(landxml(POINTS + '<CgPoint pntRef="W1"/>'))
    assert [point.point for point in page.points] == ["W1", "W2"]


def test_a_wrong_point_is_quarantined_by_line():
    page = read(landxml(POINTS + '\n<CgPoint name="W3" code="WATER">1 x</CgPoint><CgPoint name="W4" code="SPOT">1 2 3 4</CgPoint>'))
    assert [(q.reason.line, q.reason.why) for q in page.quarantined] == [
        (2, "'x' is not a number"),
        (2, "4 numbers stand where northing, easting and elevation should"),
    ]


@pytest.mark.parametrize(
    ("text", "ref"),
    [
        ('<!DOCTYPE a [<!ENTITY a "ha"><!ENTITY b "&a;&a;&a;&a;&a;&a;&a;&a;&a;">]>' + landxml("&b;"), "doctype"),
        ('<!DOCTYPE a SYSTEM "file:///etc/hostname">' + landxml(), "doctype"),
        (landxml().replace("LandXML-1.2", "LandXML-1.1").replace('version="1.2"', 'version="1.1"'), "not-landxml-1.2"),
        ("<html/>", "not-landxml-1.2"),
        (landxml()[:-20], "not-xml"),
        (landxml(units='<Imperial linearUnit="usft"/>'), "unknown-units"),
        (landxml(units='<Metric linearUnit="meter"/><Imperial linearUnit="foot"/>'), "unknown-units"),
    ],
)
def test_refused(text, ref):
    with pytest.raises(SurveyError) as refused:
        read(text)
    assert refused.value.reasons[0].ref == ref


def test_an_entity_bomb_is_refused_at_once():
    levels = "".join(f'<!ENTITY e{n} "{f"&e{n - 1};" * 10}">' for n in range(1, 30))
    with pytest.raises(SurveyError):
        read(f'<!DOCTYPE x [<!ENTITY e0 "boom">{levels}]>' + landxml("&e29;"))


def test_too_many_points():
    with pytest.raises(SurveyError, match="limit is 1"):
        read(landxml(), most=1)


def test_without_units_the_job_decides_and_it_is_said():
    page = read(landxml().replace("<Units>", "<Units><!--").replace("</Units>", "--></Units>"))
    assert page.points[0].north == pytest.approx(0.254)
    assert [warning.ref for warning in page.warnings] == ["no-units"]
