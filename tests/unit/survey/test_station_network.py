import math

import pytest

from pipeline.intake.resolve import default_job
from pipeline.survey.answer import answer
from tests.unit.survey.made_surveys import Made, errors, made_site, point_file, shots_file

JOB = default_job("made", survey={"unit": "metre"})
SITE = made_site(21, base="station")


def surveyed(text, **more):
    return answer(JOB, {"shots.csv": text.encode(), **more})


def changed(text, start, column, change):
    lines = text.splitlines()
    number = next(n for n, line in enumerate(lines) if line.startswith(start))
    cells = lines[number].split(",")
    cells[column] = change(cells[column])
    lines[number] = ",".join(cells)
    return "\n".join(lines)


def on_both_faces(text, collimation=0.0, index=0.0):
    """Every mark again on face 2, by an instrument with these errors [deg]."""
    out = []
    for line in text.splitlines():
        cells = line.split(",")
        if cells[0] == "setup":
            out.append(line)
            continue
        hz, zenith = float(cells[5]), float(cells[6])
        off = collimation / math.sin(math.radians(zenith))
        cells[5], cells[6] = f"{hz + off:.10f}", f"{zenith + index:.10f}"
        out.append(",".join(cells))
        if cells[8] == "MARK":
            cells[2], cells[5], cells[6] = "2", f"{(hz + 180 - off) % 360:.10f}", f"{360 - zenith + index:.10f}"
            out.append(",".join(cells))
    return "\n".join(out)


def test_collimation_and_index_error_are_found_reported_and_taken_out():
    found = surveyed(on_both_faces(shots_file(SITE), collimation=0.02, index=-0.03))
    assert not found.holds
    assert any('collimation +72.0"' in note and 'index -108.0"' in note for note in found.notes)
    assert "instrument" in {warning.ref for warning in found.survey.warnings}
    for point in found.survey.points:
        assert point.place == pytest.approx(SITE.place(point.point)[:2], abs=1e-6)
        assert point.elev == pytest.approx(SITE.place(point.point)[2], abs=1e-6)


def test_a_mixed_up_face_is_not_averaged_and_is_named():
    text = changed(on_both_faces(shots_file(SITE)), "S1,M3,2", 5, lambda hz: f"{float(hz) + 2:.6f}")
    found = surveyed(text)
    assert any(warning.ref == "spread" and "S1" in warning.what and "M3" in warning.what for warning in found.survey.warnings)
    assert any("direction S1→M3" in line for line in found.survey.adjustment.rejected) or any("S1→M3" in reason.what for reason in found.holds)


def test_a_distance_blunder_to_a_mark_is_named_with_its_size():
    found = surveyed(changed(shots_file(SITE, errors(1)), "S2,M2,", 7, lambda d: f"{float(d) + 0.3:.4f}"))
    assert not found.holds
    line = found.survey.adjustment.rejected[0]
    assert line.startswith("distance S2→M2 is about 11-")  # 0.3 m is 11-13/16 in, less what the errors take
    assert "too large" in line


def test_a_rod_height_bust_on_a_mark_of_two_setups_is_seen_and_held():
    """Two heights of one mark: either may be the wrong one, and both are named."""
    found = surveyed(changed(shots_file(SITE, errors(2)), "S2,M2,", 4, lambda ht: "1.900"))
    held = next(reason for reason in found.holds if reason.ref == "blunder-not-located")
    assert "zenith angle S1→M2" in held.what and "zenith angle S2→M2" in held.what
    assert not [warning for warning in found.survey.warnings if warning.ref == "place-twice"]


def test_a_rod_height_bust_on_a_mark_with_a_known_height_is_located():
    marks = {name: value for name, value in SITE.points.items() if name.startswith("M")}
    text = changed(shots_file(SITE, errors(2)), "S2,M2,", 4, lambda ht: "1.900")
    job = default_job("made", survey={"unit": "metre", "elevation_sigma": "0.4 mm"})  # as sharp as the zenith angles: three heights of one mark
    found = answer(job, {"a.csv": point_file(Made(marks)).encode(), "shots.csv": text.encode()})
    rejected = " ".join(found.survey.adjustment.rejected)
    assert "zenith angle S2→M2" in rejected and "in height" in rejected


def test_a_missing_backsight_is_held_and_the_setup_named():
    lines = [line for line in shots_file(SITE).splitlines() if not (line.startswith("S2,") and line.split(",")[1] in ("S1", "M1", "M2", "M3"))]
    lines.append("S2,X1,1,1.5,1.6,10,90,5,SPOT,,,,")
    found = surveyed("\n".join(lines))
    assert [(reason.ref, "S2" in reason.what) for reason in found.holds] == [("setup-not-tied", True)]


