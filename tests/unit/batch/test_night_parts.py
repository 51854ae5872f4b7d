"""Parts of the night on their own: progress, kept revisions, what is ordered, what a table cell may hold."""

from __future__ import annotations

import io
import time

import msgspec
import pytest

from pipeline import artifacts
from pipeline.batch.ledger import revision
from pipeline.batch.line import write_if_other
from pipeline.batch.night import _prune_revisions
from pipeline.batch.places import Places
from pipeline.batch.products import Gathered, NightJob, NightJobs, _ordered, _status_table, gathered
from pipeline.batch.progress import Progress
from pipeline.batch.standings import Standing, standing_of
from pipeline.errors import Reason
from pipeline.intake.queue import Queue, QueueEntry
from pipeline.intake.resolve import default_job
from pipeline.model.compliance import Compliance
from pipeline.model.fabrication import CuttingProof, Fabrication
from pipeline.model.status import STAGES, Status


@pytest.fixture
def places(tmp_path):
    return Places(tmp_path / "out")


def _job(places, name, *, state="complete", verdict="complies", hold=False):
    place = places.job(name)
    job = default_job(name)
    job = msgspec.structs.replace(job, shop=msgspec.structs.replace(job.shop, hold_order_on_fail=hold))
    proof = CuttingProof(objective=(0.0,), bound=(0.0,), gap=0.0, method="none")
    made = Fabrication(panels=(), demands=(), cuts=(), proof=proof, order=(), total=1.0, currency="USD", epoxy_ml=0.0, holes_per_cartridge=1.0)
    for part, body in (("job", job), ("fabrication", made), ("compliance", Compliance(checks=(), not_applicable=(), cautions=(), verdict=verdict))):
        artifacts.write(place, part, body, inputs={}, made_by="test")
    write_if_other(place, Status(job=name, state=state, revision=1, stage="package"))
    return NightJob(name, name, "key")


def test_held_jobs_are_not_ordered_and_failing_ones_only_where_the_shop_says_so(places):
    jobs = (
        _job(places, "good"),
        _job(places, "held", state="held"),
        _job(places, "fails", verdict="does not comply"),
        _job(places, "stopped", verdict="does not comply", hold=True),
        NightJob("refused", "refused", ""),
    )
    write_if_other(places.job("refused"), Status(job="refused", state="held", revision=0, stage="intake"))
    night = NightJobs(jobs=jobs, office="")
    assert [job.name for job, _ in _ordered(places, night, Gathered())] == ["good", "fails"]
    artifacts.write_bytes(places.plan / "jobs.json", msgspec.json.encode(night))
    known = gathered(places, {"fails"})
    assert set(known.ordered) == set(known.standings) == {"good", "held", "stopped", "refused"}
    assert _ordered(places, night, known) == _ordered(places, night, Gathered())
    (places.job("held").work / "job.json").write_bytes(b"{")
    artifacts.path_of(places.job("good"), "fabrication").write_bytes(b"{")
    assert gathered(places, ()) == Gathered()  # whoever needs it then says what is wrong with it


def test_the_last_revisions_are_kept_by_number_not_by_name(places):
    out = places.job("ash").out
    out.mkdir(parents=True)
    for number in (1, 2, 9, 10, 11):
        (out / f"ash-r{number}.zip").touch()
    (out / "ash-r1.zip.txt").touch()
    (out / "other-r1.zip").touch()
    queue = Queue(folder=places.out, entries=(QueueEntry(name="ash", shown="ash", source=places.out),))
    _prune_revisions(places, queue, 2)
    assert sorted(path.name for path in out.iterdir()) == ["ash-r1.zip.txt", "ash-r10.zip", "ash-r11.zip", "other-r1.zip"]


@pytest.mark.parametrize(
    ("content", "number"), [(b"[]", 0), (b'[{"revision": 3}]', 3), (b"nonsense", 0), (b'{"a": 1}', 0), (b'[{"revision": "x"}]', 0)]
)
def test_a_damaged_list_of_revisions_counts_as_none(places, content, number):
    artifacts.write_bytes(places.job("ash").out / "revisions.json", content)
    assert revision(places.job("ash")) == number


def test_a_job_not_taken_in_shows_nothing_of_an_earlier_night(places):
    _job(places, "ash")
    assert standing_of(places, "ash", "ash", taken_in=False).verdict == ""
    assert standing_of(places, "ash", "ash", taken_in=True).verdict == "complies"


def test_the_status_table_has_a_line_for_every_reason_and_no_formula():
    reasons = (Reason(ref="a", what="=1+1", do="+x"), Reason(ref="b", what='two,\n"lines"', file="-f", line=3))
    status = Status(job="ash", state="held", revision=0, stage="survey", reasons=reasons)
    table = _status_table((Standing(shown="ash", status=status),)).decode()
    assert table.count("\r\n") == 3
    assert "'=1+1" in table
    assert "'+x" in table
    assert "'-f" in table


def test_plain_lines_are_told_once_and_the_bar_only_on_a_terminal(tmp_path):
    told = io.StringIO()
    progress = Progress(told)
    with progress.watching(tmp_path / "events", ("ash", "beech"), 5):
        with (tmp_path / "events").open("a") as events:
            events.write("".join(f"ash {stage} done\n" for stage in STAGES) + "beech edge held\nnonsense\n")
        time.sleep(0.5)
    assert told.getvalue() == "5 jobs, 2 of them to be built; then the batch-wide products\n"
    assert (progress._stages, progress._held) == ({"ash": len(STAGES), "beech": len(STAGES)}, {"beech"})


def test_verbose_tells_every_job_and_stage(tmp_path):
    told = io.StringIO()
    with Progress(told, verbose=True).watching(tmp_path / "events", ("ash",), 1), (tmp_path / "events").open("a") as events:
        events.write("ash survey done\nash edge fault\n")
    assert told.getvalue().splitlines()[1:] == ["ash: survey done", "ash: edge fault"]
