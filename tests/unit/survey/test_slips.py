import pytest

from pipeline.intake.resolve import default_job
from pipeline.survey.answer import answer
from pipeline.survey.field_check import field_check
from pipeline.survey.slips import unit_slip
from tests.unit.survey.made_surveys import Made, made_site, point_file

SITE = made_site(5)  # a pool of some 8 by 5 m


def refs(text, **survey):
    found = answer(default_job("made", survey={"unit": "metre", **survey}), {"p.csv": text.encode()})
    assert found.survey is not None
    return {reason.ref for reason in found.holds}, {warning.ref for warning in found.survey.warnings}, found


def with_lines(*lines):
    return point_file(SITE) + "\n".join(lines) + "\n"


@pytest.mark.parametrize(
    ("ratio", "expected"),
    [(3.2808, ("foot", "metre")), (0.3048, ("metre", "foot")), (12.0, ("inch", "foot")), (1.0, None), (1.5, None), (39.37, ("inch", "metre"))],
)
def test_unit_slip(ratio, expected):
    assert unit_slip(ratio) == expected


def test_a_sound_survey_is_not_held():
    holds, warnings, _ = refs(point_file(SITE))
    assert holds == set() and warnings == set()


@pytest.mark.parametrize(
    ("written", "read", "cure"),
    [
        (0.3048, "metre", "foot"),  # feet read as metres: a pool of 27 m
        (1.0, "foot", "metre"),  # metres read as feet: a pool of 2.6 m
        (0.001, "metre", "millimetre"),
        (0.0254, "foot", "inch"),
    ],
)
def test_a_mistaken_unit_is_held_and_the_right_one_named(written, read, cure):
    holds, _, found = refs(point_file(SITE, unit=written), unit=read)
    assert "unit" in holds
    assert f'unit = "{cure}"' in next(reason.do for reason in found.holds if reason.ref == "unit")


def test_us_survey_feet_for_feet_do_not_matter_in_a_local_survey():
    assert refs(point_file(SITE, unit=1200 / 3937), unit="foot")[0] == set()


def test_a_number_used_twice_for_two_places_is_held():
    holds, _, found = refs(with_lines("W3,20,20,0,SPOT"))
    assert "number-twice" in holds
    assert "W3" in found.holds[0].what and found.holds[0].line == 18


def test_a_number_shot_twice_at_one_place_is_set_aside_with_a_warning():
    code, east, north, up = SITE.points["W3"]
    holds, warnings, found = refs(with_lines(f"W3,{north + 0.002},{east},{up},{code}"))
    assert holds == set() and warnings == {"place-twice"}
    assert [point.state for point in found.survey.points if point.point == "W3"] == ["used", "check"]


def test_one_place_under_two_numbers_is_set_aside_with_a_warning():
    code, east, north, up = SITE.points["W3"]
    _, warnings, found = refs(with_lines(f"900,{north + 0.002},{east},{up},{code}"))
    assert warnings == {"place-twice"}
    assert found.survey.points[-1].state == "check"


def test_the_same_place_under_another_code_is_no_slip():
    _, east, north, up = SITE.points["A"]
    assert refs(with_lines(f"901,{north},{east},{up},START"))[1] == set()


def test_a_check_shot_that_agrees_and_one_that_does_not():
    _, east, north, up = SITE.points["W3"]
    holds, warnings, found = refs(with_lines(f"902,{north + 0.004},{east},{up},CHECK / of W3"))
    assert holds == warnings == set()
    assert found.survey.points[-1].residual == pytest.approx(0.004, abs=1e-6)
    holds, warnings, found = refs(with_lines(f"902,{north + 0.025},{east},{up},CHECK / of W3"))
    assert warnings == {"check-disagrees"} and holds == set()
    assert next(point.state for point in found.survey.points if point.point == "W3") == "suspect"
    assert "check-disagrees" in refs(with_lines(f"902,{north + 0.3},{east},{up},CHECK / of W3"))[0]
    assert "check-of-nothing" in refs(with_lines(f"902,{north},{east},{up},CHECK / of 999"))[1]


def test_a_point_far_away_is_held():
    holds, _, found = refs(with_lines("77,5000,20,0,SPOT"))
    assert holds == {"far-away"}
    assert "77" in found.holds[0].what


def test_grid_taken_for_ground_is_said():
    far = Made({name: (code, e + 250_000, n + 400_000, u) for name, (code, e, n, u) in SITE.points.items()})
    assert refs(point_file(far))[1] == {"grid-for-ground"}


@pytest.mark.parametrize(
    ("line", "held"),
    [("88,1x,20,0,SPOT", False), ("88,1x,20,0,CHECK / of W1", False), ("88,1x,20,0,WATER", True), ("88,1x,20,0,UTILITY", True), ("%%%", False)],
)
def test_whether_a_lost_line_holds_the_job_is_decided_by_what_it_was(line, held):
    holds, _, found = refs(with_lines(line))
    assert holds == ({"lost-shot"} if held else set())
    assert [reason.line for reason in found.survey.quarantined] == [18]