def test_a_setup_by_resection_of_directions_alone():
    lines = []
    for line in shots_file(SITE).splitlines():
        cells = line.split(",")
        if cells[0] == "S2":
            if cells[1] == "S1":
                continue
            cells[7] = ""
        if cells[0] == "S1" and cells[1] == "S2":
            continue
        lines.append(",".join(cells))
    found = surveyed("\n".join(lines))
    place = next(point.place for point in found.survey.points if point.point == "S2")
    assert place == pytest.approx(SITE.place("S2")[:2], abs=1e-6)


def test_a_target_by_intersection_and_one_by_a_single_ray():
    text = shots_file(SITE).splitlines()
    for setup, circle in (("S1", 0.7), ("S2", 2.1)):
        at = SITE.place(setup)
        hz = math.degrees(math.atan2(5 - at[0], 12 - at[1]) - circle) % 360
        hi = "1.5" if setup == "S1" else "1.62"
        text.insert(next(n for n, line in enumerate(text) if line.startswith(setup + ",")) + 1, f"{setup},X,1,{hi},,{hz:.12f},,,SPOT,,,,")
    found = surveyed("\n".join(text))
    crossed = next(point for point in found.survey.points if point.point == "X")
    assert crossed.place == pytest.approx((5, 12), abs=1e-6) and crossed.elev is None
    lonely = surveyed(shots_file(SITE) + "S2,Y,1,1.62,,10,,,SPOT,,,,\n")
    assert [(reason.ref, "Y" in reason.what) for reason in lonely.holds] == [("target-not-fixed", True)]


def test_a_wrong_mark_coordinate_is_named():
    marks = {name: value for name, value in SITE.points.items() if name.startswith("M") or name == "S1"}
    code, east, north, up = marks["M2"]
    marks["M2"] = (code, east + 0.5, north, up)
    found = surveyed(shots_file(SITE, errors(3)), **{"a.csv": point_file(Made(marks)).encode()})
    said = " ".join(found.survey.adjustment.rejected) + " ".join(reason.what for reason in found.holds)
    assert "mark M2" in said


@pytest.mark.parametrize(("turn", "ref"), [(lambda e, n: (n, e), "swapped"), (lambda e, n: (e / 0.3048, n / 0.3048), "unit-against-marks")])
def test_marks_swapped_or_in_another_unit_are_held(turn, ref):
    marks = {name: (code, *turn(east, north), up) for name, (code, east, north, up) in SITE.points.items() if name.startswith("M")}
    found = surveyed(shots_file(SITE), **{"a.csv": point_file(Made(marks)).encode()})
    assert [reason.ref for reason in found.holds] == [ref]


def test_points_and_shots_without_a_common_point_are_held():
    found = surveyed(shots_file(SITE), **{"a.csv": b"901,1,2,3,MARK\n902,5,6,7,MARK\n"})
    assert "no-common-point" in {reason.ref for reason in found.holds}


def test_without_heights_of_instrument_there_are_no_levels_and_the_plan_is_right():
    lines = []
    for line in shots_file(SITE).splitlines():
        cells = line.split(",")
        lines.append(",".join([*cells[:3], "", "", *cells[5:]]) if cells[0] != "setup" else line)
    found = surveyed("\n".join(lines))
    assert not found.holds
    for point in found.survey.points:
        assert point.place == pytest.approx(SITE.place(point.point)[:2], abs=1e-5)
        assert point.elev is None or point.point == "S1"


def test_temperature_and_pressure_lengthen_or_shorten_distances():
    hot = default_job("made", survey={"unit": "metre", "temperature": 40.0, "pressure": 900.0})
    plain, corrected = surveyed(shots_file(SITE)), answer(hot, {"shots.csv": shots_file(SITE).encode()})
    near = {point.point: point for point in plain.survey.points}
    far = {point.point: point for point in corrected.survey.points}
    ratio = math.dist(far["M2"].place, far["S1"].place) / math.dist(near["M2"].place, near["S1"].place)
    assert (ratio - 1) * 1e6 == pytest.approx(281.8 - 79.4 * 900 / 313.15, abs=3)  # vapour adds 1.6


def test_a_check_shot_from_the_other_setup_ties_the_two():
    """S2 sees one mark with a distance and checks W5: enough to place it, though no second mark was shot."""
    lines = []
    for line in shots_file(SITE).splitlines():
        cells = line.split(",")
        if cells[0] == "S2" and cells[1] == "M1":
            lines.append(line)
        if cells[0] != "S2" and cells[1] != "S2":
            lines.append(line)
    at, there = SITE.place("S2"), SITE.place("W5")
    level, rise = math.dist(at[:2], there[:2]), there[2] + 1.8 - at[2] - 1.62
    hz = math.degrees(math.atan2(there[0] - at[0], there[1] - at[1]) - 2.1) % 360
    zenith = math.degrees(math.atan2(level, rise) + 0.87 * level / (2 * 6_371_000))
    lines.append(f"S2,K1,1,1.62,1.8,{hz:.10f},{zenith:.10f},{math.hypot(level, rise):.8f},CHECK,of W5,,,")
    found = surveyed("\n".join(lines))
    assert not found.holds, found.holds
    places = {point.point: point for point in found.survey.points}
    assert places["S2"].place == pytest.approx(at[:2], abs=1e-5)
    assert (places["K1"].state, places["W5"].state) == ("check", "used")


