"""Reading as_drilled.csv and cut.csv: three forms and their mixes, units, remarks, and every fault with its line."""

from importlib import resources

import pytest

from pipeline.drilling.cut_list import read_cut
from pipeline.drilling.sheet import base_of, length_figure, read_sheet, word_of
from pipeline.errors import JobError
from pipeline.model.survey import Frame
from pipeline.units import INCH, US_SURVEY_FOOT

HOLES = ("H001", "H002", "H014", "H100")
MARKS = {"M1": (0.0, 0.0), "2": (5.0, 0.0)}


def rows(text: str, units: str = "inch", frame: Frame | None = None, holes: tuple[str, ...] = HOLES):
    return read_sheet(text.encode(), holes, MARKS, units, frame or Frame())


def faults(text: str, units: str = "inch") -> list[tuple[int | None, str]]:
    with pytest.raises(JobError) as held:
        rows(text, units)
    assert all(reason.file == "as_drilled.csv" and reason.do for reason in held.value.reasons)
    return [(reason.line, reason.what) for reason in held.value.reasons]


@pytest.mark.parametrize(
    ("text", "inches"),
    [("3' 0", 36), ("3' 0-1/16\"", 36.0625), ("3-0-1/16", 36.0625), ("36-1/16", 36.0625), ("36 1/16", 36.0625), ("36.5", 36.5), ("36½", 36.5), ("914.4 mm", 36)],
)  # fmt: skip
def test_feet_inches_and_fractions_in_any_hand(text, inches):
    assert length_figure(text, "inch").value / INCH == pytest.approx(inches, abs=1e-9)


def test_a_bare_number_is_in_the_report_units_and_keeps_what_it_was_read_to():
    assert (length_figure("914", "mm").value, length_figure("914", "mm").step) == (0.914, 0.001)
    assert length_figure("914.5", "mm").step == pytest.approx(0.0001)
    assert length_figure("36", "inch").step == INCH / 16
    assert length_figure("36.02", "inch").step == pytest.approx(INCH / 100)


def test_distances_to_the_next_hole():
    read = rows('# Crew: two of us\nhole,to_next\nH001,"3\' 0"""\nH002,\nh14,2\' 11-15/16"\n')
    assert [(row.hole, row.to_next and round(row.to_next.value / INCH, 4), row.row) for row in read] == [
        ("H001", 36.0, 3),
        ("H002", None, 4),
        ("H014", 35.9375, 5),
    ]


def test_ties_and_mixed_columns_in_millimetres_with_semicolons_and_decimal_commas():
    (row,) = rows("Hole;To next;Tie A;Tie B;Remark\nH001;914,5;12345;6789;by the drain\n", "mm")
    assert [figure.value for figure in (row.to_next, row.tie_a, row.tie_b)] == pytest.approx([0.9145, 12.345, 6.789])
    assert (row.remark, row.word) == ("by the drain", "")


def test_a_second_total_station_file_is_in_the_surveys_frame_and_unit():
    frame = Frame(unit="us-survey-foot", origin_east=1000.0, origin_north=2000.0, combined_factor=0.9999)
    east, north = (value / US_SURVEY_FOOT for value in frame.to_survey(3.0, 4.0))
    read = rows(f"P\tN\tE\tZ\tD\n14\t{north:.5f}\t{east:.5f}\t101.2\t\nM1\t{north:.4f}\t{east:.4f}\t\tMARK\n", frame=frame)
    assert [row.hole for row in read] == ["H014", "M1"]
    assert [figure.value for figure in read[0].place] == pytest.approx([3.0, 4.0], abs=1e-5)


def test_names_are_read_as_crews_write_them_and_marks_go_before_numbers():
    read = rows("hole,e,n\n1,1,1\nH14A,1,2\n2,5,5\nH0100,3,3\n")
    assert [row.hole for row in read] == ["H001", "H014a", "2", "H100"]
    assert [base_of(name) for name in ("H014a", "H014", "M1")] == ["H014", "", ""]


@pytest.mark.parametrize(
    ("remark", "word"),
    [
        ("moved", "moved"),
        ("moved 2 in toward H015, old one filled", "moved"),
        ("missing", "missing"),
        ("not drilled yet", "missing"),
        ("abandoned", "abandoned"),
        ("hit steel", "abandoned"),
        ("Filled", "abandoned"),
        ("removed a leaf", ""),
        ("added", ""),
    ],
)
def test_remarks(remark, word):
    assert word_of(remark) == word


def test_every_fault_of_a_sheet_is_named_with_its_line():
    found = faults("hole,to_next,tie_a\nH001,three feet,\nH777,36,\nH002,-4,1' 2\nH014,36,\nH014,36,\n2,36,\n")
    assert [line for line, _ in found] == [2, 3, 4, 6, 7]
    assert "three feet" in found[0][1]
    assert "H777" in found[1][1]
    assert "line 5 already" in found[3][1]
    assert "is a mark" in found[4][1]


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("", "empty"),
        ("# nothing\n", "empty"),
        ("hole,to_next\n", "no hole"),
        ("to_next\n36\n", "no column hole"),
        ("hole,to_nxt\nH001,36\n", "no column is called 'to_nxt'"),
        ("hole,to_next,next\nH001,36,36\n", "twice"),
        ("hole,e,n\nH001,1,\n", "no coordinate"),
        ("hole,to_next\nH001,1/0\n", "no length"),
        ("hole,to_next\nH001," + "9" * 400 + "\n", "no length"),
    ],
)
def test_what_is_no_sheet_is_refused(text, words):
    assert words in faults(text)[0][1]


def test_bytes_of_any_kind_are_read_or_refused_in_words():
    assert read_sheet("hole,to_next,remark\nH001,36,près du mur\n".encode("latin-1"), HOLES, MARKS, "inch", Frame())[0].remark == "près du mur"
    assert read_sheet(b"\xef\xbb\xbfhole,to_next\r\nH001,36\r\n", HOLES, MARKS, "inch", Frame())[0].hole == "H001"
    with pytest.raises(JobError):
        read_sheet(bytes(range(256)) * 20, HOLES, MARKS, "inch", Frame())


def test_the_examples_of_a_new_job_are_read():
    forms = resources.files("pipeline.intake").joinpath("forms")
    read = read_sheet(forms.joinpath("as_drilled.csv").read_bytes(), ["H001", "H002", "H003", "H004"], {}, "inch", Frame())
    assert [row.hole for row in read] == ["H001", "H002", "H003", "H004"]
    assert (read[1].tie_b.step, read[3].word) == (INCH / 16, "moved")
    assert [one.panel for one in read_cut(forms.joinpath("cut.csv").read_bytes(), ["P03"], "inch")] == ["P03"]


def test_the_list_of_what_is_cut():
    cut = read_cut(b"panel,length\np03,6' 2\"\nP04,75-1/2\n", ["P03", "P04"], "inch")
    assert [(one.panel, round(one.length / INCH, 3), one.row) for one in cut] == [("P03", 74.0, 2), ("P04", 75.5, 3)]
    with pytest.raises(JobError) as held:
        read_cut(b"panel,length\nP09,74\nP03,\nP04,74\nP04,75\n", ["P03", "P04"], "inch")
    assert [reason.line for reason in held.value.reasons] == [2, 3, 5]
