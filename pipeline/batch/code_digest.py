"""The digest of a stage's code and of all it stands on: when it changes, what the stage made is stale."""

from __future__ import annotations

import functools
import hashlib
from pathlib import Path
from typing import Final

import pipeline

_STANDS_ON: Final = ("model", "geometry", "cutting", "artifacts.py", "units.py", "errors.py", "inert_text.py", "toml_records.py", "rule_files.py")
_HOUSE: Final = Path(pipeline.__file__).parent


@functools.cache
def code_digest(stage: str) -> str:
    """Return the SHA-256 over the source of `stage` and of everything below it in the house."""
    return _digest_of((stage, *_STANDS_ON))


def code_digests(stages: tuple[str, ...]) -> dict[str, str]:
    """Return the digests of several stages, in their order."""
    return {stage: code_digest(stage) for stage in stages}


@functools.cache
def batch_digest() -> str:
    """Return the SHA-256 over the source of the batch-wide products."""
    return _digest_of(("batch", *_STANDS_ON))


@functools.cache
def _digest_of(parts: tuple[str, ...]) -> str:
    whole = hashlib.sha256()
    for part in parts:
        for path in _sources(_HOUSE / part):
            whole.update(f"{path.relative_to(_HOUSE).as_posix()}\0".encode())
            whole.update(hashlib.sha256(path.read_bytes()).digest())
    return whole.hexdigest()


def _sources(path: Path) -> list[Path]:
    """Return every file that can change what the code does, data files included."""
    if path.is_file():
        return [path]
    return sorted(found for found in path.rglob("*") if found.is_file() and "__pycache__" not in found.parts and found.suffix != ".pyc")
