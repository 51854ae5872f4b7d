import pytest

from pipeline.survey.tape_files import read_ties

HEADER = "from,to,dist,code,remark,side,sigma_mm"


def read(*rows):
    return read_ties("\n".join([HEADER, *rows]), "t.csv", "foot", 1000)


def test_ties_sides_levels_and_weights():
    page = read('A,B,"55\' 9-3/16""",MARK,,,', "A,W1,12.5,WATER,ladder,left,2", "A,W1,-0.25,LEVEL,,,")
    base, tie, level = page.ties
    assert base.dist == pytest.approx((55 * 12 + 9 + 3 / 16) * 0.0254)
    assert (tie.side, tie.sigma, tie.description) == ("left", 0.002, "WATER / ladder")
    assert level.level and level.dist == pytest.approx(-0.25 * 0.3048)


@pytest.mark.parametrize(
    ("row", "why"),
    [
        ("A,,12,WATER,,,", "one of the two points is missing"),
        ("A,A,12,WATER,,,", "the same point"),
        ("A,B,,WATER,,,", "is not"),
        ("A,B,-12,WATER,,,", "is none"),
        ("A,B,12,WATER,,up,", "it can be left or right"),
        ("A,B,12,WATER,,,-1", "is none"),
    ],
)
def test_a_wrong_line_is_quarantined(row, why):
    page = read(row)
    assert why in page.quarantined[0].reason.why and page.quarantined[0].reason.line == 2
