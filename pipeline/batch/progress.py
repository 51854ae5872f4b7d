"""How far the night is: a bar on a terminal, plain lines elsewhere."""

from __future__ import annotations

import sys
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Final, TextIO

from pipeline.model.status import STAGES

if TYPE_CHECKING:
    from rich.progress import Progress as Bar
    from rich.progress import TaskID

_LOOK_EVERY: Final = 0.2  # [s]
_LINE_EVERY: Final = 10.0  # plain lines: at most one in so many seconds [s]


class Progress:
    """Tells how many jobs are done and held, from the workers' event file.

    Parameters
    ----------
    stream : TextIO
        Where to tell it; standard error, so that results stay clean.
    verbose : bool
        A line for every job and stage instead.
    """

    def __init__(self, stream: TextIO | None = None, *, verbose: bool = False) -> None:
        self.stream = stream or sys.stderr
        self.verbose = verbose
        self.on_terminal = self.stream.isatty() and not verbose
        self._stages: dict[str, int] = {}  # stages each job is through; a held job is through all of them
        self._held: set[str] = set()
        self._told_at = 0.0
        self._told = ""
        self._bar: tuple[Bar, TaskID] | None = None

    def steps(self, done: int, total: int) -> None:
        """Hear of the workflow's steps; the last ones, after all jobs are through, are the batch-wide products."""

    @contextmanager
    def watching(self, events: Path, jobs: tuple[str, ...], all_jobs: int) -> Iterator[None]:
        """Watch the event file while `jobs`, of `all_jobs` in the queue, are built."""
        events.parent.mkdir(parents=True, exist_ok=True)
        events.write_bytes(b"")
        self._stages, self._held = {}, set()
        stop = threading.Event()
        watcher = threading.Thread(target=self._watch, args=(events, len(jobs), stop), daemon=True)
        if not self.on_terminal:
            self._line(f"{all_jobs} jobs, {len(jobs)} of them to be built; then the batch-wide products")
        with self._shown(len(jobs)):
            watcher.start()
            try:
                yield
            finally:
                stop.set()
                watcher.join()

    @contextmanager
    def _shown(self, jobs: int) -> Iterator[None]:
        if not self.on_terminal:
            yield
            return
        from rich.console import Console
        from rich.progress import BarColumn, Progress, TextColumn, TimeRemainingColumn

        columns = (BarColumn(), TextColumn("{task.fields[through]} of {task.fields[jobs]} jobs, {task.fields[held]} held"), TimeRemainingColumn())
        with Progress(*columns, console=Console(file=self.stream)) as bar:
            self._bar = (bar, bar.add_task("jobs", total=jobs * len(STAGES), jobs=jobs, through=0, held=0))
            yield
        self._bar = None

    def _watch(self, events: Path, jobs: int, stop: threading.Event) -> None:
        """Read what is appended until told to stop, and once more then."""
        with events.open(encoding="utf-8") as file:
            while True:
                last = stop.wait(_LOOK_EVERY)
                for line in file:
                    self._hear(line)
                self._show(jobs)
                if last:
                    return

    def _hear(self, line: str) -> None:
        words = line.split()
        if len(words) != 3 or words[1] not in STAGES:
            return
        job, stage, outcome = words
        self._stages[job] = STAGES.index(stage) + 1 if outcome == "done" else len(STAGES)
        if outcome != "done":
            self._held.add(job)
        if self.verbose:
            self._line(f"{job}: {stage} {outcome}")

    def _show(self, jobs: int) -> None:
        through = sum(stages == len(STAGES) for stages in self._stages.values())
        if self._bar is not None:
            bar, task = self._bar
            bar.update(task, completed=sum(self._stages.values()), through=through, held=len(self._held))
        elif not self.verbose and not self.on_terminal and time.monotonic() - self._told_at > _LINE_EVERY:
            done = sum(self._stages.values()) / max(1, jobs * len(STAGES))
            self._line(f"{through} of {jobs} jobs through, {len(self._held)} held, {done:.0%} of the work")

    def _line(self, text: str) -> None:
        """Print a line, unless it says what the last one said."""
        self._told_at = time.monotonic()
        if text != self._told:
            self._told = text
            print(text, file=self.stream, flush=True)
