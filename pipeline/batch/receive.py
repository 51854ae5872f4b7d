"""Taking a job in: its files copied, its options resolved, its key known; or the reason why not."""

from __future__ import annotations

import hashlib
from pathlib import Path

import msgspec

from pipeline import artifacts
from pipeline.batch.places import Places
from pipeline.errors import JobError, Reason
from pipeline.intake.files import UNREAD
from pipeline.intake.job_folder import job_of, returned_of
from pipeline.intake.office import Office
from pipeline.intake.queue import QueueEntry
from pipeline.intake.snapshot import FileTrace, read_all, store, traces_of
from pipeline.model.drilling import Returned
from pipeline.model.job import Job

INTAKE_VERSION = "intake 1"


class Received(msgspec.Struct, frozen=True, kw_only=True):
    """A job as taken in.

    Parameters
    ----------
    key : str
        Digest over everything the plan is made from; empty for a job held here.
    returned : str
        Digest over what came back from the site; empty where nothing did.
    reasons : tuple of Reason
        Why it is held here.
    traces : tuple of FileTrace
        How its files looked when they were read; empty when the job has to be read again next time.
    """

    key: str = ""
    returned: str = ""
    reasons: tuple[Reason, ...] = ()
    traces: tuple[FileTrace, ...] = ()


def receive(places: Places, entry: QueueEntry, office: Office, *, write: bool = True) -> Received:
    """Copy a job's files to the intake folder and write its `job` artifact; without `write` only look what they would be."""
    if entry.reasons:
        return Received(reasons=entry.reasons)
    try:
        traces = traces_of(entry, office.shop.limits)
    except JobError as held:
        return Received(reasons=held.reasons)
    try:
        files = read_all(entry, [trace.name for trace in traces], office.shop.limits)
        job = job_of(entry.name, files, office)
        returned = returned_of(files, office.shop.limits)
    except JobError as held:
        unread = any(reason.ref == UNREAD for reason in held.reasons)  # perhaps the machine's fault, and gone next night
        return Received(reasons=held.reasons, traces=() if unread else traces)
    content, sent_back = _encoded(job), _returned(job.name, returned) if returned else b""
    if write:
        place = places.job(entry.name)
        used = {file.name for file in (*job.survey_files, *job.inputs, *(returned.files if returned else ()))}
        store(place.intake, {name: content for name, content in files.items() if name in used})
        artifacts.write_bytes(artifacts.path_of(place, "job"), content)
        _put_or_take_away(artifacts.path_of(place, "returned"), sent_back)
    return Received(key=_digest(content), returned=_digest(sent_back) if sent_back else "", traces=traces)


def _encoded(job: Job) -> bytes:
    inputs = {file.name: file.sha256 for file in job.inputs}
    return artifacts.encoded(job.name, "job", job, inputs=inputs, made_by=INTAKE_VERSION)


def _returned(job: str, returned: Returned) -> bytes:
    inputs = {file.name: file.sha256 for file in returned.files}
    return artifacts.encoded(job, "returned", returned, inputs=inputs, made_by=INTAKE_VERSION)


def _put_or_take_away(path: Path, content: bytes) -> None:
    if content:
        artifacts.write_bytes(path, content)
    else:
        path.unlink(missing_ok=True)


def _digest(content: bytes) -> str:
    return hashlib.sha256(content).hexdigest()
