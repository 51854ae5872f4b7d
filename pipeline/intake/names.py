"""Names of jobs: what a folder may be called, and a safe stand-in for one that may not."""

from __future__ import annotations

import hashlib
import os
import re
from typing import Final

from pipeline.errors import Reason

LONGEST_NAME: Final = 64  # characters
_STAND_IN_LENGTH: Final = 40  # characters kept of a refused name
_ALLOWED = re.compile(rf"[A-Za-z0-9_][A-Za-z0-9._-]{{0,{LONGEST_NAME - 1}}}")


def name_fault(name: str) -> Reason | None:
    """Return why a folder or file cannot be a job's name, or None when it can.

    Examples
    --------
    >>> name_fault("heron-court.12") is None
    True
    >>> name_fault("-rf").ref
    'job-name'
    """
    if _ALLOWED.fullmatch(name):
        return None
    return Reason(
        ref="job-name",
        what=f"{shown(name)!r} cannot be a job's name",
        why="the name becomes a folder, a file and a link",
        do=f"rename it: letters a-z, digits, '.', '_' and '-', at most {LONGEST_NAME}, the first a letter, a digit or '_'",
    )


def stand_in(name: str) -> str:
    """Return a safe name for a refused one: what can be kept of it, and a mark that tells it from its likes."""
    kept = re.sub(r"[^A-Za-z0-9_-]+", "_", name)[:_STAND_IN_LENGTH].lstrip("-") or "_"
    return f"{kept}-{hashlib.sha256(os.fsencode(name)).hexdigest()[:8]}"


def shown(name: str) -> str:
    """Return a file's name fit for a terminal or page: bytes and control characters as escapes."""
    plain = name.encode("utf-8", "surrogateescape").decode("utf-8", "backslashreplace")
    return "".join(sign if sign.isprintable() else sign.encode("unicode_escape").decode("ascii") for sign in plain)
