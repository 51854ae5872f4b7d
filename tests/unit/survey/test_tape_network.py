import math

import pytest

from pipeline.intake.resolve import default_job
from pipeline.survey.answer import answer
from pipeline.survey.field_check import field_check
from pipeline.units import FOOT, INCH, feet_inches
from tests.unit.survey.made_surveys import errors, made_site, point_file, tape_file

JOB = default_job("made", survey={"unit": "metre"})
FEET = default_job("made", survey={"unit": "foot"})
SITE = made_site(11)


def surveyed(text, **more):
    return answer(JOB, {"t_ties.csv": text.encode(), **more})


def in_feet(text: str) -> str:
    """The made file, in feet and inches to 1/16."""
    lines = text.splitlines()
    out = [lines[0]]
    for line in lines[1:]:
        cells = line.split(",")
        cells[2] = feet_inches(float(cells[2])).replace('"', " in").replace("'", " ft")
        out.append(",".join(cells))
    return "\n".join(out)


def changed(text: str, tie: str, change) -> str:
    lines = text.splitlines()
    for number, line in enumerate(lines):
        if line.startswith(tie):
            cells = line.split(",")
            cells[2] = change(cells[2])
            lines[number] = ",".join(cells)
    return "\n".join(lines)


def test_a_blunder_is_left_out_and_named_with_its_size_and_cause():
    text = changed(tape_file(SITE, errors(1)), "B,W5,", lambda d: f"{float(d) + 3 * FOOT:.4f}")
    found = surveyed(text)
    assert not found.holds
    blunder = next(warning for warning in found.survey.warnings if warning.ref == "blunder")
    assert "tie B–W5 reads about 3'" in blunder.what and "long" in blunder.what
    assert "3 ft misread" in blunder.why
    assert blunder.line == next(n for n, line in enumerate(text.splitlines(), 1) if line.startswith("B,W5,"))
    place = next(point.place for point in found.survey.points if point.point == "W5")
    assert place == pytest.approx(SITE.place("W5")[:2], abs=0.012)


def test_two_blunders_are_found_one_after_the_other():
    text = changed(changed(tape_file(SITE, errors(2)), "B,W5,", lambda d: f"{float(d) + 1.0:.4f}"), "A,W9,", lambda d: f"{float(d) - 0.4:.4f}")
    found = surveyed(text)
    assert {line.split(" ")[1] for line in found.survey.adjustment.rejected} == {"B–W5", "A–W9"}


def test_six_for_nine_is_recognised():
    text = in_feet(tape_file(SITE, errors(3)))
    line = next(line for line in text.splitlines() if "W" in line.split(",")[1] and " 6" in line.split(",")[2] and line.split(",")[2].count("6") == 1)
    found = surveyed(changed(text, line[: line.index(",", 3) + 1], lambda d: d.replace("6", "9")))
    blunder = next(warning for warning in found.survey.warnings if warning.ref == "blunder")
    assert "9 for 6" in blunder.why


def test_one_spare_tie_holds_and_says_which_to_measure_again():
    """Three ties a point and nothing else: a blunder is seen, and any of the three may be it."""
    text = tape_file(SITE, errors(4), marks="ABC")
    lines = [line for line in text.splitlines() if line.split(",")[1] not in ("D", "P1") and line.split(",")[0] != "D"]
    found = surveyed(changed("\n".join(lines), "B,W5,", lambda d: f"{float(d) + 0.5:.4f}"))
    held = next(reason for reason in found.holds if reason.ref == "blunder-not-located")
    assert "tie A–W5" in held.what and "tie B–W5" in held.what and "tie C–W5" in held.what


def test_no_side_at_all_is_held_as_a_mirror_image():
    found = surveyed(tape_file(SITE, side=False))
    assert [reason.ref for reason in found.holds] == ["mirror-image"]


def test_a_point_with_one_tie_is_held_and_named():
    lines = [line for line in tape_file(SITE).splitlines() if line.split(",")[1] != "W3" or line.startswith("A,")]
    found = surveyed("\n".join(lines))
    assert [(reason.ref, "W3" in reason.what) for reason in found.holds] == [("no-second-tie", True)]


def test_marks_with_coordinates_hold_the_frame():
    marks = type(SITE)({name: (code, e + 1000, n + 2000, u + 50) for name, (code, e, n, u) in SITE.points.items() if name in "ABCD"})
    found = surveyed(tape_file(SITE, side=False), **{"marks.csv": point_file(marks).encode()})
    assert not found.holds
    places = {point.point: point for point in found.survey.points}
    assert places["W3"].place == pytest.approx((SITE.place("W3")[0] + 1000, SITE.place("W3")[1] + 2000), abs=1e-6)
    assert places["C"].elev == pytest.approx(SITE.place("C")[2] + 50)


def test_ties_in_another_unit_than_the_marks_are_held():
    marks = type(SITE)({name: (code, e / FOOT, n / FOOT, u) for name, (code, e, n, u) in SITE.points.items() if name in "ABCD"})
    found = surveyed(tape_file(SITE), **{"marks.csv": point_file(marks).encode()})
    assert "unit-against-marks" in {reason.ref for reason in found.holds}


