"""What lies in the queue: every job by its name, and whether it may be one."""

from __future__ import annotations

import os
import stat
from pathlib import Path
from typing import Final

import msgspec

from pipeline.errors import JobError, Reason, hold
from pipeline.intake.names import name_fault, shown, stand_in

BARE_FORMS: Final = (".csv", ".txt", ".xml")  # a point file of these is a job by itself
SURVEY_FORMS: Final = (".csv", ".txt", ".asc", ".xml", ".dxf")
NOT_SURVEYS: Final = ("as_drilled.csv", "cut.csv")
OFFICE_FILES: Final = ("shop.toml", "confirmed.toml", "offcuts.csv")
RULES_ENDING: Final = ".rules.toml"


class QueueEntry(msgspec.Struct, frozen=True, kw_only=True):
    """One job as it lies in the queue.

    Parameters
    ----------
    name : str
        The job's name in OUT; a stand-in where its own name is refused.
    shown : str
        What people call it.
    source : Path
        Its folder or its bare point file.
    bare : bool
        True for a point file without a folder.
    reasons : tuple of Reason
        Why it cannot be a job at all.
    """

    name: str
    shown: str
    source: Path
    bare: bool = False
    reasons: tuple[Reason, ...] = ()


class Queue(msgspec.Struct, frozen=True, kw_only=True):
    """A scanned queue: its jobs by name, its office files, and what was left aside."""

    folder: Path
    entries: tuple[QueueEntry, ...]
    left_aside: tuple[str, ...] = ()


def scan(folder: Path, *, not_out: Path | None = None) -> Queue:
    """List the jobs of a queue, in the order of their names; `not_out`, where results go, is no job even in the queue.

    Raises
    ------
    JobError
        When the queue itself is no folder that can be read.
    """
    try:
        with os.scandir(folder) as found:
            listed = sorted(found, key=lambda entry: os.fsencode(entry.name))
    except OSError as fault:
        raise hold(
            JobError, "no-queue", f"{folder} is not a folder that can be read: {fault.strerror}", do="name the folder that holds the jobs"
        ) from None
    skip = not_out.resolve() if not_out is not None else None
    entries, left_aside = [], []
    for entry in listed:
        if entry.name.startswith(".") or _is_office(entry.name):
            continue
        made = _entry_of(entry, Path(folder))
        if made is None:
            left_aside.append(shown(entry.name))
        elif made.source.resolve() != skip or made.reasons:
            entries.append(made)
    return Queue(folder=folder, entries=_twins_refused(entries), left_aside=tuple(left_aside))


def entry_at(path: Path) -> QueueEntry:
    """Return the job a person names by its folder or a single survey file of any form; in a queue only point files are jobs by themselves."""
    path = Path(os.path.abspath(path))  # noqa: PTH100  # Path.resolve would follow a link before it can be refused
    if not os.path.lexists(path):
        raise hold(JobError, "no-job", f"there is no {path}", do=f"name a job's folder, or a survey file ({', '.join(SURVEY_FORMS)})")
    made = _entry(path, path.name, path.lstat().st_mode, SURVEY_FORMS)
    if made is None:
        raise hold(
            JobError,
            "no-job",
            f"{path} is neither a folder nor a survey file",
            do=f"name a job's folder, or a file ending in {', '.join(SURVEY_FORMS)}",
        )
    return made


def _is_office(name: str) -> bool:
    return name in OFFICE_FILES or name.endswith(RULES_ENDING)


def _entry_of(entry: os.DirEntry[str], folder: Path) -> QueueEntry | None:
    return _entry(folder / entry.name, entry.name, entry.stat(follow_symlinks=False).st_mode)


def _entry(source: Path, name: str, mode: int, forms: tuple[str, ...] = BARE_FORMS) -> QueueEntry | None:
    """Return the job at `source`, or None when it is no kind of job; a file by itself has to end in one of `forms`."""
    bare = not stat.S_ISDIR(mode)
    if bare and stat.S_ISREG(mode) and source.suffix.lower() not in forms:
        return None
    if bare and source.suffix.lower() in forms:
        name = source.stem
    reasons = [name_fault(name)]
    if not stat.S_ISDIR(mode) and not stat.S_ISREG(mode):
        reasons.append(_special(source.name))
    found = tuple(reason for reason in reasons if reason is not None)
    return QueueEntry(name=stand_in(name) if found else name, shown=shown(name), source=source, bare=bare, reasons=found)


def _special(name: str) -> Reason:
    return Reason(
        ref="not-a-plain-file",
        what=f"{shown(name)} is a link, a device or a pipe",
        why="only plain files and folders are read, so that a queue cannot point outside itself",
        file=shown(name),
        do="put the job's folder itself into the queue",
    )


def _twins_refused(entries: list[QueueEntry]) -> tuple[QueueEntry, ...]:
    """Hold every job whose name differs from another's in case only, or not at all."""
    alike: dict[str, list[str]] = {}
    for entry in entries:
        alike.setdefault(entry.name.casefold(), []).append(shown(entry.source.name))
    return tuple(_as_twin(entry, alike[entry.name.casefold()]) if len(alike[entry.name.casefold()]) > 1 else entry for entry in entries)


def _as_twin(entry: QueueEntry, alike: list[str]) -> QueueEntry:
    reason = Reason(
        ref="job-name-twice",
        what=f"{' and '.join(alike)} in the queue are jobs of one name, or of names that differ only in capital letters",
        why="their packages would overwrite each other on some machines",
        file=shown(entry.source.name),
        do="rename all but one of them, or take them out",
    )
    return msgspec.structs.replace(entry, name=stand_in(entry.source.name), reasons=(*entry.reasons, reason))
