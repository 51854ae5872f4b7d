"""Reading and writing of what passes between stages: versioned, validated on both ways, the same bytes for the same content."""

from __future__ import annotations

import hashlib
import os
from pathlib import Path
from typing import Any, Final, Generic, TypeVar

import msgspec

from pipeline.errors import InternalFault, Reason
from pipeline.model.status import Revision
from pipeline.units import Angle, Length

Body = TypeVar("Body", bound=msgspec.Struct)

VERSIONS: Final[dict[str, int]] = {
    "job": 1,
    "returned": 1,
    "survey": 1,
    "edge": 1,
    "layout": 1,
    "drilling": 1,
    "fabrication": 1,
    "compliance": 1,
}
_OURS: Final = ("job", "returned")  # what intake found: not for people, so it lies in the job's own folder


class JobPlace(msgspec.Struct, frozen=True):
    """Where one job's files lie while it is worked on.

    Parameters
    ----------
    job : str
        The job's name.
    intake : Path
        Copy of the job's input files; never written by a stage.
    out : Path
        OUT/jobs/<job>: artifacts and `points.csv`.
    work : Path
        The job's own folder for what is not yet a package (``drawings/``).
    """

    job: str
    intake: Path
    out: Path
    work: Path


class Artifact(msgspec.Struct, Generic[Body], frozen=True, kw_only=True):
    """What every artifact carries around its body."""

    artifact: str
    version: int
    job: str
    inputs: dict[str, str]
    made_by: str
    body: Body


def write(place: JobPlace, name: str, body: msgspec.Struct, *, inputs: dict[str, str], made_by: str) -> Path:
    """Write one artifact of a job beside its place and rename it in; returns its path.

    `inputs` are name and SHA-256 of everything the body was made from, `made_by` is stage and version.
    """
    path = path_of(place, name)
    write_bytes(path, encoded(place.job, name, body, inputs=inputs, made_by=made_by))
    return path


def encoded(job: str, name: str, body: msgspec.Struct, *, inputs: dict[str, str], made_by: str) -> bytes:
    """Return the bytes an artifact's file holds."""
    return encode(Artifact(artifact=name, version=VERSIONS[name], job=job, inputs=inputs, made_by=made_by, body=body))


def read(place: JobPlace, name: str, kind: type[Body], path: Path | None = None) -> Body:
    """Read one artifact of a job; `path` is where a copy of it was kept.

    Raises
    ------
    InternalFault
        When it is missing, damaged or of another version; says which stage to run again.
    """
    path = path or path_of(place, name)
    try:
        artifact = msgspec.json.decode(path.read_bytes(), type=Artifact[kind], dec_hook=_decode)  # type: ignore[valid-type]  # msgspec takes the class at run time
    except FileNotFoundError:
        raise _fault(name, path, "is missing") from None
    except msgspec.DecodeError as fault:
        raise _fault(name, path, f"cannot be read: {fault}") from None
    if artifact.version != VERSIONS[name] or artifact.artifact != name:
        raise _fault(name, path, f"is {artifact.artifact} version {artifact.version}, expected version {VERSIONS[name]}")
    body: Body = artifact.body
    return body


def read_if_there(place: JobPlace, name: str, kind: type[Body]) -> Body | None:
    """Read one artifact of a job that not every job has; None where it has not."""
    return read(place, name, kind) if path_of(place, name).exists() else None


def digest(place: JobPlace, name: str) -> str:
    """Return the SHA-256 of an artifact's file."""
    return hashlib.sha256(path_of(place, name).read_bytes()).hexdigest()


def path_of(place: JobPlace, name: str) -> Path:
    """Return where an artifact of a job lies."""
    return (place.work if name in _OURS else place.out) / f"{name}.json"


def kept_plan(place: JobPlace, revision: int) -> Path:
    """Return where the plan of a revision is kept beside its package, for the day its holes come back drilled."""
    return place.out / f"{place.job}-r{revision}-plan.json"


def revisions(place: JobPlace) -> tuple[Revision, ...]:
    """Return the packages that were made of a job, oldest first."""
    path = place.out / "revisions.json"
    return msgspec.json.decode(path.read_bytes(), type=tuple[Revision, ...]) if path.exists() else ()


def encode(record: msgspec.Struct) -> bytes:
    """Return a record as indented JSON with sorted keys; floats keep every digit."""
    return msgspec.json.format(msgspec.json.encode(record, enc_hook=_encode, order="sorted"), indent=1) + b"\n"


def write_bytes(path: Path, content: bytes) -> None:
    """Write a file whole or not at all: beside, flushed to disk, renamed in."""
    path.parent.mkdir(parents=True, exist_ok=True)
    beside = path.with_name(f".{path.name}.{os.getpid()}.part")
    try:
        with beside.open("wb") as file:
            file.write(content)
            file.flush()
            os.fsync(file.fileno())
        beside.replace(path)
    except OSError:
        beside.unlink(missing_ok=True)
        raise


def _encode(value: Any) -> Any:
    if isinstance(value, Length | Angle):
        return float(value)  # metres or radians, like every other number between stages
    raise NotImplementedError(type(value))


def _decode(kind: type, value: Any) -> Any:
    if kind in (Length, Angle) and isinstance(value, float | int):
        return kind(value)
    raise NotImplementedError(kind)


def _fault(name: str, path: Path, what: str) -> InternalFault:
    return InternalFault(
        Reason(
            ref="artifact",
            what=f"the artifact {name} {what}",
            why="a stage reads only what its own version wrote",
            file=path.name,
            do=f"run the stage {name} again",
        )
    )
