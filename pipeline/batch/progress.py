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
        self._held: set[str] = set()
        self._complete: set[str] = set()
        self._told = 0.0
        self._bar: tuple[Bar, TaskID] | None = None

    def steps(self, done: int, total: int) -> None:
        """Hear of the workflow's steps; only the last ones, after all jobs are through, are told."""

    @contextmanager
    def watching(self, events: Path, stale: tuple[str, ...], jobs: int) -> Iterator[None]:
        """Watch the event file while the workflow runs."""
        events.parent.mkdir(parents=True, exist_ok=True)
        events.write_bytes(b"")
        self._held, self._complete = set(), set()
        stop = threading.Event()
        watcher = threading.Thread(target=self._watch, args=(events, len(stale), stop), daemon=True)
        self._line(f"{jobs} jobs, {len(stale)} of them to be built; then the batch-wide products")
        with self._shown(len(stale)):
            watcher.start()
            try:
                yield
            finally:
                stop.set()
                watcher.join()

    @contextmanager
    def _shown(self, total: int) -> Iterator[None]:
        if not self.on_terminal:
            yield
            return
        from rich.console import Console
        from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeRemainingColumn

        columns = (TextColumn("jobs"), BarColumn(), MofNCompleteColumn(), TextColumn("held {task.fields[held]}"), TimeRemainingColumn())
        with Progress(*columns, console=Console(file=self.stream)) as bar:
            self._bar = (bar, bar.add_task("jobs", total=total, held=0))
            yield
        self._bar = None

    def _watch(self, events: Path, total: int, stop: threading.Event) -> None:
        """Read what is appended until told to stop, and once more then."""
        with events.open(encoding="utf-8") as file:
            while True:
                last = stop.wait(_LOOK_EVERY)
                for line in file:
                    self._hear(line)
                self._show(total)
                if last:
                    return

    def _hear(self, line: str) -> None:
        words = line.split()
        if len(words) != 3:
            return
        job, stage, outcome = words
        if self.verbose:
            self._line(f"{job}: {stage} {outcome}")
        if outcome != "done":
            self._held.add(job)
        elif stage == STAGES[-1]:
            self._complete.add(job)

    def _show(self, total: int) -> None:
        done = len(self._held) + len(self._complete)
        if self._bar is not None:
            bar, task = self._bar
            bar.update(task, completed=done, total=total, held=len(self._held))
        elif time.monotonic() - self._told > _LINE_EVERY and done and not self.verbose:
            self._line(f"{done} of {total} jobs through, {len(self._held)} held")

    def _line(self, text: str) -> None:
        if not self.on_terminal:
            self._told = time.monotonic()
            print(text, file=self.stream, flush=True)