def test_a_setup_on_the_danger_circle_is_held_with_its_marks():
    """S2 saw three marks without distances, and stands on their circle."""
    circle = {name: (10 * math.sin(turn), 10 * math.cos(turn)) for name, turn in (("M1", 0.2), ("M2", 1.5), ("M3", 2.9))}
    at = (10 * math.sin(4.4), 10 * math.cos(4.4))
    given = "".join(f"{name},{north:.9f},{east:.9f},0,MARK\n" for name, (east, north) in circle.items())
    lines = ["setup,target,face,hi,ht,hz_deg,zenith_deg,slope_dist,code,remark"]
    lines += [f"S1,{name},1,1.5,1.5,{math.degrees(math.atan2(*place)) % 360:.9f},90,10,MARK," for name, place in circle.items()]
    lines += [f"S2,{name},1,1.5,1.5,{math.degrees(math.atan2(e - at[0], n - at[1])) % 360:.9f},,,MARK," for name, (e, n) in circle.items()]
    found = surveyed("\n".join(lines), **{"a.csv": given.encode()})
    danger = next(reason for reason in found.holds if reason.ref == "danger-circle")
    assert "S2" in danger.what and "M1, M2, M3" in danger.what


def test_marks_in_grid_coordinates_beside_shots_are_brought_to_ground_first():
    """At 3,100 m the grid is 1 in 1,800 short: without that, 14 m between marks would miss by 8 mm."""
    factor, east0, north0 = 0.9994523, 846_219.0, 462_357.0
    marks = {name: (c, e * factor + east0, n * factor + north0, u + 3105) for name, (c, e, n, u) in SITE.points.items() if name.startswith("M")}
    job = default_job("made", survey={"unit": "metre", "crs": "EPSG:26954"})
    found = answer(job, {"a.csv": point_file(Made(marks)).encode(), "shots.csv": shots_file(SITE).encode()})
    assert not found.holds, found.holds
    frame = found.survey.frame
    assert frame.combined_factor == pytest.approx(factor, abs=1e-6)
    assert found.survey.adjustment.variance_factor < 0.01
    place = next(point.place for point in found.survey.points if point.point == "W3")
    _, east, north, _ = SITE.points["W3"]
    assert frame.to_survey(*place) == pytest.approx((east * factor + east0, north * factor + north0), abs=1e-4)


def test_a_sight_of_another_target_than_was_written_is_one_warning_that_names_the_likely_one():
    site = made_site(5, base="station", count=24)
    text = shots_file(site, errors(3)).replace("S2,M3,", "S2,M2,")
    found = answer(default_job("made", survey={"unit": "metre"}), {"shots.csv": text.encode()})
    blunders = [warning for warning in found.survey.warnings if warning.ref == "blunder"]
    assert len(blunders) == 1 and "S2→M2" in blunders[0].what and "likely M3" in blunders[0].why


def test_a_setup_in_another_unit_is_held_as_that():
    rows = [row.split(",") for row in shots_file(made_site(5, base="station")).splitlines()]
    text = "\n".join(",".join([*r[:7], f"{float(r[7]) / 0.3048:.4f}", *r[8:]] if r[0] == "S2" else r) for r in rows)
    found = answer(default_job("made", survey={"unit": "metre"}), {"shots.csv": text.encode()})
    assert [reason.ref for reason in found.holds] == ["unit-between-setups"]


def test_a_wrong_mark_is_named_where_it_came_from():
    site = made_site(5, base="station")
    marks = "\n".join(
        f"{name},{site.place(name)[1] + 0.3048 * (name == 'M2'):.4f},{site.place(name)[0]:.4f},0,MARK" for name in ("M1", "M2", "M3", "S2")
    )
    job = default_job("made", survey={"unit": "metre"})
    found = answer(job, {"marks.csv": marks.encode(), "shots.csv": shots_file(site, errors(2)).encode()})
    (blunder,) = [warning for warning in found.survey.warnings if warning.ref == "blunder" and "northing" in warning.what]
    assert (blunder.file, blunder.line) == ("marks.csv", 2)


def test_a_water_shot_written_as_its_own_setup_is_lost_and_not_spared():
    text = shots_file(made_site(5, base="station")).replace("S1,W3,", "S1,S1,")
    found = answer(default_job("made", survey={"unit": "metre"}), {"shots.csv": text.encode()})
    assert [reason.ref for reason in found.holds] == ["lost-shot"]
