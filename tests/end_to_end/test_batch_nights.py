"""What wakes a held job, what the board and the terminal tell, how a stopped run ends; on toy stages, through the real command."""

from __future__ import annotations

import contextlib
import json
import os
import pty
import re
import resource
import select
import shutil
import signal
import subprocess
import time
from html import unescape

import pytest

from pipeline.model.status import STAGES
from tests.unit.batch.toy_line import add_job, command, digests, ran, run, toy_house

PACK = """
id = "town"
jurisdiction = "a town"
document = "Town code"
edition = "2026"
kind = "law"
[[limits]]
id = "height"
clause = "1.1"
quantity = "barrier-height"
comparator = "min"
value = {value}
unit = "in"
certainty = "memory"
"""
CONFIRMED = """
[[confirmed]]
pack = "town"
limit = "height"
clause = "1.1"
value = "{value} in"
who = "R. Alder"
when = 2026-11-20
edition = "2026"
"""


@pytest.fixture(scope="module")
def base(tmp_path_factory):
    """A house, a queue of two jobs and the OUT of their first night, to be copied; and what that night told."""
    folder = tmp_path_factory.mktemp("base")
    toy_house(folder / "house")
    for name in ("ash", "beech"):
        add_job(folder / "queue", name)
    done = run(folder / "house", "batch", folder / "queue", "--out", folder / "out")
    assert done.returncode == 0, done.stderr
    ran(folder / "out")
    return folder, done.stderr


@pytest.fixture
def house(base, tmp_path):
    return shutil.copytree(base[0] / "house", tmp_path / "house")


@pytest.fixture
def queue(base, tmp_path):
    return shutil.copytree(base[0] / "queue", tmp_path / "queue")


@pytest.fixture
def out(tmp_path):
    return tmp_path / "out"


@pytest.fixture
def settled(base, out):
    """OUT as the first night left it."""
    return shutil.copytree(base[0] / "out", out)


def _status(out, job):
    return json.loads((out / "jobs" / job / "status.json").read_text())


def _anew(house, queue, out, *more):
    """Run a night; returns how many jobs it built anew."""
    done = run(house, "batch", queue, "--out", out, *more)
    assert done.returncode == 3, done.stderr
    return int(re.search(r"(\d+) built anew", done.stdout)[1])


def test_a_held_job_is_looked_at_again_when_what_it_depends_on_changes_and_not_otherwise(house, queue, out):
    (queue / "town.rules.toml").write_text(PACK.format(value=50))
    folder = add_job(queue, "fir", "layout held")
    (folder / "job.toml").write_text('rules = ["us-ispsc-2021", "town"]\n')
    assert _anew(house, queue, out) == 3
    assert _anew(house, queue, out) == 0
    os.utime(folder / "points.csv", (10**9, 10**9))  # touched, not changed
    (queue / "offcuts.csv").write_text("id,length,posts,height,colour\nA7,96 in,3,48 in,black\n")
    assert _anew(house, queue, out) == 0
    (queue / "town.rules.toml").write_text(PACK.format(value=52))  # a pack that this job alone names
    assert _anew(house, queue, out) == 1
    (queue / "confirmed.toml").write_text(CONFIRMED.format(value=52))  # and a clause of it, confirmed
    assert _anew(house, queue, out) == 1
    assert _anew(house, queue, out) == 0
    add_job(queue, "fir", "layout held", "edge slow 0")  # its survey
    assert _anew(house, queue, out) == 1
    (queue / "shop.toml").write_text('[panel]\npost_spacing = "35 in"\n')
    assert _anew(house, queue, out) == 3
    with (house / "pipeline" / "compliance" / "stage.py").open("a") as source:  # a stage it never reached
        source.write("\n# another version\n")
    ran(out)
    assert _anew(house, queue, out) == 2
    assert {line.split()[0] for line in ran(out)} == {"ash", "beech"}
    with (house / "pipeline" / "edge" / "stage.py").open("a") as source:  # one it went through
        source.write("\n# another version\n")
    assert _anew(house, queue, out) == 3
    assert _anew(house, queue, out, "--retry-held") == 1


def test_a_job_held_at_intake_is_not_read_again_while_its_files_stay(house, queue, settled):
    """Told by what the plan remembers: the same look at the same files, taken in the same night."""

    def known():
        return json.loads((settled / ".sleeveline" / "plan" / "known.json").read_text())["jobs"]["gorse"]

    (add_job(queue, "gorse") / "job.toml").write_text("[")
    for path in (queue / "gorse").iterdir():
        os.utime(path, (10**9, 10**9))
    time.sleep(2.1)  # a file so young that it could still be written to is read again
    run(house, "batch", queue, "--out", settled)
    first = known()
    assert _status(settled, "gorse")["reasons"][0]["ref"] == "not-toml"
    run(house, "batch", queue, "--out", settled)
    assert known() == first
    assert run(house, "batch", queue, "--out", settled, "--retry-held").returncode == 3
    assert known()["read_at"] > first["read_at"]
    (queue / "gorse" / "job.toml").write_text("")
    assert run(house, "batch", queue, "--out", settled).returncode == 0


