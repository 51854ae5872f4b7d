"""Locks, marks, time limits, ledgers, plans: the engine's parts on their own."""

from __future__ import annotations

import contextlib
import subprocess
import sys
import time

import msgspec
import pytest

from pipeline.artifacts import JobPlace, write_bytes
from pipeline.batch.at_work import at_work, death_reason
from pipeline.batch.chunk import Index
from pipeline.batch.ledger import Entry, Ledger, first_stale, products_of, stage_keys, status_of, take_away_from
from pipeline.batch.lock import LockedError, held
from pipeline.batch.places import Places
from pipeline.batch.plan import CHUNK_JOBS, NightPlan, PlannedJob, _seated, write_plan
from pipeline.batch.receive import Received
from pipeline.batch.time_limit import TimeLimitError, time_limit
from pipeline.model.status import STAGES

CODE = dict.fromkeys(STAGES, "code")


@pytest.fixture
def place(tmp_path):
    made = Places(tmp_path / "out").job("ash")
    made.work.mkdir(parents=True)
    made.out.mkdir(parents=True)
    return made


def test_a_lock_says_who_holds_it_and_dies_with_its_holder(tmp_path):
    code = "import sys, time; from pathlib import Path; from pipeline.batch.lock import held\nwith held(Path(sys.argv[1])):\n print('in', flush=True); time.sleep(60)"
    with subprocess.Popen([sys.executable, "-c", code, str(tmp_path / "lock")], stdout=subprocess.PIPE) as other:
        other.stdout.readline()
        with pytest.raises(LockedError) as locked, held(tmp_path / "lock"):
            pass
        assert locked.value.holder.pid == other.pid
        other.kill()
        other.wait()
    with held(tmp_path / "lock"):
        pass


@pytest.mark.parametrize("work", ["while True: pass", "time.sleep(60)"])
def test_a_time_limit_ends_work_that_computes_and_work_that_waits(work):
    started = time.monotonic()
    with pytest.raises(TimeLimitError), time_limit(0.1):
        exec(work, {"time": time})
    assert time.monotonic() - started < 20


def test_no_stage_catches_the_time_limit_by_accident():
    with pytest.raises(TimeLimitError), time_limit(0.05):
        while True:
            with contextlib.suppress(Exception):
                time.sleep(1)


def _killed_at(place, run, stage):
    mark = at_work(place, run, stage, 60)
    mark.__enter__()  # and never left, as when the process is killed
    return mark


def test_a_second_death_in_one_run_holds_the_job_and_deaths_of_another_run_do_not_count(place):
    marks = [_killed_at(place, "tonight", "layout")]
    assert death_reason(place, "tonight", "layout") is None
    marks.append(_killed_at(place, "tonight", "layout"))
    assert death_reason(place, "tonight", "layout").ref == "worker-died"
    assert death_reason(place, "tomorrow", "layout") is None
    assert death_reason(place, "tonight", "edge") is None
    marks.append(_killed_at(place, "tomorrow", "layout"))
    assert death_reason(place, "tomorrow", "layout") is None
    for mark in marks:
        mark.__exit__(None, None, None)
    assert death_reason(place, "tomorrow", "layout") is None


def _done(place, *stages):
    keys = stage_keys("job", CODE)
    for stage in stages:
        write_bytes(place.out / f"{stage}.json", stage.encode())
    return Ledger(entries={stage: Entry(key=keys[stage], outcome="done", products=products_of(place, stage)) for stage in stages})


def test_a_stage_is_stale_when_its_key_differs_or_its_product_is_gone(place):
    keys = stage_keys("job", CODE)
    ledger = _done(place, "survey", "edge")
    assert first_stale(place, ledger, keys)[0] == "layout"
    assert first_stale(place, ledger, stage_keys("other", CODE))[0] == "survey"
    assert first_stale(place, ledger, stage_keys("job", {**CODE, "edge": "new"}))[0] == "edge"
    (place.out / "edge.json").write_bytes(b"tampered with")
    assert first_stale(place, ledger, keys)[0] == "edge"


