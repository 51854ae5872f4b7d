"""The night over the sample surveys: again, alone, and what its products say of one another."""

from __future__ import annotations

import csv
import json
import re

from tests.end_to_end.conftest import run_command
from tests.unit.batch.toy_line import digests

CHEAP = "10-blunder"


def test_the_night_ends_as_the_samples_are_meant_to(night):
    assert night.exit_code == 3, night.stderr
    assert "Traceback" not in night.stderr + night.stdout
    held = [path.parent.name for path in sorted(night.out.glob("jobs/*/status.json")) if json.loads(path.read_text())["state"] == "held"]
    assert "11-no-water" in held
    assert len(held) <= 2
    assert all(reason["what"] and reason["do"] for job in held for reason in json.loads((night.job(job) / "status.json").read_text())["reasons"])


def test_the_night_again_does_nothing_but_look(night, samples_folder):
    before = digests(night.out)
    done = run_command("batch", samples_folder, "--out", night.out)
    assert done.returncode == 3
    assert ", 0 built anew," in done.stdout
    assert before == digests(night.out)


def test_a_job_alone_makes_the_same_bytes_as_in_the_night(night, samples_folder, tmp_path):
    done = run_command("job", samples_folder / CHEAP, "--out", tmp_path / "out")
    assert done.returncode in (0, 3), done.stderr
    alone = {
        path.relative_to(tmp_path / "out").as_posix(): path.read_bytes() for path in (tmp_path / "out" / "jobs" / CHEAP).rglob("*") if path.is_file()
    }
    together = {path.relative_to(night.out).as_posix(): path.read_bytes() for path in night.job(CHEAP).rglob("*") if path.is_file()}
    assert [name for name in sorted({*alone, *together}) if alone.get(name) != together.get(name)] == []


def test_status_table_and_board_tell_every_job(night):
    rows = list(csv.DictReader((night.out / "batch" / "status.csv").open(newline="")))
    assert sorted({row["job"] for row in rows}) == sorted(path.parent.name for path in night.out.glob("jobs/*/status.json"))
    board = (night.out / "batch" / "board.html").read_text()
    assert all(f'data-job="{row["job"]}"' in board for row in rows)


def test_every_link_of_the_board_leads_to_a_file(night):
    board = (night.out / "batch" / "board.html").read_text()
    links = re.findall(r'href="([^"#]+)"', board)
    assert len(links) > 50
    assert [link for link in links if not (night.out / "batch" / link).resolve().is_file()] == []


def test_nothing_is_written_beside_what_is_promised(night):
    assert sorted(path.name for path in night.out.iterdir()) == [".sleeveline", "batch", "jobs"]
    assert sorted(path.name for path in (night.out / "batch").iterdir()) == ["board.html", "cutting.csv", "offcuts.csv", "order.xlsx", "status.csv"]
    assert list(night.out.rglob("*.part")) == []
