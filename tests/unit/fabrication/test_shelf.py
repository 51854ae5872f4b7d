"""The offcut file: what it may hold, what it is told, and that it survives being written and read."""

from __future__ import annotations

import pytest

from pipeline.errors import JobError
from pipeline.fabrication.shelf import offcuts_csv, read_offcuts
from pipeline.inert_text import inert
from pipeline.model.night import Offcut
from pipeline.units import INCH

HEADER = "id,length,posts,height,colour,where\n"


def faults_of(text: str, most: int = 100) -> list[tuple[int | None, str]]:
    with pytest.raises(JobError) as fault:
        read_offcuts(text, most=most)
    assert all(reason.file == "offcuts.csv" and reason.do for reason in fault.value.reasons)
    return [(reason.line, reason.what) for reason in fault.value.reasons]


def test_lengths_carry_their_unit_or_stand_under_millimetres():
    with_units = read_offcuts("\ufeff# the shelf\n" + HEADER + "A1,96 in,3,48 in,black,rack 2\n\n", most=10)
    plain = read_offcuts("colour,id,posts,height_mm,length_mm\nblack,A1,3,1219.2,2438.4\n", most=10)
    assert Offcut(id="A1", length=96 * INCH, posts=3, height=48 * INCH, colour="black", where="rack 2", row=3) == with_units[0]
    assert (plain[0].length, plain[0].height, plain[0].posts) == pytest.approx((96 * INCH, 48 * INCH, 3))


def test_every_fault_is_told_with_its_line():
    text = HEADER + "A1,96,3,48 in,black,\nA2,96 in,x,48 in,black,\nA2,96 in,1,48 in,,\n=A3,96 in,1,48 in,black,\nA5,-3 in,1,9 m,black,\n"
    faults = faults_of(text)
    assert [line for line, _ in faults] == [2, 3, 4, 5, 6, 6]
    assert "no colour" in faults[2][1]


def test_an_id_stands_once():
    faults = faults_of(HEADER + "A1,96 in,3,48 in,black,\nA1,90 in,3,48 in,black,\n")
    assert faults == [(3, "offcut 'A1' stands in line 2 already")]


def test_the_header_is_checked():
    assert faults_of("id,lenght,posts,height,colour\n")[0][1] == "unknown column 'lenght', no column 'length'"
    assert faults_of("id,id,length,posts,height,colour\n")[0][1] == "a column stands twice"


def test_a_shelf_too_long_is_refused():
    rows = "".join(f"A{number},96 in,0,48 in,black,\n" for number in range(5))
    assert faults_of(HEADER + rows, most=4)[0][1] == "more than 4 offcuts"


def test_an_empty_file_is_an_empty_shelf():
    assert () == read_offcuts("", most=5) == read_offcuts(HEADER, most=5)


def test_what_is_written_is_read_back():
    shelf = (
        Offcut(id="A1", length=2.4384, posts=3, height=1.2192, colour="black", where="=cmd|' /C calc'!A0"),
        Offcut(id="B.2", length=0.9144, posts=0, height=1.524, colour="sand, light", where='rack "2"\nleft'),
    )
    text = offcuts_csv(shelf)
    assert "\n=" not in text and ",=" not in text
    back = read_offcuts(text, most=10)
    assert [(one.id, one.posts, one.colour, one.where) for one in shelf] == [(one.id, one.posts, one.colour, one.where) for one in back]
    assert [one.length for one in back] == pytest.approx([one.length for one in shelf], abs=5e-5)


@pytest.mark.parametrize("text", ["=1+1", "+1", "-1", "@sum", "  =1", "\t=1", "\r=1"])
def test_text_that_a_spreadsheet_would_calculate_is_made_inert(text):
    assert f"'{text}" == inert(text)


@pytest.mark.parametrize("text", ["", "Rack 1", "a=b", "3 - 4", "'quoted"])
def test_other_text_is_left_alone(text):
    assert text == inert(text)
