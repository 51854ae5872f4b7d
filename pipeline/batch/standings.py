"""Where every job of the night stands, gathered from what its stages left, for the board and status.csv."""

from __future__ import annotations

from pathlib import Path
from typing import TypeVar

import msgspec

from pipeline.artifacts import JobPlace, read
from pipeline.batch.places import Places
from pipeline.errors import InternalFault
from pipeline.model.compliance import Compliance
from pipeline.model.fabrication import Fabrication
from pipeline.model.job import Job
from pipeline.model.layout import Layout
from pipeline.model.site import Site
from pipeline.model.status import Status

Body = TypeVar("Body", bound=msgspec.Struct)
_LOG_LINES = 6  # last lines of the log of the stage a job was held at


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
    site : Site or None
    layout : Layout or None
        For the thumbnail.
    holes, panels, custom, gates : int
    total : float or None
        What its order would be alone.
    log : tuple of str
        Last lines of the log of the stage it was held at.
    files : tuple of str
        Names in its package folder.
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
    site: Site | None = None
    layout: Layout | None = None
    total: float | None = None
    log: tuple[str, ...] = ()
    files: tuple[str, ...] = ()
    zip: str = ""


def standing_of(places: Places, name: str, shown: str) -> Standing:
    """Gather one job's standing."""
    place = places.job(name)
    status = msgspec.json.decode((place.out / "status.json").read_bytes(), type=Status)
    job = _read(place, "job", Job)
    compliance = _read(place, "compliance", Compliance)
    fabrication = _read(place, "fabrication", Fabrication)
    verdicts = [check.verdict for check in compliance.checks] if compliance else []
    complete = status.state == "complete"
    return Standing(
        shown=shown,
        status=status,
        title=job.title if job else "",
        due=job.options.due if job else "",
        rules=tuple(pack.id for pack in job.packs) if job else (),
        verdict=compliance.verdict if compliance else "",
        fails=verdicts.count("fail"),
        on_site=verdicts.count("on-site"),
        site=_read(place, "edge", Site),
        layout=_read(place, "layout", Layout),
        total=fabrication.total if fabrication else None,
        log=() if complete else _last_lines(places.log(name, status.stage)),
        files=_names(place.out / "package") if complete else (),
        zip=f"{name}-r{status.revision}.zip" if complete else "",
    )


def _read(place: JobPlace, name: str, kind: type[Body]) -> Body | None:
    try:
        return read(place, name, kind)
    except InternalFault:
        return None


def _last_lines(log: Path) -> tuple[str, ...]:
    try:
        return tuple(log.read_text(encoding="utf-8", errors="replace").splitlines()[-_LOG_LINES:])
    except OSError:
        return ()


def _names(folder: Path) -> tuple[str, ...]:
    return tuple(sorted(path.relative_to(folder).as_posix() for path in folder.rglob("*") if path.is_file())) if folder.is_dir() else ()
