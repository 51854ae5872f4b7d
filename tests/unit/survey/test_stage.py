import csv
import io

import msgspec
import pytest

from pipeline import artifacts
from pipeline.artifacts import JobPlace
from pipeline.errors import SurveyError
from pipeline.intake.resolve import default_job
from pipeline.model.job import InputFile
from pipeline.model.survey import Survey
from pipeline.survey import stage
from tests.unit.survey.made_surveys import made_site, point_file


def place_for(folder, text, **survey):
    (folder / "intake").mkdir(exist_ok=True)
    (folder / "intake" / "points.csv").write_text(text)
    job = msgspec.structs.replace(
        default_job("job", survey={"unit": "metre", **survey}), survey_files=(InputFile(name="points.csv", sha256="0" * 64),)
    )
    place = JobPlace(job="job", intake=folder / "intake", out=folder / "out", work=folder / "work")
    artifacts.write(place, "job", job, inputs={}, made_by="test")
    return place


def test_the_artifact_and_the_table_are_written_and_the_same_twice(tmp_path):
    place = place_for(tmp_path, point_file(made_site(3)))
    assert stage.run(place) == ()
    first = (place.out / "survey.json").read_bytes(), (place.out / "points.csv").read_bytes()
    stage.run(place)
    assert first == ((place.out / "survey.json").read_bytes(), (place.out / "points.csv").read_bytes())
    survey = artifacts.read(place, "survey", Survey)
    rows = list(csv.DictReader(io.StringIO(first[1].decode())))
    assert [row["point"] for row in rows] == [point.point for point in survey.points]
    assert list(rows[0]) == [
        "point",
        "code",
        "east_m",
        "north_m",
        "elev_m",
        "sigma_east_mm",
        "sigma_north_mm",
        "sigma_elev_mm",
        "state",
        "residual_mm",
        "why",
    ]
    assert rows[0]["east_m"] == "0.000000" and rows[0]["sigma_east_mm"] == "3.0"


def test_a_held_job_has_its_table_of_points(tmp_path):
    lines = [line for line in point_file(made_site(3)).splitlines() if "WATER" not in line]
    place = place_for(tmp_path, "\n".join(lines))
    with pytest.raises(SurveyError) as held:
        stage.run(place)
    assert [reason.ref for reason in held.value.reasons] == ["no-water"]
    assert (place.out / "points.csv").exists() and not (place.out / "survey.json").exists()


def test_grid_coordinates_stand_in_the_table_as_they_came(tmp_path):
    site = made_site(3)
    moved = type(site)({name: (code, e + 846_219, n + 462_357, u + 3100) for name, (code, e, n, u) in site.points.items()})
    place = place_for(tmp_path, point_file(moved, decimals=6), crs="EPSG:26954")
    stage.run(place)
    rows = {row["point"]: row for row in csv.DictReader(io.StringIO((place.out / "points.csv").read_text()))}
    assert float(rows["W2"]["east_m"]) == pytest.approx(moved.points["W2"][1], abs=1e-6)
