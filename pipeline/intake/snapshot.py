"""A job's input files, taken once: what is read later is this copy, whatever happens in the queue."""

from __future__ import annotations

import os
import stat
from collections.abc import Iterable
from pathlib import Path

import msgspec

from pipeline.artifacts import write_bytes
from pipeline.errors import JobError, Reason, hold
from pipeline.intake.files import read_regular
from pipeline.intake.names import shown
from pipeline.intake.queue import NOT_SURVEYS, SURVEY_FORMS, QueueEntry
from pipeline.model.shop import Limits


class FileTrace(msgspec.Struct, frozen=True, array_like=True):
    """How a file looked from outside when it was last read; equal traces mean an unchanged file."""

    name: str
    size: int
    changed: int
    noted: int
    inode: int


def traces_of(entry: QueueEntry, limits: Limits) -> tuple[FileTrace, ...]:
    """Look at the files a job consists of, without opening them.

    Raises
    ------
    JobError
        When the folder cannot be listed, holds too many files, or one of them is a link, a device or a pipe.
    """
    try:
        found = [(entry.source.name, entry.source.lstat())] if entry.bare else _listed(entry.source)
    except OSError as fault:
        raise hold(
            JobError, "job-not-read", f"{entry.shown} cannot be read: {fault.strerror}", do="make the folder readable for whoever runs the batch"
        ) from None
    if len(found) > limits.job_files:
        raise hold(
            JobError,
            "too-many-files",
            f"{entry.shown} holds {len(found)} survey files, at most {limits.job_files} are read",
            do="keep what does not belong to the survey in a folder within the job's folder, or raise job_files under [limits] in shop.toml",
        )
    refused = [_special(name) for name, seen in found if not stat.S_ISREG(seen.st_mode)]
    refused += [_odd_name(name) for name, _ in found if shown(name) != name]
    if refused:
        raise JobError(refused)
    return tuple(FileTrace(name, seen.st_size, seen.st_mtime_ns, seen.st_ctime_ns, seen.st_ino) for name, seen in found)


def is_survey_file(name: str) -> bool:
    """Tell whether a file of a job's folder is taken for a survey file by its name."""
    return Path(name).suffix.lower() in SURVEY_FORMS and name not in NOT_SURVEYS and not name.lower().startswith("readme")


def read_all(entry: QueueEntry, names: Iterable[str], limits: Limits) -> dict[str, bytes]:
    """Read a job's files, each and all together within the shop's limits.

    Raises
    ------
    JobError
        With one reason for every file that cannot be read.
    """
    files: dict[str, bytes] = {}
    reasons: list[Reason] = []
    most = limits.file_bytes
    for name in names:
        path = entry.source if entry.bare else entry.source / name
        try:
            key, least = ("settings_bytes", limits.settings_bytes) if name == "job.toml" else ("file_bytes", most)
            files[name] = read_regular(path, shown_as=shown(name), most=least, limit=key)
        except JobError as fault:
            reasons += fault.reasons
        if sum(map(len, files.values())) > most:
            reasons.append(_too_much(entry, most))
            break
    if reasons:
        raise JobError(reasons)
    return files


def store(folder: Path, files: dict[str, bytes]) -> None:
    """Make a folder hold exactly these files."""
    folder.mkdir(parents=True, exist_ok=True)
    for old in folder.iterdir():
        if old.name not in files:
            old.unlink()
    for name, content in files.items():
        path = folder / name
        if not path.is_file() or path.read_bytes() != content:
            write_bytes(path, content)


def _listed(folder: Path) -> list[tuple[str, os.stat_result]]:
    """Return the files of a folder that a job may consist of, in the order of their names."""
    with os.scandir(folder) as found:
        mine = [entry for entry in found if _is_read(entry.name)]
        return sorted((entry.name, entry.stat(follow_symlinks=False)) for entry in mine)


def _is_read(name: str) -> bool:
    return not name.startswith(".") and (name == "job.toml" or name in NOT_SURVEYS or is_survey_file(name))


def _special(name: str) -> Reason:
    return Reason(
        ref="not-a-plain-file",
        what=f"{shown(name)} is a link, a folder, a device or a pipe",
        why="only plain files are read, so that a job cannot point outside its folder",
        file=shown(name),
        do="put a copy of the file there",
    )


def _too_much(entry: QueueEntry, most: int) -> Reason:
    return Reason(
        ref="job-too-large",
        what=f"the files of {entry.shown} are together larger than {most} bytes",
        why="no survey of a pool is so large; reading on could fill the machine",
        do="take out what does not belong to the survey, or raise file_bytes under [limits] in shop.toml",
    )


def _odd_name(name: str) -> Reason:
    return Reason(
        ref="file-name",
        what=f"the file name {shown(name)!r} has characters that cannot be printed",
        why="the package and its manifest name every input",
        file=shown(name),
        do="rename the file",
    )
