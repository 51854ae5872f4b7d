"""The workflow under Snakemake: driven through its API, in this process, one run at a time."""

from __future__ import annotations

import logging
import os
import shutil
import signal
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any, Final, Literal

import msgspec

import pipeline
from pipeline.batch.chunk import kill_with_parent
from pipeline.batch.places import Places
from pipeline.errors import JobError, hold

Ending = Literal["done", "failed", "interrupted"]
_KEPT_LOGS: Final = 20  # of the engine's own run logs


class EngineRun(msgspec.Struct, frozen=True, kw_only=True):
    """How a run of the workflow ended.

    Parameters
    ----------
    ending : Ending
    failed : tuple of str
        Rules and chunks that failed, with the last words of their logs.
    errors : tuple of str
        What the engine said, when no rule failed.
    """

    ending: Ending
    failed: tuple[str, ...] = ()
    errors: tuple[str, ...] = ()


def workflow_folder() -> Path:
    """Return the folder of the workflow: beside the package in a checkout, under share/ when installed from a wheel."""
    for folder in (Path(pipeline.__file__).parent.parent / "workflow", Path(sys.prefix) / "share" / "sleeveline" / "workflow"):
        if (folder / "Snakefile").is_file():
            return folder
    raise FileNotFoundError("the workflow's Snakefile is not installed beside the package")


def run_workflow(places: Places, cores: int, on_steps: Callable[[int, int], None]) -> EngineRun:
    """Bring every target of the workflow up to date; `on_steps` hears of steps done and steps in all."""
    from snakemake.api import SnakemakeApi
    from snakemake.scheduling.greedy import SchedulerSettings as Greedy
    from snakemake.settings.enums import Quietness, RerunTrigger
    from snakemake.settings.types import DAGSettings, ExecutionSettings, OutputSettings, ResourceSettings, SchedulingSettings

    clear_locks(places)
    collect = _Collect(on_steps)
    ending: Ending = "done"
    triggers = frozenset({RerunTrigger.MTIME, RerunTrigger.INPUT, RerunTrigger.PARAMS})
    signals = _signals_seen()
    with SnakemakeApi(OutputSettings(quiet={Quietness.ALL})) as api:
        logger = logging.getLogger("snakemake.logging")
        logger.addHandler(collect)  # only now: the API clears the handlers it finds
        try:
            workflow = api.workflow(
                resource_settings=ResourceSettings(cores=cores), snakefile=workflow_folder() / "Snakefile", workdir=places.internal
            )
            workflow.dag(DAGSettings(force_incomplete=True, rerun_triggers=triggers)).execute_workflow(
                executor="local",
                execution_settings=ExecutionSettings(keep_going=True, latency_wait=0),
                scheduling_settings=SchedulingSettings(scheduler="greedy", subsample=16),
                scheduler_settings=Greedy(),
                greedy_scheduler_settings=Greedy(),
            )
        except KeyboardInterrupt:
            ending = "interrupted"
        except Exception as fault:  # the engine knows no finer family: lock, metadata, a failed rule, all are this
            ending = "failed"
            collect.errors.append(f"{type(fault).__name__}: {fault}")
        finally:
            logger.removeHandler(collect)
    _prune_logs(places)
    if signals():
        return EngineRun(ending="interrupted")
    failed = tuple(f"{rule}: {_last_words(places, log)}" for rule, log in collect.failed.items())
    return EngineRun(ending=ending, failed=failed, errors=() if failed else tuple(collect.errors))


def profile_folder(profile: str) -> Path:
    """Return the folder of a profile: one of the workflow's own by its name, or a folder.

    Raises
    ------
    JobError
        When it is neither.
    """
    named = workflow_folder() / "profiles" / profile
    for folder in (named, Path(profile).resolve()):
        if (folder / "config.yaml").is_file():
            return folder
    known = ", ".join(sorted(path.name for path in named.parent.iterdir()))
    raise hold(JobError, "no-profile", f"there is no profile {profile!r}", do=f"name one of {known}, or a folder with a config.yaml")


