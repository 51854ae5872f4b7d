"""The shell of the stage: nothing came back, nothing is left; a sheet came back, an artifact stands; and only from here on a night is stale."""

import hashlib

import msgspec
import pytest

from pipeline import artifacts
from pipeline.batch.ledger import READS_RETURNED, stage_keys
from pipeline.drilling import stage
from pipeline.errors import JobError
from pipeline.model.drilling import Drilling, Returned
from pipeline.model.job import InputFile
from pipeline.model.status import STAGES
from tests.unit.drilling.drilled_fences import JOB, SITE, SURVEY, distances, places_of, plan_of

PLAN = plan_of()


@pytest.fixture
def place(tmp_path):
    there = artifacts.JobPlace("heron", tmp_path / "intake", tmp_path / "out", tmp_path / "work")
    for name, record in (("job", JOB), ("survey", SURVEY), ("edge", SITE), ("layout", PLAN)):
        artifacts.write(there, name, record, inputs={}, made_by="test")
    return there


def sent_back(place, **files):
    place.intake.mkdir(exist_ok=True)
    for name, text in files.items():
        (place.intake / f"{name}.csv").write_text(text)
    named = {name: InputFile(name=f"{name}.csv", sha256=hashlib.sha256(text.encode()).hexdigest()) for name, text in files.items()}
    artifacts.write(place, "returned", Returned(as_drilled=named.get("as_drilled"), cut=named.get("cut")), inputs={}, made_by="test")


def test_where_nothing_came_back_nothing_is_left(place):
    (place.out / "drilling.json").write_text("of an earlier night")
    assert stage.run(place) == ()
    assert not (place.out / "drilling.json").exists()
    assert artifacts.read_if_there(place, "drilling", Drilling) is None


def test_a_sheet_makes_the_artifact_the_same_bytes_twice(place):
    sent_back(place, as_drilled=distances(places_of(PLAN, H003=(0.060, 0.0))), cut="panel,length\nP01,3650\n")
    warnings = stage.run(place)
    first = (place.out / "drilling.json").read_bytes()
    assert stage.run(place) == warnings
    assert (place.out / "drilling.json").read_bytes() == first
    drilling = artifacts.read(place, "drilling", Drilling)
    assert drilling.layout.panels[0].kind == "custom"
    assert [file.name for file in drilling.returned.files] == ["as_drilled.csv", "cut.csv"]
    assert set(msgspec.json.decode(first)["inputs"]) == {"job", "returned", "survey", "edge", "layout"}


def test_a_sheet_that_cannot_be_read_holds_the_job_and_leaves_nothing(place):
    sent_back(place, as_drilled=distances(places_of(PLAN)))
    stage.run(place)
    sent_back(place, as_drilled="hole,to_next\nH999,914\n")
    with pytest.raises(JobError):
        stage.run(place)
    assert not (place.out / "drilling.json").exists()


def test_what_came_back_makes_nothing_stale_before_its_own_stage():
    code = dict.fromkeys(STAGES, "code")
    before, after, other = stage_keys("job", code), stage_keys("job", code, "sheet"), stage_keys("job", code, "another")
    at = STAGES.index(READS_RETURNED)
    assert [before[one] == after[one] for one in STAGES] == [True] * at + [False] * (len(STAGES) - at)
    assert [after[one] == other[one] for one in STAGES] == [True] * at + [False] * (len(STAGES) - at)
