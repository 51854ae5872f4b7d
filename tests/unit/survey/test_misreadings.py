import pytest

from pipeline.survey.field_book import Tie
from pipeline.survey.misreadings import likely_cause
from pipeline.survey.quantities import tape_length

TAPE = 100 * 0.3048


@pytest.mark.parametrize(
    ("written", "right", "unit", "cause"),
    [
        ("12' 9\"", "12' 6\"", "foot", "9 for 6"),
        ("21.35", "12.35", "foot", "two digits swapped"),
        ("15' 3\"", "12' 3\"", "foot", "3 ft misread"),
        ("22' 3\"", "12' 3\"", "foot", "10 ft misread"),
        ("12.6", "12' 6\"", "foot", "feet and inches written as decimals"),
        ("60' 2-1/2\"", "39' 9-1/2\"", "foot", "wrong end of the tape"),
        ("12' 4\"", "12' 3\"", "foot", "an inch misread"),
        ("12' 7-3/4\"", "12' 3\"", "foot", ""),
    ],
)
def test_typical_causes(written, right, unit, cause):
    tie = Tie(start="A", end="W1", dist=tape_length(written, unit), text=written, unit=unit)
    found = likely_cause(tie, tie.dist - tape_length(right, unit), 0.004, TAPE)
    assert cause in found if cause else found == ""