def test_two_jobs_that_differ_in_case_only_are_both_held_and_neither_old_package_passes_for_good(house, queue, settled):
    add_job(queue, "pool")
    assert run(house, "batch", queue, "--out", settled).returncode == 0
    before = digests(settled)
    add_job(queue, "Pool")
    done = run(house, "batch", queue, "--out", settled)
    assert done.returncode == 3
    assert done.stderr.count("Pool and pool in the queue are jobs of one name, or of names that differ only in capital letters") == 2
    assert "held: pool at intake" in done.stderr and "held: Pool at intake" in done.stderr
    board = (settled / "batch" / "board.html").read_text()
    assert [board.count(f'data-job="{name}"') for name in ("pool", "Pool")] == [1, 1]
    assert _status(settled, "pool")["state"] == "held"
    assert not (settled / "jobs" / "pool" / "package").exists()
    assert (settled / "jobs" / "pool" / "pool-r1.zip").exists()  # what was given out stays
    assert _status(settled, "ash")["state"] == "complete"
    for path in (queue / "Pool").iterdir():
        path.unlink()
    (queue / "Pool").rmdir()
    assert run(house, "batch", queue, "--out", settled).returncode == 0
    after = digests(settled)
    assert before == {name: after.get(name) for name in before}


def _log_on_board(out, job):
    board = (out / "batch" / "board.html").read_text()
    row = re.search(rf'<tr class="\w+" data-job="{job}".*?</tr>', board, re.DOTALL)[0]
    return [unescape(text) for text in re.findall(r"<pre>(.*?)</pre>", row, re.DOTALL)]


def test_the_last_lines_of_the_log_stand_on_the_board_and_are_of_this_night(house, queue, settled):
    assert _log_on_board(settled, "ash") == []
    add_job(queue, "ash", "edge raise")
    add_job(queue, "beech", "edge die")
    assert run(house, "batch", queue, "--out", settled).returncode == 3
    (told,) = _log_on_board(settled, "ash")
    whole = (settled / ".sleeveline" / "work" / "ash" / "logs" / "edge.log").read_text().splitlines()
    assert told.splitlines() == whole[-6:]
    assert "ZeroDivisionError: toy" in told
    (told,) = _log_on_board(settled, "beech")
    assert "worker-died" in told
    assert "done" not in told.split()  # as the night before had left it
    logs = sorted(path.name for path in (settled / ".sleeveline" / "work" / "ash" / "logs").iterdir())
    assert logs == sorted(f"{stage}.log" for stage in STAGES)


def test_verbose_tells_every_job_and_stage_of_a_night(house, queue, settled):
    add_job(queue, "fir", "layout held")
    add_job(queue, "gorse")
    told = run(house, "batch", queue, "--out", settled, "--verbose").stderr.splitlines()
    assert {f"gorse: {stage} done" for stage in STAGES} <= set(told)
    assert "fir: layout held" in told
    assert not any("fir: drilling" in line or line.startswith("ash:") for line in told)


def _on_a_terminal(house, *words):
    """Run the command with a terminal for its standard error; returns the exit code and what the terminal got."""
    called, environment = command(house, *words)
    ear, mouth = pty.openpty()
    with subprocess.Popen(
        called, env={**environment, "TERM": "xterm", "COLUMNS": "120"}, cwd=house, stdout=subprocess.DEVNULL, stderr=mouth
    ) as batch:
        os.close(mouth)
        told = b""
        while batch.poll() is None or select.select([ear], [], [], 0)[0]:
            if select.select([ear], [], [], 0.1)[0]:
                with contextlib.suppress(OSError):
                    told += os.read(ear, 65536)
                    continue
                break
    os.close(ear)
    return batch.returncode, told.decode(errors="replace")


def test_a_terminal_gets_a_bar_with_jobs_done_and_held_and_the_time_left(house, queue, out):
    for number in range(4):
        add_job(queue, f"slow{number}", "survey slow 0.3", "layout slow 0.3")
    add_job(queue, "fir", "edge held")
    code, told = _on_a_terminal(house, "batch", queue, "--out", out, "--cores", "1")
    assert code == 3
    assert "7 of 7 jobs, 1 held" in told
    assert "0 of 7 jobs, 0 held" in told
    assert re.search(r"held \S*\d:\d\d:\d\d", re.sub(r"\x1b\[[\d;?]*[a-zA-Z]", "", told))  # hours, minutes, seconds left


