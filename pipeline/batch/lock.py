"""One batch at a time in one OUT: a lock that dies with its process."""

from __future__ import annotations

import fcntl
import os
import socket
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import msgspec


class Holder(msgspec.Struct, frozen=True):
    """Who holds a lock: process, machine, and since when."""

    pid: int
    host: str
    since: str


class LockedError(Exception):
    """Another run holds the lock; `holder` tells which, as far as it can be read."""

    def __init__(self, holder: Holder | None) -> None:
        self.holder = holder
        who = f"process {holder.pid} on {holder.host}, since {holder.since}" if holder else "another process"
        super().__init__(f"another run is at work on this OUT: {who}")


@contextmanager
def held(path: Path) -> Iterator[None]:
    """Hold the lock at `path` while the work runs.

    Raises
    ------
    LockedError
        When a living process holds it.  What a dead one left behind is no lock: the operating system let go of it.
    """
    path.parent.mkdir(parents=True, exist_ok=True)
    with path.open("a+b") as file:
        try:
            fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            raise LockedError(_holder(path)) from None
        file.truncate(0)
        holder = Holder(os.getpid(), socket.gethostname(), time.strftime("%Y-%m-%d %H:%M:%S"))
        file.write(msgspec.json.encode(holder))
        file.flush()
        yield


@contextmanager
def waited_for(path: Path) -> Iterator[None]:
    """Hold the lock at `path`, waiting for whoever has it."""
    path.parent.mkdir(parents=True, exist_ok=True)
    with path.open("a+b") as file:
        fcntl.flock(file, fcntl.LOCK_EX)
        yield


def _holder(path: Path) -> Holder | None:
    try:
        return msgspec.json.decode(path.read_bytes(), type=Holder)
    except (OSError, msgspec.DecodeError):
        return None
