"""Reading what others wrote: regular files only, no larger than allowed, never through a link."""

from __future__ import annotations

import errno
import os
import stat
import tomllib
from pathlib import Path
from typing import Any, Final

from pipeline.errors import JobError, Reason, hold

UNREAD: Final = "file-not-read"  # reference of a file that could not be opened


def read_regular(path: Path, *, shown_as: str, most: int, limit: str) -> bytes:
    """Return a file's bytes, at most `most`; messages call it `shown_as`, and name the shop's `limit`, where it can be raised.

    Raises
    ------
    JobError
        When it is a link, a device or a pipe, cannot be opened, or is larger than `most`.
    """
    try:
        handle = os.open(path, os.O_RDONLY | os.O_NOFOLLOW | os.O_NONBLOCK | os.O_CLOEXEC)
    except OSError as fault:
        raise JobError(_not_opened(shown_as, fault)) from None
    with os.fdopen(handle, "rb") as file:
        if not stat.S_ISREG(os.fstat(handle).st_mode):
            raise JobError(_not_regular(shown_as))
        try:
            content = file.read(most + 1)
        except OSError as fault:
            raise JobError(_not_opened(shown_as, fault)) from None
    if len(content) > most:
        raise hold(
            JobError,
            "file-too-large",
            f"{shown_as} is larger than {most} bytes",
            why="no survey or settings file of this trade is so large; reading it on could fill the machine",
            file=shown_as,
            do=f"take out what does not belong{_raise(limit)}",
        )
    return content


def _not_opened(shown_as: str, fault: OSError) -> Reason:
    if fault.errno == errno.ELOOP:
        return _not_regular(shown_as)
    return Reason(
        ref=UNREAD,
        what=f"{shown_as} cannot be opened: {fault.strerror}",
        why="the job depends on it",
        file=shown_as,
        do="put the file there, readable by whoever runs the batch",
    )


def _not_regular(shown_as: str) -> Reason:
    return Reason(
        ref="not-a-plain-file",
        what=f"{shown_as} is a link, a folder, a device or a pipe",
        why="only plain files are read, so that a queue cannot point outside itself",
        file=shown_as,
        do="put a copy of the file there",
    )


def read_toml(content: bytes, *, file: str, depth: int, limit: str) -> tuple[dict[str, Any], str]:
    """Parse a TOML file with tables at most `depth` deep, by the shop's `limit`, where it can be raised; returns its table and its text.

    Raises
    ------
    JobError
        When it is no UTF-8, no TOML, or nested too deep; with the line.
    """
    try:
        text = content.decode("utf-8-sig")
        table = tomllib.loads(text)
        _refuse_depth(table, depth)
    except UnicodeDecodeError as fault:
        line = content.count(b"\n", 0, fault.start) + 1
        raise hold(
            JobError, "not-utf-8", f"{file} is not UTF-8 text at line {line}", file=file, line=line, do="save it as UTF-8, or take the character out"
        ) from None
    except RecursionError:
        raise hold(
            JobError,
            "toml-depth",
            f"{file} nests tables deeper than {depth} levels",
            why="no settings file needs that",
            file=file,
            do=f"flatten it{_raise(limit)}",
        ) from None
    except (tomllib.TOMLDecodeError, ValueError, OverflowError) as fault:
        raise hold(
            JobError,
            "not-toml",
            f"{file} cannot be read: {fault}",
            file=file,
            line=_line_in(str(fault)),
            do='mend the line; text and lengths stand in quotes, like height = "48 in"',
        ) from None
    return table, text


def _raise(limit: str) -> str:
    return f", or raise {limit} under [limits] in shop.toml" if limit else ""


def _refuse_depth(value: Any, left: int) -> None:
    """Raise RecursionError when a value nests deeper than `left` levels."""
    if left < 0:
        raise RecursionError
    inner = value.values() if isinstance(value, dict) else value if isinstance(value, list) else ()
    for one in inner:
        if isinstance(one, dict | list):
            _refuse_depth(one, left - 1)


def _line_in(message: str) -> int | None:
    """Return the line a parser's message names."""
    words = message.replace(",", " ").split()
    if "line" in words and words.index("line") + 1 < len(words):
        number = words[words.index("line") + 1].rstrip(")")
        return int(number) if number.isdigit() else None
    return None