def test_a_held_job_is_left_alone_while_nothing_changes(place):
    keys = stage_keys("job", CODE)
    ledger = _done(place, "survey")
    ledger.entries["edge"] = Entry(key=keys["edge"], outcome="held")
    assert first_stale(place, ledger, keys) is None
    assert status_of(place, ledger).stage == "edge"


def test_keys_of_later_stages_follow_from_earlier_ones():
    keys, other = stage_keys("job", CODE), stage_keys("job", {**CODE, "layout": "new"})
    assert [keys[stage] == other[stage] for stage in STAGES] == [True, True, False, False, False, False, False, False]


def test_what_later_stages_left_is_taken_away_and_revisions_stay(place):
    for name in ("survey.json", "edge.json", "layout.json", "points.csv", "package/crew.pdf", "revisions.json", "ash-r1.zip"):
        write_bytes(place.out / name, b"x")
    take_away_from(place, "edge")
    left = sorted(path.relative_to(place.out).as_posix() for path in place.out.rglob("*") if path.is_file())
    assert left == ["ash-r1.zip", "points.csv", "revisions.json", "survey.json"]


def test_chunks_fill_evenly_keep_their_jobs_and_never_overflow():
    few = _seated({}, ["a", "b", "c", "d", "e"], 2)
    assert sorted(few.values()) == ["c0000"] * 3 + ["c0001"] * 2
    many = _seated(few, [*few, *(f"n{number}" for number in range(400))], 2)
    assert {name: chunk for name, chunk in many.items() if name in few} == few
    sizes = [list(many.values()).count(chunk) for chunk in set(many.values())]
    assert sorted(sizes) == [99, 102, 102, 102]  # two rounds of two cores


def test_no_chunk_overflows_and_every_core_has_as_many():
    seats = _seated({}, [f"j{number:04}" for number in range(1000)], 3)
    sizes = [list(seats.values()).count(chunk) for chunk in set(seats.values())]
    assert max(sizes) <= CHUNK_JOBS
    assert len(sizes) == 9  # three rounds of three cores
    assert max(sizes) - min(sizes) <= len(sizes)


def test_a_removed_jobs_seat_is_given_to_a_new_one():
    seats = _seated({}, [f"j{number:02}" for number in range(32)], 2)
    again = _seated({name: chunk for name, chunk in seats.items() if name != "j05"}, [*(name for name in seats if name != "j05"), "new"], 2)
    assert again["new"] == seats["j05"]


def test_writing_is_whole_or_not_at_all(tmp_path, monkeypatch):
    write_bytes(tmp_path / "file", b"old")
    monkeypatch.setattr("os.fsync", lambda handle: (_ for _ in ()).throw(OSError(28, "No space left on device")))
    with pytest.raises(OSError, match="No space"):
        write_bytes(tmp_path / "file", b"new and longer")
    assert (tmp_path / "file").read_bytes() == b"old"
    assert [path.name for path in tmp_path.iterdir()] == ["file"]


def test_ledgers_survive_being_written_and_read(place):
    ledger = _done(place, "survey")
    assert msgspec.json.decode(msgspec.json.encode(ledger), type=Ledger) == ledger
    assert isinstance(place, JobPlace)


def test_a_chunks_file_is_written_only_when_its_content_changes(tmp_path):
    """What Snakemake compares is left alone, so that it sees no change where there is none."""
    places = Places(tmp_path / "out")

    def planned(name, key, chunk):
        return PlannedJob(name=name, shown=name, received=Received(key=key), ledger=Ledger(), chunk=chunk)

    def write(*jobs):
        index = Index(chunks=tuple(sorted({job.chunk for job in jobs})), code=CODE, products="", python="python")
        write_plan(places, NightPlan(jobs=jobs, seconds=60.0), index)
        return {path.name: path.stat().st_ino for path in (places.plan / "chunks").iterdir()}

    first = write(planned("ash", "1", "c0000"), planned("beech", "2", "c0001"))
    assert first == write(planned("ash", "1", "c0000"), planned("beech", "2", "c0001"))
    other = write(planned("ash", "1", "c0000"), planned("beech", "3", "c0001"), planned("fir", "4", "c0002"))
    assert other["c0000.json"] == first["c0000.json"]
    assert other["c0001.json"] != first["c0001.json"]
    assert set(write(planned("ash", "1", "c0000"))) == {"c0000.json"}
