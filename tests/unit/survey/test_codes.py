import pytest

from pipeline.survey.codes import code_table, codes_within, read_description

TABLE = code_table({"ew": "water", "BC": "COPING", "P12": "SPOT"})


@pytest.mark.parametrize(
    ("description", "expected"),
    [
        ("WATER", ("WATER", "", (), "")),
        ("wall2 b / south face", ("WALL", "2", ("B",), "south face")),
        ("EW", ("WATER", "", (), "")),
        ("ew3 e", ("WATER", "3", ("E",), "")),
        ("WATER PC PT", ("WATER", "", ("PC", "PT"), "")),
        ("OBJECT / r=18in h=30in", ("OBJECT", "", (), "r=18in h=30in")),
        ("CHECK / of 101", ("CHECK", "", (), "of 101")),
        ("BC B", ("COPING", "", ("B",), "")),
        ("P12", ("SPOT", "", (), "")),
        ("EC E", ("", "", (), "EC E")),
        ("SW/STEP", ("", "", (), "SW/STEP")),
        ('TOP WALL 18" WI', ("", "", (), 'TOP WALL 18" WI')),
        ("", ("", "", (), "")),
        ("WALL01", ("WALL", "1", (), "")),
    ],
)
def test_description(description, expected):
    assert read_description(description, TABLE)[:4] == expected


def test_words_that_are_no_modifier_are_kept_for_a_warning():
    assert read_description("WATER big B", TABLE).unread == ("big",)


def test_a_modifier_glued_to_a_code_is_none():
    """``WATERC`` is no "water, closed": modifiers count only as separate words."""
    assert read_description("WATERC", TABLE).code == ""


def test_codes_are_found_wherever_they_stand_in_a_broken_line():
    assert codes_within('17,xx"5000,EW,WALL2;', TABLE) == {"WATER", "WALL"}
