"""The line of stages one job runs through."""

from __future__ import annotations

import importlib
from typing import Protocol, cast

from pipeline.artifacts import JobPlace
from pipeline.errors import Reason


class Stage(Protocol):
    """The shell of a stage: read, one verb of its own, check, write."""

    NAME: str

    def run(self, place: JobPlace) -> tuple[Reason, ...]:
        """Make the stage's artifact of one job; returns warnings, raises when the job has to be held."""


def stage_named(name: str) -> Stage:
    """Return a stage's shell, imported only now so that a process loads what it runs and no more."""
    return cast(Stage, importlib.import_module(f"pipeline.{name}.stage"))