def test_levels_by_least_squares_over_a_loop():
    levels = ["A,B,0.100,LEVEL,,,", "B,C,0.050,LEVEL,,,", "A,C,0.156,LEVEL,,,"]
    found = surveyed(tape_file(SITE) + "\n".join(levels))
    heights = {point.point: point.elev for point in found.survey.points}
    assert heights["A"] == 0.0
    assert heights["C"] == pytest.approx(0.154, abs=1e-9)  # the loop misses by 6 mm, a third on each leg
    assert heights["W1"] is None


def test_scatter_beyond_the_sigmas_enlarges_the_uncertainty_and_says_so():
    found = surveyed(tape_file(SITE, errors(5), sigma=0.006).replace(",6\n", ",3\n"))
    assert "scatter" in {warning.ref for warning in found.survey.warnings} or found.survey.adjustment.variance_factor < 1.4
    sigmas = [point.sigma_east for point in found.survey.points if point.code == "WATER"]
    quiet = [point.sigma_east for point in surveyed(tape_file(SITE, errors(5))).survey.points if point.code == "WATER"]
    assert sum(sigmas) > 1.5 * sum(quiet)


def test_a_check_is_a_second_tie_to_the_point_it_names():
    """Three ties a point would not locate a blunder in W5's; a second tie from B does."""
    text = tape_file(SITE, errors(4), marks="ABC")
    lines = [line for line in text.splitlines() if line.split(",")[1] not in ("D", "P1") and line.split(",")[0] != "D"]
    good = next(line for line in lines if line.startswith("B,W5,")).split(",")[2]
    lines.append(f"B,K1,{float(good) + 0.002:.4f},CHECK,of W5,,")
    found = surveyed(changed("\n".join(lines), "B,W5,", lambda d: f"{float(d) + 0.5:.4f}"))
    assert not found.holds, found.holds
    assert found.survey.adjustment.rejected[0].startswith("tie B–W5 reads about 1' 7")
    assert "K1" not in {point.point for point in found.survey.points}


def test_ties_that_cross_at_a_shallow_angle_are_said():
    """Q hangs by two ties almost in one line: along them it is known, across it is not."""
    q = (8.0, 0.15)
    a, b = SITE.place("A"), SITE.place("B")
    ties = [f"{name},Q,{math.dist(place[:2], q):.6f},DRAIN,,left," for name, place in (("A", a), ("B", b))]
    found = surveyed(tape_file(SITE) + "\n".join(ties))
    assert not found.holds
    weak = next(warning for warning in found.survey.warnings if warning.ref == "weak-points")
    assert "Q ±" in weak.what and "W1" not in weak.what
    assert "NOT YET" in " ".join(field_check(JOB, {"t.csv": (tape_file(SITE) + "\n".join(ties)).encode()}).lines)


def test_points_that_nothing_checks_are_named():
    lines = [line for line in tape_file(SITE).splitlines() if not (line.split(",")[1] == "W4" and line.split(",")[0] in "CD")]
    said = next(warning for warning in surveyed("\n".join(lines)).survey.warnings if warning.ref == "unchecked")
    assert said.what.startswith("nothing checks W4:")
    assert "unchecked" not in {warning.ref for warning in surveyed(tape_file(SITE)).survey.warnings}


@pytest.mark.parametrize(
    ("tie", "misread", "size", "cause"),
    [
        ("B–W12", lambda inches: inches + 12, "11-", "1 ft misread"),
        ("C–W3", lambda inches: inches - 120, "10' 0\"", "10 ft misread"),
        ("C–W3", lambda inches: 1200 - inches, "50' ", "wrong end of the tape"),
        ("B–W12", lambda inches: inches + 36, "2' 11-", "9 for 6"),
        ("C–W3", lambda inches: inches + 1, '1"', "an inch misread"),
    ],
)
def test_a_blunder_of_any_size_is_named_with_its_cause(tie, misread, size, cause):
    """Up to the other end of the tape: a tie so far off must not drag its point away and have a good one blamed."""
    found = answer(FEET, {"ties.csv": in_feet_and_inches({tie: misread}).encode()})
    assert not found.holds, found.holds
    (blunder,) = [warning for warning in found.survey.warnings if warning.ref == "blunder"]
    assert blunder.what.startswith(f"tie {tie} reads about {size}")
    assert cause in blunder.why


def test_a_misread_base_line_is_named_too():
    found = answer(FEET, {"ties.csv": in_feet_and_inches({"A–B": lambda inches: inches + 60}).encode()})
    assert not found.holds, found.holds
    assert [warning.what.split(" and ")[0] for warning in found.survey.warnings if warning.ref == "blunder"] == [
        "tie A–B reads about 5' 0-1/16\" long"
    ]


def in_feet_and_inches(misread) -> str:
    """The tape file of a made site in feet and inches to 1/16, each tie within a millimetre; some misread."""
    site, error = made_site(5, count=24), errors(3)
    lines = ["from,to,dist,code,remark,side"]
    names = ["B", *(name for name in site.points if name not in "AB")]
    for name in names:
        for mark in "ABCD" if name != "B" else "A":
            if mark == name or (name in "CD" and mark in "CD" and mark > name):
                continue
            inches = (math.dist(site.place(mark)[:2], site.place(name)[:2]) + error(0.001)) / INCH
            inches = misread.get(f"{mark}–{name}", lambda same: same)(inches)
            quoted = feet_inches(inches * INCH).replace('"', '""')
            lines.append(f'{mark},{name},"{quoted}",{site.points[name][0]},,{"left" if name.startswith("W") else ""}')
    return "\n".join(lines)
