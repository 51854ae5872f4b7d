"""Fixtures that all tests share, and the table of outside checks at the end of the run."""

from __future__ import annotations

import os
import signal
import threading
from pathlib import Path

import pytest

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # as the command does; two workers' idle threads would take each other's core
if signal.getsignal(signal.SIGINT) is signal.SIG_IGN and threading.current_thread() is threading.main_thread():
    # A shell starts what it runs in the background deaf to Ctrl-C, and so would be every command the tests interrupt.
    signal.signal(signal.SIGINT, signal.default_int_handler)

ROOT = Path(__file__).resolve().parent.parent
CHECKS = ROOT.parent / "shared" / "checks"


@pytest.fixture(scope="session")
def checks_folder() -> Path:
    """The folder of published answers; a test that needs it is skipped, visibly, where it is absent."""
    if not CHECKS.is_dir():
        pytest.skip("the folder of published answers (../shared/checks) is not here")
    return CHECKS


@pytest.fixture(scope="session")
def samples_folder() -> Path:
    return ROOT / "sample_surveys"


@pytest.hookimpl(wrapper=True)
def pytest_runtest_makereport(item, call):
    report = yield
    marker = item.get_closest_marker("outside")
    if marker is not None and (report.when == "call" or report.skipped):
        report.user_properties.append(("outside", (marker.kwargs["source"], marker.kwargs["compares"], marker.kwargs["tolerance"])))
    return report


def pytest_terminal_summary(terminalreporter):
    rows = []
    for outcome in ("passed", "failed", "skipped"):
        for report in terminalreporter.stats.get(outcome, []):
            rows += [(*value, outcome) for name, value in getattr(report, "user_properties", []) if name == "outside"]
    if not rows:
        return
    terminalreporter.section("held against the outside")
    rows.sort()
    widths = [min(70, max(len(str(row[column])) for row in rows)) for column in range(3)]
    for source, compares, tolerance, outcome in rows:
        terminalreporter.write_line(f"{source:<{widths[0]}}  {compares:<{widths[1]}}  {tolerance:<{widths[2]}}  {outcome}")
