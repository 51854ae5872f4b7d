import math

import pytest

from pipeline.errors import SurveyError
from pipeline.survey.observation_files import read_shots

HEADER = "setup,target,face,hi,ht,hz_deg,zenith_deg,slope_dist,code,remark"


def read(*rows, header=HEADER):
    return read_shots("\n".join([header, *rows]), "s.csv", "metre", 1000)


def test_a_shot_and_its_empty_cells():
    page = read("S1,101,,1.5,,123-30-18,,,WATER,by the ladder", "S1,102,,,,,91.5,10,SPOT,")
    shot, other = page.shots
    assert (shot.hi, shot.ht, shot.zenith, shot.slope, shot.face) == (1.5, None, None, None, 1)
    assert math.degrees(shot.hz) == pytest.approx(123.505)
    assert shot.description == "WATER / by the ladder"
    assert other.hz is None and other.slope == 10


def test_sigma_columns_in_any_order():
    page = read("2,3,1,S1,101,1,1.5,1.6,10,90,5,WATER,", header="sigma_dist_mm,sigma_hz_sec,sigma_zenith_sec," + HEADER)
    shot = page.shots[0]
    assert (shot.sigma_dist, shot.sigma_hz, shot.sigma_zenith) == pytest.approx((0.002, math.radians(3 / 3600), math.radians(1 / 3600)))


def test_the_face_is_told_by_the_zenith_angle_and_a_wrong_cell_named():
    page = read("S1,101,,1.5,1.6,10,270.5,5,WATER,", "S1,102,1,1.5,1.6,10,270.5,5,WATER,", "S1,103,2,1.5,1.6,10,,5,WATER,")
    assert [shot.face for shot in page.shots] == [2, 2, 2]
    assert [(warning.ref, warning.line) for warning in page.warnings] == [("face-against-zenith", 3)]


@pytest.mark.parametrize(
    ("row", "why"),
    [
        ("S1,,1,1.5,1.6,10,90,5,WATER,", "setup or target is missing"),
        ("S1,S1,1,1.5,1.6,10,90,5,WATER,", "the same point"),
        ("S1,101,3,1.5,1.6,10,90,5,WATER,", "face is '3'"),
        ("S1,101,1,1.5,1.6,,90,,WATER,", "neither a direction nor a distance"),
        ("S1,101,1,1.5,1.6,10-70-00,90,5,WATER,", "60 or more minutes"),
        ("S1,101,1,1.5,1.6,10,90,-5,WATER,", "is none"),
    ],
)
def test_a_wrong_line_is_quarantined(row, why):
    page = read("S1,1,1,1.5,1.6,0,90,5,MARK,", row)
    assert len(page.shots) == 1
    assert why in page.quarantined[0].reason.why and page.quarantined[0].reason.line == 3


@pytest.mark.parametrize(
    ("rows", "likely"),
    [
        ([f"S1,{n},1,1.5,1.6,{n * 30.1},{-2 + n},5,WATER," for n in range(8)], "elevation angles"),
        ([f"S1,{n},1,1.5,1.6,{n * 30.1234},{99 + n / 10},5,WATER," for n in range(13)], "gon"),
        ([f"S1,{n},1,1.5,1.6,{n}.{n * 4:02d}{n * 5:02d},90,5,WATER," for n in range(1, 12)], "DDD.MMSS"),
    ],
)
def test_angles_of_another_notation_are_held(rows, likely):
    with pytest.raises(SurveyError) as refused:
        read(*rows)
    assert refused.value.reasons[0].ref == "angle-notation"
    assert likely in refused.value.reasons[0].why


def test_decimal_degrees_are_not_taken_for_packed_ones():
    page = read(*[f"S1,{n},1,1.5,1.6,{n * 17.37915:.4f},{90 + n / 7:.4f},5,WATER," for n in range(20)])
    assert len(page.shots) == 20
