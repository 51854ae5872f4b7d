"""Queues that mean ill or merely go wrong: nothing written outside OUT, nothing run, nothing lost, no traceback."""

from __future__ import annotations

import contextlib
import csv
import json
import os
import random
import shutil
import signal
import subprocess
import time

import pytest

from tests.unit.batch.toy_line import add_job, command, digests, run, toy_house


@pytest.fixture(scope="module")
def house(tmp_path_factory):
    return toy_house(tmp_path_factory.mktemp("toy") / "house")


def _statuses(out):
    return {path.parent.name: json.loads(path.read_text()) for path in out.glob("jobs/*/status.json")}


def test_hostile_names_are_held_and_run_nothing(house, tmp_path):
    queue, out = tmp_path / "queue", tmp_path / "out"
    names = [
        "$(touch HACK)",
        "`touch HACK`",
        "a;touch HACK",
        "--out=x",
        "-rf",
        "{chunk}",
        "a\nb",
        "a\x1b[31mb",
        "=HYPERLINK(1)",
        "<script>alert(1)<",
        " ",
        "...",
    ]
    for name in names:
        add_job(queue, name)
    add_job(queue, "good")
    (queue / os.fsdecode(b"bad\xff")).mkdir()
    done = run(house, "batch", queue, "--out", out)
    assert done.returncode == 3, done.stderr
    assert "Traceback" not in done.stderr
    assert "\x1b" not in done.stderr + done.stdout
    statuses = _statuses(out)
    assert statuses.pop("good")["state"] == "complete"
    assert {one["reasons"][0]["ref"] for one in statuses.values()} == {"job-name"}
    assert len(statuses) == len(names)  # the hidden one, "...", is none
    assert [*tmp_path.rglob("HACK*"), *house.rglob("HACK*")] == []
    board = (out / "batch" / "board.html").read_text()
    assert "<script>alert" not in board
    with (out / "batch" / "status.csv").open(newline="") as table:
        cells = [cell for row in csv.reader(table) for cell in row]
    assert [cell for cell in cells if cell.startswith(("=", "+", "-", "@"))] == []


def test_markup_and_formulas_in_a_title_stay_text(house, tmp_path):
    queue, out = tmp_path / "queue", tmp_path / "out"
    title = '<img src=x onerror=alert(1)></td></table><script>alert(2)</script>" onmouseover="x'
    (add_job(queue, "ash") / "job.toml").write_text(f"title = '''{title}'''\ndue = 2026-12-04\n")
    assert run(house, "batch", queue, "--out", out).returncode == 0
    board = (out / "batch" / "board.html").read_text()
    assert "<img src=x" not in board
    assert "<script>alert" not in board
    assert board.count("<table") == board.count("</table>") == 1


def test_links_and_devices_are_held_and_nothing_outside_is_touched(house, tmp_path):
    queue, out, secret = tmp_path / "queue", tmp_path / "out", tmp_path / "secret"
    secret.mkdir()
    (secret / "points.csv").write_text("a secret")
    add_job(queue, "good")
    (queue / "linked").symlink_to(secret)
    (add_job(queue, "inner") / "more.csv").symlink_to(secret / "points.csv")
    os.mkfifo(add_job(queue, "piped") / "pipe.csv")
    (add_job(queue, "climbing") / "job.toml").write_text('[survey]\nfiles = ["../../secret/points.csv"]\n')
    before = {path: path.read_bytes() for path in tmp_path.rglob("*") if path.is_file() and out not in path.parents}
    assert run(house, "batch", queue, "--out", out, timeout=60).returncode == 3
    assert [one["state"] for name, one in sorted(_statuses(out).items()) if name == "good"] == ["complete"]
    assert sum(one["state"] == "held" for one in _statuses(out).values()) == 4
    assert [path for path in out.rglob("*") if path.is_file() and b"a secret" in path.read_bytes()] == []
    assert before == {path: path.read_bytes() for path in tmp_path.rglob("*") if path.is_file() and out not in path.parents}