def run_profile(places: Places, profile: str, cores: int) -> EngineRun:
    """Bring every target up to date under a profile: one of the workflow's own by its name, or a folder.

    The engine runs as a process of its own here, since a profile may ask for any executor the machine has a plugin for.
    """
    clear_locks(places)
    folder = profile_folder(profile)
    words = [sys.executable, "-P", "-m", "snakemake", "--snakefile", str(workflow_folder() / "Snakefile"), "--directory", str(places.internal)]
    words += ["--profile", str(folder), *(["--cores", str(cores)] if profile == "local" else [])]
    log = places.internal / "logs" / "engine.log"
    log.parent.mkdir(parents=True, exist_ok=True)
    with log.open("wb") as file:
        code = subprocess.run(
            words,
            env={**os.environ, "SLEEVELINE_PROFILE": str(folder)},  # a profile may bring scripts of its own
            stdin=subprocess.DEVNULL,
            stdout=file,
            stderr=subprocess.STDOUT,
            check=False,
            preexec_fn=_be_killed_with_parent,
        ).returncode
    _prune_logs(places)
    return EngineRun(ending="done" if code == 0 else "failed", errors=() if code == 0 else (f"the engine ended with code {code}, see {log}",))


def _be_killed_with_parent() -> None:
    """Let this process be killed when its parent ends: asked politely, the engine would wait for the cluster first."""
    kill_with_parent(signal.SIGKILL)


def clear_locks(places: Places) -> None:
    """Take away the engine's own lock files: our lock on OUT is held, so whoever left them is dead."""
    shutil.rmtree(places.internal / ".snakemake" / "locks", ignore_errors=True)


class _Collect(logging.Handler):
    """Hears the engine's events: steps done, rules that failed, what it says of errors."""

    def __init__(self, on_steps: Callable[[int, int], None]) -> None:
        super().__init__()
        self.on_steps = on_steps
        self.failed: dict[str, Path | None] = {}
        self.errors: list[str] = []
        self._rules: dict[int, tuple[str, Path | None]] = {}

    def emit(self, record: logging.LogRecord) -> None:
        event = getattr(getattr(record, "event", None), "value", "")
        told: Any = record.__dict__
        if event == "job_info":
            logs = [Path(str(log)) for log in told.get("log") or ()]
            self._rules[told["jobid"]] = " ".join((told["rule_name"], *dict(told.get("wildcards") or {}).values())), logs[0] if logs else None
        elif event == "job_error":
            rule, log = self._rules.get(told["jobid"], (f"step {told['jobid']}", None))
            self.failed[rule] = log
        elif event == "progress":
            self.on_steps(told["done"], told["total"])
        elif event == "error" or record.levelno >= logging.ERROR:
            self.errors.append(record.getMessage().strip())


def _signals_seen() -> Callable[[], bool]:
    """Begin to note signals; the function returned ends it and tells whether somebody asked the run to stop.

    The engine takes what follows from Ctrl-C for failed rules and has a handler of its own for SIGTERM, so neither its ending nor a
    handler of ours would tell.
    """
    ear, mouth = os.pipe()
    os.set_blocking(ear, False)
    os.set_blocking(mouth, False)
    before = signal.set_wakeup_fd(mouth, warn_on_full_buffer=False)

    def seen() -> bool:
        signal.set_wakeup_fd(before)
        try:
            numbers = os.read(ear, 4096)
        except BlockingIOError:
            numbers = b""
        os.close(ear)
        os.close(mouth)
        return signal.SIGINT in numbers or signal.SIGTERM in numbers

    return seen


def _last_words(places: Places, log: Path | None) -> str:
    """Return the end of a rule's log, where it says why it failed."""
    try:
        lines = (places.internal / log).read_text(errors="replace").split("\n") if log else []
    except OSError:
        lines = []
    told = [line.strip() for line in lines if line.strip()]
    return " / ".join(told[-2:]) if told else "it died without a word"


def _prune_logs(places: Places) -> None:
    """Keep the last few of the engine's run logs."""
    folder = places.internal / ".snakemake" / "log"
    if folder.is_dir():
        for old in sorted(folder.iterdir())[:-_KEPT_LOGS]:
            old.unlink(missing_ok=True)
