"""What README says of every night is what the command takes, and what the system's own tools accept."""

from __future__ import annotations

import re
import shlex
import shutil
import subprocess

import pytest

from pipeline.cli import COMPLETE, FAULT, HELD, INTERRUPTED, LOCKED, WRONG_USE, _parser
from tests.conftest import ROOT

README = (ROOT / "README.md").read_text(encoding="utf-8")


def _block(kind: str, first: str) -> str:
    return next(text for text in re.findall(rf"```{kind}\n(.*?)```", README, re.DOTALL) if text.startswith(first))


def _is_accepted(words: list[str]) -> None:
    options = _parser().parse_args(words[1:])
    assert words[0].endswith("/.venv/bin/sleeveline") or words[0] == ".venv/bin/sleeveline"
    assert (options.command, str(options.queue), str(options.out)) == ("batch", "surveys", "packages")


def test_the_cron_line_runs_a_night():
    line = _block("crontab", "").strip()
    times, command = re.fullmatch(r"((?:\S+\s+){5})(.*)", line).groups()
    assert times.split() == ["30", "2", "*", "*", "*"]
    assert "%" not in command  # cron would end the line there
    _is_accepted(shlex.split(command.split("&&")[1].split(">>")[0]))


def test_the_units_run_a_night(tmp_path):
    service, timer = _block("ini", "# sleeveline.service"), _block("ini", "# sleeveline.timer")
    _is_accepted(shlex.split(re.search(r"^ExecStart=(.*)$", service, re.MULTILINE)[1]))
    assert "SuccessExitStatus=3\n" in service
    if shutil.which("systemd-analyze") is None:
        pytest.skip("systemd-analyze is not installed")
    service = re.sub(r"^ExecStart=\S+", "ExecStart=/bin/true", service, flags=re.MULTILINE)  # it looks whether the program is there
    service = service.replace("User=fences", "User=root").replace("/srv/fences", "/")
    for name, text in (("sleeveline.service", service), ("sleeveline.timer", timer)):
        (tmp_path / name).write_text(text)
    told = subprocess.run(
        ["systemd-analyze", "verify", "--man=no", *sorted(map(str, tmp_path.iterdir()))], capture_output=True, text=True, check=False
    )
    assert [line for line in told.stderr.splitlines() if "sleeveline" in line] == []
    when = subprocess.run(["systemd-analyze", "calendar", re.search(r"^OnCalendar=(.*)$", timer, re.MULTILINE)[1]], capture_output=True, check=False)
    assert when.returncode == 0


def test_every_exit_code_is_explained():
    rows = dict(re.findall(r"^\| (\d+) \| (.*?) \|$", README, re.MULTILINE))
    assert {int(code) for code in rows} == {COMPLETE, FAULT, WRONG_USE, HELD, LOCKED, INTERRUPTED}


@pytest.mark.parametrize("word", ["--only", "--dry-run", "--keep", "--retry-held", "--verbose", "--profile"])
def test_every_option_of_a_night_is_explained(word):
    assert f"`{word}" in README


def test_every_profile_is_explained():
    for path in (ROOT / "workflow" / "profiles").iterdir():
        assert re.search(rf"^\| `{path.name}` \|", README, re.MULTILINE), path.name
    assert re.search(r"^\| `kubernetes` .*\*\*not on a cluster\*\*", README, re.MULTILINE)
