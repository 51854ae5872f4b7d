"""Minus zero is zero: refused where zero is, read as zero where it may stand, and never printed."""

import csv
import io

import pytest

from pipeline.errors import SleevelineError
from pipeline.fabrication.shelf import read_offcuts
from pipeline.intake.job_folder import job_of
from pipeline.intake.office import read_office
from pipeline.intake.resolve import default_job
from pipeline.package.tables import degrees, millimetres
from pipeline.survey.answer import read_and_adjust
from pipeline.survey.points_table import points_csv
from pipeline.units import format_length

POOL = [(0, 0), (4, 0), (8, 0), (8, 2), (8, 4), (4, 4), (0, 4), (0, 2)]
MARKS = [(-1, -1), (9, -1), (9, 5)]


def survey_file(zero: str) -> bytes:
    rows = [(f"M{row}", place, "MARK") for row, place in enumerate(MARKS)] + [(f"W{row}", place, "WATER") for row, place in enumerate(POOL)]
    lines = [f"{name},{north or zero},{east or zero},{zero},{code}" for name, (east, north), code in rows]
    return ("Point,Northing,Easting,Elevation,Description\n" + "\n".join(lines) + "\n").encode()


def table(zero: str) -> bytes:
    return points_csv(read_and_adjust(default_job("zero", survey={"unit": "metre"}), {"points.csv": survey_file(zero)}))


@pytest.mark.parametrize("zero", ["-0", "-0.0", "-.0", "-0.00000001"])
def test_a_survey_with_minus_zero_is_the_survey_with_zero(zero):
    assert table(zero) == table("0")
    cells = [cell for row in csv.reader(io.StringIO(table(zero).decode())) for cell in row]
    assert "0.000000" in cells
    assert not [cell for cell in cells if cell.lstrip("'").startswith("-0") and not float(cell.lstrip("'"))]


@pytest.mark.parametrize("toml", ['[fence]\nheight = "-0 in"', '[fence]\nsetback = "-0.0 mm"', '[[gate]]\nnear = "1"\nleaf = "-0 in"'])
def test_a_length_of_minus_zero_is_refused_as_zero_is(tmp_path, toml):
    told = []
    for text in (toml, toml.replace("-0", "0")):
        with pytest.raises(SleevelineError) as held:
            job_of("job", {"points.csv": b"P,N,E,Z,D\n", "job.toml": text.encode()}, read_office(tmp_path))
        told.append([(reason.ref, reason.line) for reason in held.value.reasons])
    assert told[0] == told[1]


def test_an_offcut_of_minus_zero_is_refused_as_one_of_zero_is():
    said = []
    for length in ("-0", "0"):
        with pytest.raises(SleevelineError) as held:
            read_offcuts(f"offcut,length_mm,height_mm,colour\nA1,{length},1219,black\n", most=10)
        said.append([(reason.ref, reason.line) for reason in held.value.reasons])
    assert said[0] == said[1]


def test_what_rounds_to_zero_is_printed_without_a_sign():
    assert (millimetres(-1e-9), degrees(-1e-9), format_length(-1e-9, "mm"), format_length(-1e-9, "inch")) == ("0.0", "0.00", "0 mm", '0"')
