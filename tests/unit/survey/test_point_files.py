import pytest

from pipeline.errors import SurveyError
from pipeline.survey.decoding import decoded, numbered_lines
from pipeline.survey.point_files import read_points


def first(text, **options):
    page = read_points(text, "p.csv", options.pop("unit", "metre"), **options)
    assert page.points, page.quarantined
    point = page.points[0]
    return point.point, point.north, point.east, point.elev, point.description


@pytest.mark.parametrize(
    "text",
    [
        "1,10.5,20.25,3,WATER\n",
        "1;10,5;20,25;3;WATER\n",
        "1\t10.5\t20.25\t3\tWATER\n",
        "1  10.5   20.25  3  WATER\n",
        "1 10,5 20,25 3 WATER\n",
        "# by hand\n\n\n1, 10.5, 20.25, 3, WATER\n",
        "Point,Northing,Easting,Elevation,Description\n1,10.5,20.25,3,WATER\n",
        "PT NO;Y;X;Z;Code\n1;10,5;20,25;3;WATER\n",
        "description,elev,easting,northing,name\nWATER,3,20.25,10.5,1\n",
        '"Point #","North (m)","East (m)","Height","Feature Code"\n"1","10.5","20.25","3","WATER"\n',
        "1,10.5,20.25,3,WATER,,,\n",
        "1,10.5,20.25,3,WATER\r\n\r\n2,1,2,3,SPOT\r\n",
        "1,10.5,20.25,3,WATER\r2,1,2,3,SPOT\r",
    ],
)
def test_the_same_point_in_many_hands(text):
    assert first(text) == ("1", 10.5, 20.25, 3.0, "WATER")


def test_missing_heights_and_commas_in_descriptions():
    assert first("a-7,10,20,,OBJECT / pump, r=18in, h=30in\n") == ("a-7", 10.0, 20.0, None, "OBJECT / pump, r=18in, h=30in")
    assert first("1 10 20 WATER B / no height\n") == ("1", 10.0, 20.0, None, "WATER B / no height")
    assert first("1,10,20\n") == ("1", 10.0, 20.0, None, "")
    assert first("1,10,20,n/a,SPOT\n") == ("1", 10.0, 20.0, None, "SPOT")


def test_a_lone_quote_is_an_inch():
    assert first('1,10,20,3,TOP WALL 18" WI\n2,1,1,1,x\n')[-1] == 'TOP WALL 18" WI'


def test_units_from_job_and_header():
    assert first("1,10,20,3,WATER\n", unit="foot")[1] == pytest.approx(3.048)
    page = read_points("P,Northing (mm),Easting (mm),Elev\n1,10000,20000,3000\n", "p.csv", "foot")
    assert (page.stated_unit, page.points[0].north) == ("millimetre", 10.0)


@pytest.mark.parametrize(
    ("bad", "why"),
    [
        ("9,1x0,20,3,WATER", "'1x0' is not a number"),
        ("9,nan,20,3,WATER", "'nan' is not a number"),
        ("9,1e30,20,3,WATER", "'1e30' is too large"),
        ("9,10", "it has too few cells: 2, and number, northing and easting need 3"),
        (",10,20,3,WATER", "the point has no number"),
        ("9,10,20,xx,WATER", "'xx' is not a number"),
    ],
)
def test_a_wrong_line_is_quarantined_with_its_number_and_reason(bad, why):
    page = read_points(f"1,10,20,3,WATER\n{bad}\n2,11,20,3,WATER\n", "p.csv", "metre")
    assert [point.point for point in page.points] == ["1", "2"]
    assert [(q.reason.line, q.reason.why, q.reason.file) for q in page.quarantined] == [(2, why, "p.csv")]


def test_columns_named_by_the_job():
    assert first("20,10,1\n", columns="ENP")[:3] == ("1", 10.0, 20.0)
    assert first("20 10\n", columns="EN") == ("1", 10.0, 20.0, None, "")
    with pytest.raises(SurveyError) as refused:
        read_points("1,2,3\n", "p.csv", "metre", "PNZ")
    assert refused.value.reasons[0].ref == "bad-columns"


def test_columns_against_the_header_are_held():
    with pytest.raises(SurveyError) as refused:
        read_points("P,N,E,Z,D\n1,2,3,4,x\n", "p.csv", "metre", "PENZD")
    assert refused.value.reasons[0].ref == "columns-against-header"
    assert first("P,N,E,Z,D\n1,2,3,4,x\n", columns="PNEZD")[:3] == ("1", 2.0, 3.0)


def test_too_many_points():
    with pytest.raises(SurveyError, match="limit is 2"):
        read_points("1,2,3\n" * 3, "p.csv", "metre", most=2)


@pytest.mark.parametrize(
    ("content", "text"),
    [
        ("é,1".encode(), "é,1"),
        (b"\xef\xbb\xbf\xc3\xa9,1", "é,1"),
        ("é,1".encode("latin-1"), "é,1"),
        ("é,1".encode("utf-16"), "é,1"),
    ],
)
def test_encodings(content, text):
    assert decoded(content, "p.csv") == text


def test_what_is_no_text_is_refused():
    with pytest.raises(SurveyError, match="no text file"):
        decoded(bytes(range(256)), "p.csv")


def test_comments_blank_lines_and_the_old_end_of_file_mark():
    assert numbered_lines("# a\n\n , ,\n1,2\n\x1a") == [(4, "1,2")]


def test_a_line_cut_before_its_number_is_quarantined():
    page = read_points("Easting,Northing,Elevation,Point,Description\n1,2,3,7,SPOT\n4,5\n", "p.csv", "metre")
    assert [point.point for point in page.points] == ["7"]
    assert [(q.reason.line, q.reason.why) for q in page.quarantined] == [(3, "it has too few cells: 2, and number, northing and easting need 4")]
