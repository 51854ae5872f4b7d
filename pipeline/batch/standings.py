"""Where every job of the night stands, gathered from what its stages left, for the board and status.csv."""

from __future__ import annotations

from pathlib import Path
from typing import Final, TypeVar

import msgspec

from pipeline.artifacts import JobPlace, read
from pipeline.batch.ledger import read_status
from pipeline.batch.places import Places
from pipeline.errors import InternalFault
from pipeline.model.compliance import Compliance
from pipeline.model.fabrication import Fabrication
from pipeline.model.job import Job
from pipeline.model.status import Status
from pipeline.model.succession import Succession

Body = TypeVar("Body", bound=msgspec.Struct)
_LOG_LINES: Final = 6  # last lines of the log of the stage a job was held at
_THUMBNAIL_BYTES: Final = 20_000  # a larger picture is linked, not shown


class Standing(msgspec.Struct, frozen=True, kw_only=True):
    """One job as the office sees it in the morning.

    Parameters
    ----------
    shown : str
        What the queue calls it.
    status : Status
    title, due : str
    rules : tuple of str
        Ids of its rule packs.
    verdict : str
        Of the compliance stage; empty where it did not get there.
    fails, on_site : int
        Checks that fail, and that only a person can make.
    basis : str
        What a complete job's package stands on: "as planned" or "as drilled".
    changed : tuple of str
        What changed since its last package, in a few words each.
    since : int
        That package; 0 where there was none.
    alone : float or None
        What its order would be alone.
    thumbnail : str
        The plan as SVG; empty where there is none.
    log : tuple of str
        Last lines of the log of the stage it was held at.
    files : tuple of str
        Names in its package folder, for a complete job.
    survey : tuple of str
        What the survey left in the job's folder: points and the picture of the fit.
    zip : str
        Name of its package, for a complete job.
    """

    shown: str
    status: Status
    title: str = ""
    due: str = ""
    rules: tuple[str, ...] = ()
    verdict: str = ""
    fails: int = 0
    on_site: int = 0
    basis: str = ""
    changed: tuple[str, ...] = ()
    since: int = 0
    alone: float | None = None
    thumbnail: str = ""
    log: tuple[str, ...] = ()
    files: tuple[str, ...] = ()
    survey: tuple[str, ...] = ()
    zip: str = ""


def standing_of(places: Places, name: str, shown: str, *, taken_in: bool) -> Standing:
    """Gather one job's standing; what an earlier night left of a job that was not taken in is not shown."""
    place = places.job(name)
    status = read_status(place)
    if not taken_in:
        return Standing(shown=shown, status=status)
    job = _read(place, "job", Job)
    compliance = _read(place, "compliance", Compliance)
    fabrication = _read(place, "fabrication", Fabrication)
    verdicts = [check.verdict for check in compliance.checks] if compliance else []
    complete = status.state == "complete"
    succession = read_succession(place) if complete else None
    package = f"{name}-r{status.revision}.zip"
    return Standing(
        shown=shown,
        status=status,
        title=job.title if job else "",
        due=job.options.due if job else "",
        rules=tuple(pack.id for pack in job.packs) if job else (),
        verdict=compliance.verdict if compliance else "",
        fails=verdicts.count("fail"),
        on_site=verdicts.count("on-site"),
        basis="" if succession is None else "as drilled" if succession.as_drilled else "as planned",
        changed=succession.changed if succession else (),
        since=succession.since if succession else 0,
        alone=fabrication.total if fabrication else None,
        thumbnail=_text(place.out / "plan.svg", _THUMBNAIL_BYTES),
        log=() if complete else _last_lines(places.log(name, status.stage)),
        files=_names(place.out / "package") if complete else (),
        survey=tuple(one for one in ("points.csv", "fit.svg") if (place.out / one).is_file()),
        zip=package if complete and (place.out / package).is_file() else "",
    )


def read_succession(place: JobPlace) -> Succession | None:
    """Return how a job's package follows the one before; None where no package was drawn."""
    try:
        return msgspec.json.decode((place.work / "succession.json").read_bytes(), type=Succession)
    except FileNotFoundError:
        return None


def _read(place: JobPlace, name: str, kind: type[Body]) -> Body | None:
    try:
        return read(place, name, kind)
    except InternalFault:
        return None


def _text(path: Path, most: int) -> str:
    """Return a small text file, or nothing when it is absent or larger."""
    try:
        return path.read_text(encoding="utf-8") if path.stat().st_size <= most else ""
    except OSError:
        return ""


def _last_lines(log: Path) -> tuple[str, ...]:
    try:
        return tuple(log.read_text(encoding="utf-8", errors="replace").splitlines()[-_LOG_LINES:])
    except OSError:
        return ()


def _names(folder: Path) -> tuple[str, ...]:
    return tuple(sorted(path.relative_to(folder).as_posix() for path in folder.rglob("*") if path.is_file())) if folder.is_dir() else ()