def test_few_marks_are_said():
    lines = [line for line in point_file(SITE).splitlines() if "MARK" not in line]
    assert refs("\n".join(lines))[1] == {"few-marks"}


def test_codes_and_words_not_understood_are_counted():
    _, warnings, found = refs(with_lines("60,3,3,0,BUSH", "61,3,4,0,BUSH", "62,3,5,0,SPOT high"))
    assert warnings == {"unknown-codes", "unknown-modifiers"}
    assert "BUSH (2)" in next(w.what for w in found.survey.warnings if w.ref == "unknown-codes")


def test_a_point_that_lost_its_code_is_named_with_its_line():
    _, _, found = refs(with_lines("60,3,3,0,", "61,3,4,0,BUSH"))
    (warning,) = [one for one in found.survey.warnings if one.ref == "unknown-codes"]
    assert "points without a code: 60" in warning.what
    assert (warning.file, warning.line) == ("p.csv", 18)


def test_grid_coordinates_are_brought_to_ground_and_back():
    grid = Made({name: (code, e + 846_219, n + 462_357, u + 3100) for name, (code, e, n, u) in SITE.points.items()})
    _, warnings, found = refs(point_file(grid), crs="EPSG:26954")
    frame = found.survey.frame
    assert warnings == {"grid-to-ground"}
    assert frame.combined_factor == pytest.approx(0.99945, abs=2e-5)
    point = found.survey.points[4]
    assert frame.to_survey(*point.place) == pytest.approx((grid.points[point.point][1], grid.points[point.point][2]), abs=1e-9)
    a, b = found.survey.points[0].place, found.survey.points[2].place
    apart = ((a[0] - b[0]) ** 2 + (a[1] - b[1]) ** 2) ** 0.5
    flat = ((SITE.place("A")[0] - SITE.place("C")[0]) ** 2 + (SITE.place("A")[1] - SITE.place("C")[1]) ** 2) ** 0.5
    assert apart == pytest.approx(flat / frame.combined_factor, abs=1e-9)


@pytest.mark.parametrize("crs", ["EPSG:4326", "EPSG:999999", "nonsense", "/etc/passwd", "+proj=utm +zone=17"])
def test_a_crs_that_is_none_is_refused(crs):
    found = answer(default_job("made", survey={"unit": "metre", "crs": crs}), {"p.csv": point_file(SITE).encode()})
    assert [reason.ref for reason in found.holds] == ["unknown-crs"]


def test_a_rod_height_bust_on_the_water_is_named_and_its_height_left_out():
    lines = point_file(SITE).splitlines()
    number = next(n for n, line in enumerate(lines) if line.startswith("W4,"))
    cells = lines[number].split(",")
    lines[number] = ",".join([*cells[:3], f"{float(cells[3]) + 0.3048:.4f}", cells[4]])
    holds, warnings, found = refs("\n".join(lines))
    assert holds == set() and warnings == {"height-bust"}
    bust = next(point for point in found.survey.points if point.point == "W4")
    assert bust.elev is None and bust.state == "suspect"
    assert found.survey.warnings[0].what.startswith("WATER shot W4 stands")
    raised = [
        line.replace(line.split(",")[3], "0.6") if line.startswith(("W1,", "W2,", "W3,", "W4,")) else line for line in point_file(SITE).splitlines()
    ]
    assert refs("\n".join(raised))[1] == set()


def test_a_mark_in_two_files_shows_swapped_columns_and_another_unit():
    first = point_file(made_site(1))
    marks = Made({name: value for name, value in made_site(1).points.items() if name in "ABCD"})
    for text, words in (
        (point_file(marks, columns="PENZD"), "the columns of one of the two files are swapped"),
        (point_file(marks, unit=0.3048), "foot read as metre"),
    ):
        found = answer(default_job("made", survey={"unit": "metre"}), {"points.csv": first.encode(), "zmarks.csv": text.encode()})
        whys = [reason.why for reason in found.holds if reason.ref == "number-twice"]
        assert whys and any(words in why for why in whys), whys


def test_what_nothing_confirms_is_said():
    """A point file without a header may be its own mirror image, and no coordinate tells."""
    text = point_file(made_site(1))
    job = default_job("made", survey={"unit": "metre"})
    (note,) = answer(job, {"p.csv": text.encode()}).notes
    assert "mirror image" in note and note in field_check(job, {"p.csv": text.encode()}).lines
    assert answer(job, {"p.csv": ("Point,Northing,Easting,Elevation,Description\n" + text).encode()}).notes == ()
    assert answer(default_job("made", survey={"unit": "metre", "columns": "PNEZD"}), {"p.csv": text.encode()}).notes == ()
