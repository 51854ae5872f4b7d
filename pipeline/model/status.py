"""Where a job stands: the record people and other programs look at first."""

from __future__ import annotations

from typing import Literal

import msgspec

from pipeline.errors import Reason

STAGES = ("survey", "edge", "layout", "drilling", "fabrication", "compliance", "drawings", "package")


class Status(msgspec.Struct, frozen=True, kw_only=True):
    """State of one job after a batch."""

    job: str
    state: Literal["complete", "held"]
    revision: int
    stage: str
    reasons: tuple[Reason, ...] = ()
    warnings: tuple[Reason, ...] = ()


class Revision(msgspec.Struct, frozen=True, kw_only=True, omit_defaults=True):
    """A package that was made: its number from 1, the digest over the artifacts it was made from, and whether it follows the holes as drilled."""

    revision: int
    content: str
    as_drilled: bool = False
