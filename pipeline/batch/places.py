"""Where everything lies under OUT."""

from __future__ import annotations

from pathlib import Path
from typing import Final

import msgspec

from pipeline.artifacts import JobPlace

INTERNAL: Final = ".sleeveline"


class Places(msgspec.Struct, frozen=True):
    """The folders of one OUT; `jobs` and `batch` are for people, the rest is ours."""

    out: Path

    @property
    def jobs(self) -> Path:
        return self.out / "jobs"

    @property
    def batch(self) -> Path:
        return self.out / "batch"

    @property
    def internal(self) -> Path:
        return self.out / INTERNAL

    @property
    def lock(self) -> Path:
        return self.internal / "lock"

    @property
    def plan(self) -> Path:
        return self.internal / "plan"

    @property
    def stamps(self) -> Path:
        return self.internal / "stamps"

    def job(self, name: str) -> JobPlace:
        """Return where the files of one job lie."""
        return JobPlace(name, self.internal / "intake" / name, self.jobs / name, self.internal / "work" / name)

    def log(self, name: str, stage: str) -> Path:
        """Return the log of one job and stage."""
        return self.internal / "work" / name / "logs" / f"{stage}.log"

    def chunk(self, chunk: str) -> Path:
        return self.plan / "chunks" / f"{chunk}.json"

    def stamp(self, stage: str, chunk: str) -> Path:
        return self.stamps / stage / f"{chunk}.json"
