"""The engine: what runs again and what does not, what a fault costs, who may be at work; on toy stages, through the real command."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import time

import pytest

from pipeline.model.status import STAGES
from tests.unit.batch.toy_line import add_job, command, digests, ran, run, toy_house

JOBS = ("ash", "beech", "cedar")


@pytest.fixture
def house(tmp_path):
    return toy_house(tmp_path / "house")


@pytest.fixture
def queue(tmp_path):
    for name in JOBS:
        add_job(tmp_path / "queue", name)
    return tmp_path / "queue"


@pytest.fixture
def out(tmp_path):
    return tmp_path / "out"


def _status(out, job):
    return json.loads((out / "jobs" / job / "status.json").read_text())


def _whole_line(*jobs):
    return sorted(f"{job} {stage}" for job in jobs for stage in STAGES)


def test_a_night_builds_every_job_once_and_the_next_does_nothing(house, queue, out):
    first = run(house, "batch", queue, "--out", out)
    assert (first.returncode, first.stderr) == (0, first.stderr)
    assert _whole_line(*JOBS) == sorted(ran(out))
    before = digests(out)
    assert {"batch/board.html", "batch/order.xlsx", "batch/cutting.csv", "batch/offcuts.csv", "batch/status.csv"} <= set(before)
    second = run(house, "batch", queue, "--out", out)
    assert second.returncode == 0
    assert ran(out) == []
    assert before == digests(out)


def test_one_changed_job_is_built_alone(house, queue, out):
    run(house, "batch", queue, "--out", out)
    ran(out)
    add_job(queue, "beech", "layout slow 0")
    assert run(house, "batch", queue, "--out", out).returncode == 0
    assert _whole_line("beech") == sorted(ran(out))


def test_a_touched_file_with_the_same_content_builds_nothing(house, queue, out):
    run(house, "batch", queue, "--out", out)
    ran(out)
    (queue / "ash" / "points.csv").touch()
    os.utime(queue / "cedar" / "points.csv", (10**9 * 3, 10**9 * 3))  # a clock that jumped far ahead
    assert run(house, "batch", queue, "--out", out).returncode == 0
    assert ran(out) == []


@pytest.mark.parametrize("then", [10**9, 3 * 10**9], ids=["2001", "2065"])
def test_a_clock_that_jumped_between_two_nights_changes_nothing(house, queue, out, then):
    """What the engine compares is dated another year: what is stale is told by content, never by the clock."""
    run(house, "batch", queue, "--out", out)
    ran(out)
    before = digests(out)
    for folder in (queue, out / ".sleeveline" / "plan", out / ".sleeveline" / "stamps", out / ".sleeveline" / ".snakemake"):
        for path in folder.rglob("*"):
            os.utime(path, (then, then))
    assert run(house, "batch", queue, "--out", out).returncode == 0
    assert ran(out) == []
    add_job(queue, "beech", "layout slow 0")
    os.utime(queue / "beech" / "points.csv", (then - 10**8, then - 10**8))
    assert run(house, "batch", queue, "--out", out).returncode == 0
    assert _whole_line("beech") == sorted(ran(out))
    assert {name for name, digest in digests(out).items() if before.get(name) != digest} >= {"jobs/beech/package/manifest.json"}


def test_new_code_of_a_stage_builds_from_that_stage_on(house, queue, out):
    run(house, "batch", queue, "--out", out)
    ran(out)
    with (house / "pipeline" / "compliance" / "stage.py").open("a") as source:
        source.write("\n# another version\n")
    assert run(house, "batch", queue, "--out", out).returncode == 0
    assert sorted(ran(out)) == sorted(f"{job} {stage}" for job in JOBS for stage in ("compliance", "drawings", "package"))


def test_new_code_below_all_stages_builds_everything(house, queue, out):
    run(house, "batch", queue, "--out", out)
    ran(out)
    with (house / "pipeline" / "units.py").open("a") as source:
        source.write("\n# another version\n")
    assert run(house, "batch", queue, "--out", out).returncode == 0
    assert sorted(ran(out)) == _whole_line(*JOBS)


def test_a_new_shop_file_builds_everything_and_a_new_shelf_nothing_but_the_order(house, queue, out):
    run(house, "batch", queue, "--out", out)
    ran(out)
    (queue / "offcuts.csv").write_text("id,length,posts,height,colour\nA7,96 in,3,48 in,black\n")
    assert run(house, "batch", queue, "--out", out).returncode == 0
    assert ran(out) == []
    assert "A7" in (out / "batch" / "offcuts.csv").read_text()
    (queue / "shop.toml").write_text('[panel]\npost_spacing = "35 in"\n')
    assert run(house, "batch", queue, "--out", out).returncode == 0
    assert sorted(ran(out)) == _whole_line(*JOBS)


def test_a_removed_product_is_made_again(house, queue, out):
    run(house, "batch", queue, "--out", out)
    ran(out)
    before = digests(out)
    (out / "jobs" / "ash" / "ash-r1.zip").unlink()
    (out / "batch" / "board.html").write_text("scribbled over")
    assert run(house, "batch", queue, "--out", out).returncode == 0
    assert ran(out) == ["ash package"]
    assert before == digests(out)


def test_held_is_data_and_stays_held_until_something_changes(house, queue, out):
    add_job(queue, "fir", "layout held")
    add_job(queue, "gorse", "edge raise")
    add_job(queue, "hazel", "drawings memory")
    first = run(house, "batch", queue, "--out", out)
    assert first.returncode == 3
    assert "Traceback" not in first.stderr + first.stdout
    assert [_status(out, job)["reasons"][0]["ref"] for job in ("fir", "gorse", "hazel")] == ["toy", "internal-fault", "out-of-memory"]
    assert "ZeroDivisionError" in (out / ".sleeveline" / "work" / "gorse" / "logs" / "edge.log").read_text()
    assert all(_status(out, job)["state"] == "complete" for job in JOBS)
    ran(out)
    assert run(house, "batch", queue, "--out", out).returncode == 3
    assert ran(out) == []
    assert run(house, "batch", queue, "--out", out, "--retry-held").returncode == 3
    assert ran(out) == []  # they are tried, and held again before they note that they ran
    add_job(queue, "fir")
    assert run(house, "batch", queue, "--out", out).returncode == 3
    assert sorted(ran(out)) == _whole_line("fir")


def test_a_job_that_becomes_held_loses_its_package_but_keeps_its_revisions(house, queue, out):
    run(house, "batch", queue, "--out", out)
    add_job(queue, "ash", "compliance held")
    assert run(house, "batch", queue, "--out", out).returncode == 3
    assert sorted(path.name for path in (out / "jobs" / "ash").iterdir() if path.name in ("package", "ash-r1.zip", "layout.json")) == [
        "ash-r1.zip",
        "layout.json",
    ]
    assert _status(out, "ash")["stage"] == "compliance"


def test_a_new_job_joins_and_a_removed_one_leaves_the_board(house, queue, out):
    run(house, "batch", queue, "--out", out)
    ran(out)
    add_job(queue, "fir")
    (queue / "ash" / "points.csv").unlink()
    (queue / "ash").rmdir()
    assert run(house, "batch", queue, "--out", out).returncode == 0
    assert sorted(ran(out)) == _whole_line("fir")
    told = (out / "batch" / "status.csv").read_text()
    assert "fir," in told
    assert "ash," not in told


def test_jobs_keep_their_chunk(house, queue, out):
    def chunks():
        known = json.loads((out / ".sleeveline" / "plan" / "known.json").read_text())["jobs"]
        return {name: one["chunk"] for name, one in known.items()}

    run(house, "batch", queue, "--out", out, "--cores", "2")
    first = chunks()
    assert sorted(first.values()) == ["c0000", "c0000", "c0001"]
    for name in ("aaa", "zzz"):
        add_job(queue, name)
    run(house, "batch", queue, "--out", out, "--cores", "2")
    assert {name: chunk for name, chunk in chunks().items() if name in first} == first


@pytest.mark.parametrize(("bid", "ref"), [("die", "worker-died"), ("abort", "worker-died"), ("hang", "time-limit"), ("spin", "time-limit")])
def test_a_job_that_kills_or_stops_its_worker_is_held_and_its_neighbours_finish(house, queue, out, bid, ref):
    (queue / "shop.toml").write_text("[limits]\nstage_seconds = 0.4\n")
    add_job(queue, "poison", f"fabrication {bid}")
    done = run(house, "batch", queue, "--out", out, "--cores", "1")
    assert done.returncode == 3, done.stderr
    assert (_status(out, "poison")["stage"], _status(out, "poison")["reasons"][0]["ref"]) == ("fabrication", ref)
    assert all(_status(out, job)["state"] == "complete" for job in JOBS)


def test_a_worker_killed_once_is_tried_again(house, queue, out):
    add_job(queue, "unlucky", "layout die-once")
    assert run(house, "batch", queue, "--out", out).returncode == 0
    assert _status(out, "unlucky")["state"] == "complete"


def test_a_full_disk_is_told_plainly_and_the_rerun_completes(house, queue, out):
    folder = add_job(queue, "big", "drawings full")
    done = run(house, "batch", queue, "--out", out)
    assert done.returncode == 1
    assert "No space left on device" in done.stderr
    assert "Traceback" not in done.stderr
    assert _status(out, "big")["reasons"][0]["ref"] == "not-finished"
    (folder / "points.csv").write_text((folder / "points.csv").read_text().replace("full", "slow 0"))
    assert run(house, "batch", queue, "--out", out).returncode == 0


@pytest.mark.parametrize("stage", ["edge", "layout", "drawings"])  # of the child that begins, the first and a later stage of the other
@pytest.mark.parametrize("bid", ["die", "hang", "raise", "held", "full"])
def test_a_job_alone_survives_its_own_death(house, queue, out, bid, stage):
    (queue / "shop.toml").write_text("[limits]\nstage_seconds = 0.4\n")
    done = run(house, "job", add_job(queue, "lone", f"{stage} {bid}"), "--out", out)
    assert done.returncode == (1 if bid == "full" else 3)
    assert "Traceback" not in done.stderr
    before = list(STAGES[: STAGES.index(stage)])
    assert list(dict.fromkeys(line.split()[1] for line in ran(out))) == before  # nothing of the later stages
    if bid != "full":
        assert _status(out, "lone")["stage"] == stage


@pytest.mark.parametrize("stage", ["edge", "drawings"])
def test_a_job_alone_killed_once_is_tried_again(house, queue, out, stage):
    done = run(house, "job", add_job(queue, "lone", f"{stage} die-once"), "--out", out)
    assert (done.returncode, sorted(ran(out))) == (0, _whole_line("lone")), done.stderr


def test_what_cannot_be_loaded_is_told_by_the_stage_that_needs_it(house, queue, out):
    shell = house / "pipeline" / "drawings" / "stage.py"
    shell.write_text(shell.read_text() + "\n\ndef load():\n    raise ImportError('toy')\n")
    assert run(house, "job", add_job(queue, "lone"), "--out", out).returncode == 0
    shell.write_text("import nothing_of_this_name\n" + shell.read_text())
    assert run(house, "job", queue / "lone", "--out", out).returncode == 3
    assert (_status(out, "lone")["stage"], _status(out, "lone")["reasons"][0]["ref"]) == ("drawings", "internal-fault")


def test_a_job_alone_needs_no_workflow_engine(house, queue, out):
    called, environment = command(house, "job", queue / "ash", "--out", out)
    code = f"import sys; from pipeline.cli import main; rc = main({called[3:]!r}); assert 'snakemake' not in sys.modules; sys.exit(rc)"
    done = subprocess.run([called[0], "-c", code], env=environment, cwd=house, capture_output=True, text=True, check=False)
    assert (done.returncode, sorted(ran(out))) == (0, _whole_line("ash")), done.stderr


def test_a_second_batch_says_who_holds_out_and_leaves(house, queue, out):
    add_job(queue, "slow", "edge slow 30")
    called, environment = command(house, "batch", queue, "--out", out)
    with subprocess.Popen(called, env=environment, cwd=house, stdout=subprocess.PIPE, stderr=subprocess.PIPE, start_new_session=True) as first:
        _wait_for(out / ".sleeveline" / "plan" / "run")
        second = run(house, "batch", queue, "--out", out)
        os.killpg(first.pid, signal.SIGKILL)
        first.wait()
    assert second.returncode == 75
    assert f"process {first.pid}" in second.stderr
    assert "since 20" in second.stderr
    add_job(queue, "slow")
    assert run(house, "batch", queue, "--out", out).returncode == 0  # the dead one's lock is none


@pytest.mark.parametrize("stop", [signal.SIGINT, signal.SIGTERM])
def test_an_interrupted_batch_says_so_and_goes_on_later(house, queue, out, stop):
    add_job(queue, "slow", "edge slow 20")
    called, environment = command(house, "batch", queue, "--out", out)
    with subprocess.Popen(called, env=environment, cwd=house, stdout=subprocess.PIPE, stderr=subprocess.PIPE, start_new_session=True) as first:
        _wait_for(out / "jobs" / "ash" / "edge.json")
        os.killpg(first.pid, stop)
        told = first.communicate(timeout=30)[1].decode()
    assert (first.returncode, "Traceback" in told) == (130, False), told
    add_job(queue, "slow")
    assert run(house, "batch", queue, "--out", out).returncode == 0


def test_nobody_goes_on_writing_when_the_batch_is_killed(house, queue, out):
    add_job(queue, "slow", "edge slow 20")
    called, environment = command(house, "batch", queue, "--out", out)
    with subprocess.Popen(called, env=environment, cwd=house, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL, start_new_session=True) as first:
        _wait_for(out / "jobs" / "ash" / "edge.json")
        first.kill()
        first.wait()
        deadline = time.monotonic() + 5
        while _alive_in(first.pid) and time.monotonic() < deadline:
            time.sleep(0.05)
        assert _alive_in(first.pid) == []


@pytest.mark.parametrize("instant", [0.4, 1.0])
def test_a_killed_batch_ends_as_if_nothing_had_been(house, queue, out, tmp_path, instant):
    for number in range(6):
        add_job(queue, f"job{number}", "edge slow 0.03", "layout slow 0.03", "package slow 0.03")
    assert run(house, "batch", queue, "--out", tmp_path / "calm").returncode == 0
    called, environment = command(house, "batch", queue, "--out", out)
    with subprocess.Popen(called, env=environment, cwd=house, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL, start_new_session=True) as first:
        time.sleep(instant)
        os.killpg(first.pid, signal.SIGKILL)
        first.wait()
    assert run(house, "batch", queue, "--out", out).returncode == 0
    assert digests(tmp_path / "calm") == digests(out)
    assert list(out.rglob("*.part")) == []


def test_a_run_killed_between_a_jobs_ledger_and_its_status_is_told_as_it_ended(house, queue, out):
    run(house, "batch", queue, "--out", out)
    before = digests(out)
    status = out / "jobs" / "beech" / "status.json"
    status.write_text(json.dumps({**json.loads(status.read_text()), "state": "held", "stage": "package"}))
    assert run(house, "batch", queue, "--out", out).returncode == 0
    assert before == digests(out)


def test_only_one_job(house, queue, out):
    assert run(house, "batch", queue, "--out", out, "--only", "cedar").returncode == 3
    assert sorted(ran(out)) == _whole_line("cedar")
    assert _status(out, "ash")["reasons"][0]["ref"] == "not-finished"
    wrong = run(house, "batch", queue, "--out", out, "--only", "ceder")
    assert (wrong.returncode, "did you mean cedar" in wrong.stderr) == (2, True)


def test_a_dry_run_tells_what_and_why_and_writes_nothing(house, queue, out):
    told = run(house, "batch", queue, "--out", out, "--dry-run")
    assert (told.returncode, out.exists()) == (0, False)
    assert "ash: build from survey on: not done yet" in told.stdout
    run(house, "batch", queue, "--out", out)
    add_job(queue, "cedar", "edge slow 0")
    before = digests(out)
    told = run(house, "batch", queue, "--out", out, "--dry-run")
    assert "ash: nothing, it is up to date" in told.stdout
    assert "cedar: build from survey on: its input" in told.stdout
    assert before == digests(out)


def test_a_job_renamed_or_removed_while_it_is_built_breaks_nothing(house, queue, out):
    add_job(queue, "slow", "survey slow 1.5")
    called, environment = command(house, "batch", queue, "--out", out)
    with subprocess.Popen(called, env=environment, cwd=house, stdout=subprocess.PIPE, stderr=subprocess.PIPE) as first:
        _wait_for(out / ".sleeveline" / "events")
        (queue / "slow").rename(queue / "renamed")
        for path in (queue / "ash").iterdir():
            path.unlink()
        (queue / "ash").rmdir()
        told = first.communicate(timeout=60)[1].decode()
    assert first.returncode in (0, 3), told
    assert "Traceback" not in told
    assert run(house, "batch", queue, "--out", out).returncode == 0


def test_a_job_changed_while_it_is_built_is_built_again_from_the_new_state_in_the_same_night(house, queue, out, tmp_path):
    """The line reads its own copy of a job's files, so no stage sees half of a change; the night plans again before it ends."""
    add_job(queue, "slow", "edge slow 1.5")
    called, environment = command(house, "batch", queue, "--out", out)
    with subprocess.Popen(called, env=environment, cwd=house, stdout=subprocess.PIPE, stderr=subprocess.PIPE) as first:
        _wait_for(out / "jobs" / "slow" / "survey.json")
        add_job(queue, "slow", "layout slow 0")
        first.communicate(timeout=60)
    assert first.returncode == 0
    assert {f"slow {stage}" for stage in STAGES} <= set(ran(out))
    assert run(house, "batch", queue, "--out", tmp_path / "calm").returncode == 0
    assert digests(tmp_path / "calm") == digests(out)