@pytest.mark.parametrize("jobs", [100, pytest.param(1000, marks=pytest.mark.long)])
def test_one_good_job_among_many_bad_ones(house, tmp_path, jobs):
    queue, out = tmp_path / "queue", tmp_path / "out"
    for number in range(jobs - 1):
        folder = add_job(queue, f"bad-{number:04d}")
        (folder / "job.toml").write_text(("[", "title = 1", "rules = ['none']", '[fence]\nheight = "1e308 m"')[number % 4])
        if number % 5 == 0:
            (folder / "job.toml").write_bytes(b"\xff\xfe" * 10)
    add_job(queue, "good")
    started = time.monotonic()
    done = run(house, "batch", queue, "--out", out, timeout=120)
    assert done.returncode == 3
    statuses = _statuses(out)
    assert (len(statuses), statuses["good"]["state"]) == (jobs, "complete")
    assert time.monotonic() - started < 120


def test_a_full_disk_leaves_no_half_written_file_and_the_rerun_completes(house, tmp_path):
    if os.geteuid() != 0:
        pytest.skip("a small file system can be mounted by root only")
    queue, disk = tmp_path / "queue", tmp_path / "disk"
    disk.mkdir()
    for number in range(8):
        add_job(queue, f"job{number}")
    mounted = subprocess.run(["mount", "-t", "tmpfs", "-o", "size=24m", "tmpfs", str(disk)], capture_output=True, text=True, check=False)
    if mounted.returncode != 0:
        pytest.skip(f"no small file system can be mounted here: {mounted.stderr.strip()}")
    try:
        filler = disk / "filler"
        assert run(house, "batch", queue, "--out", tmp_path / "calm").returncode == 0
        filler.write_bytes(b"x" * (23 << 20))
        refused = run(house, "batch", queue, "--out", disk / "out")
        assert refused.returncode == 1  # the machine's trouble, not the office's
        assert "make room" in refused.stderr
        assert "MB are free" in refused.stderr
        filler.write_bytes(b"x" * (1 << 20))
        # The disk fills while the batch is at work: as if somebody else wrote it full.
        with subprocess.Popen(*_popen(house, queue, disk / "out")) as batch:
            _wait_for(disk / "out" / "jobs" / "job1" / "survey.json")
            with contextlib.suppress(OSError):
                filler.write_bytes(b"x" * (40 << 20))
            told = batch.communicate(timeout=120)[1]
        assert batch.returncode == 1, told
        assert b"Traceback" not in told
        assert b"No space left" in told
        assert list((disk / "out").rglob("*.part")) == []
        assert [path for path in (disk / "out" / "jobs").rglob("*.json") if path.stat().st_size == 0] == []
        filler.unlink()
        assert run(house, "batch", queue, "--out", disk / "out").returncode == 0
        assert digests(tmp_path / "calm") == digests(disk / "out")
    finally:
        subprocess.run(["umount", str(disk)], check=False)


def _popen(house, queue, out):
    called, environment = command(house, "batch", queue, "--out", out, "--cores", "1")
    return (called, -1, None, None, subprocess.PIPE, subprocess.PIPE, None, True, False, house, environment)


@pytest.mark.long
def test_a_hundred_kills_at_random_instants_change_nothing(house, tmp_path):
    """The whole process group is killed at a random instant of a 20-job batch, then run again: the same bytes, no unlocking."""
    queue = tmp_path / "queue"
    for number in range(20):
        add_job(queue, f"job{number:02d}", "edge slow 0.01", "layout slow 0.02", "package slow 0.01")
    started = time.monotonic()
    assert run(house, "batch", queue, "--out", tmp_path / "calm", timeout=600).returncode == 0
    whole = time.monotonic() - started
    calm, instants = digests(tmp_path / "calm"), random.Random(9)
    for trial in range(100):
        out = tmp_path / f"out{trial}"
        called, environment = command(house, "batch", queue, "--out", out)
        with subprocess.Popen(
            called, env=environment, cwd=house, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL, start_new_session=True
        ) as batch:
            time.sleep(instants.uniform(0, whole))
            os.killpg(batch.pid, signal.SIGKILL)
            batch.wait()
        again = run(house, "batch", queue, "--out", out, timeout=600)
        assert again.returncode == 0, (trial, again.stderr)
        assert calm == digests(out), trial
        shutil.rmtree(out)


def _wait_for(path):
    deadline = time.monotonic() + 60
    while not path.exists():
        assert time.monotonic() < deadline, f"{path} did not come"
        time.sleep(0.01)