def test_elsewhere_plain_lines_are_told_without_control_codes(base):
    told = base[1]
    assert told.startswith("2 jobs, 2 of them to be built")
    assert "\x1b" not in told
    assert "\r" not in told


def test_a_clock_set_back_during_the_night_costs_nothing(house, queue, out, tmp_path):
    """What was written before the clock went back is dated ahead of all that comes after."""
    add_job(queue, "slow", "edge slow 1.5")
    called, environment = command(house, "batch", queue, "--out", out, "--cores", "1")
    with subprocess.Popen(called, env=environment, cwd=house, stdout=subprocess.PIPE, stderr=subprocess.PIPE) as batch:
        _wait_for(out / "jobs" / "slow" / "survey.json")
        _wait_for(out / "jobs" / "ash" / "edge.json")
        ahead = time.time() + 7200
        for folder in (queue, out / ".sleeveline" / "plan", out / ".sleeveline" / "stamps", out / "jobs"):
            for path in folder.rglob("*"):
                with contextlib.suppress(FileNotFoundError):
                    os.utime(path, (ahead, ahead))
        told = batch.communicate(timeout=120)[1].decode()
    assert batch.returncode == 0, told
    assert run(house, "batch", queue, "--out", tmp_path / "calm").returncode == 0
    assert digests(tmp_path / "calm") == digests(out)


@pytest.mark.parametrize(("words", "stop"), [(("job", "slow"), signal.SIGTERM), (("job", "slow"), signal.SIGINT), (("batch", ""), signal.SIGTERM)])
def test_a_run_of_one_job_that_is_stopped_says_so_and_goes_on_later(house, queue, settled, words, stop):
    """One job is built without the engine: what hears a signal there is another piece of code."""
    add_job(queue, "slow", "edge slow 20")
    called, environment = command(house, words[0], queue / words[1], "--out", settled)
    with subprocess.Popen(called, env=environment, cwd=house, stdout=subprocess.PIPE, stderr=subprocess.PIPE, start_new_session=True) as batch:
        _wait_for(settled / "jobs" / "slow" / "survey.json")
        os.kill(batch.pid, stop)
        told = batch.communicate(timeout=30)[1].decode()
    assert (batch.returncode, "Traceback" in told) == (130, False), told
    assert "interrupted" in told
    add_job(queue, "slow")
    assert run(house, "batch", queue, "--out", settled).returncode == 0


def test_a_job_alone_respects_the_lock_of_a_batch(house, queue, out):
    add_job(queue, "slow", "edge slow 30")
    called, environment = command(house, "batch", queue, "--out", out)
    with subprocess.Popen(called, env=environment, cwd=house, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL, start_new_session=True) as batch:
        _wait_for(out / ".sleeveline" / "plan" / "run")
        second = run(house, "job", queue / "ash", "--out", out)
        os.killpg(batch.pid, signal.SIGKILL)
        batch.wait()
    assert second.returncode == 75
    assert f"process {batch.pid}" in second.stderr
    assert run(house, "job", queue / "ash", "--out", out).returncode == 0


def test_keep_takes_older_revisions_away_and_the_night_stays_unchanged(house, queue, settled):
    older = [settled / "jobs" / "ash" / name for name in ("ash-r0.zip", "ash-r0-plan.json")]
    for path in older:
        path.touch()
    assert run(house, "batch", queue, "--out", settled, "--keep", "2").returncode == 0
    assert all(path.exists() for path in older)
    assert run(house, "batch", queue, "--out", settled, "--keep", "1").returncode == 0
    assert not any(path.exists() for path in older)
    assert (settled / "jobs" / "ash" / "ash-r1.zip").exists()
    assert ran(settled) == []


def test_a_job_that_takes_all_memory_is_held_and_its_neighbours_finish(house, queue, out):
    """Truly: its stage allocates until the process may have no more."""
    add_job(queue, "greedy", "layout eat")
    called, environment = command(house, "batch", queue, "--out", out, "--cores", "1")
    most = 2_000_000_000  # [bytes]
    done = subprocess.run(
        called,
        env=environment,
        cwd=house,
        capture_output=True,
        text=True,
        timeout=120,
        check=False,
        preexec_fn=lambda: resource.setrlimit(resource.RLIMIT_AS, (most, most)),
    )
    assert done.returncode == 3, done.stderr
    assert _status(out, "greedy")["reasons"][0]["ref"] == "out-of-memory"
    assert [_status(out, job)["state"] for job in ("ash", "beech")] == ["complete", "complete"]


def _wait_for(path):
    deadline = time.monotonic() + 30
    while not path.exists():
        assert time.monotonic() < deadline, f"{path} did not come"
        time.sleep(0.02)