def test_the_queue_may_be_read_only(house, queue, out):
    for path in [*queue.rglob("*"), queue]:
        path.chmod(0o555 if path.is_dir() else 0o444)
    before = {path: path.stat().st_mtime_ns for path in queue.rglob("*")}
    assert run(house, "batch", queue, "--out", out).returncode == 0
    assert before == {path: path.stat().st_mtime_ns for path in queue.rglob("*")}


def test_the_queue_may_lie_on_a_read_only_mount_and_out_on_another_file_system(house, queue, out, tmp_path):
    """Root writes where no permission lets others, so only a mount shows it."""
    if os.geteuid() != 0:
        pytest.skip("a file system can be mounted by root only")
    shared, disk = tmp_path / "shared", tmp_path / "disk"
    shared.mkdir()
    disk.mkdir()
    mounts = (["mount", "--bind", queue, shared], ["mount", "-o", "remount,ro,bind", shared], ["mount", "-t", "tmpfs", "tmpfs", disk])
    try:
        for words in mounts:
            made = subprocess.run(words, capture_output=True, text=True, check=False)
            if made.returncode != 0:
                pytest.skip(f"nothing can be mounted here: {made.stderr.strip()}")
        with pytest.raises(OSError, match="Read-only"):
            (shared / "new").touch()
        assert run(house, "batch", shared, "--out", disk / "out").returncode == 0
        assert run(house, "batch", queue, "--out", out).returncode == 0
        assert digests(out) == digests(disk / "out")
    finally:
        for folder in (shared, disk):
            subprocess.run(["umount", folder], capture_output=True, check=False)


def _wait_for(path):
    deadline = time.monotonic() + 30
    while not path.exists():
        assert time.monotonic() < deadline, f"{path} did not come"
        time.sleep(0.02)


def _alive_in(group):
    """Return the living processes of a process group."""
    found = subprocess.run(["ps", "-eo", "pid,pgid,stat,args"], capture_output=True, text=True, check=True).stdout.splitlines()[1:]
    rows = [line.split(None, 3) for line in found]
    return [row[3] for row in rows if row[1] == str(group) and not row[2].startswith("Z")]
