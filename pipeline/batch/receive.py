"""Taking a job in: its files copied, its options resolved, its key known; or the reason why not."""

from __future__ import annotations

import hashlib

import msgspec

from pipeline import artifacts
from pipeline.batch.places import Places
from pipeline.errors import JobError, Reason
from pipeline.intake.job_folder import job_of
from pipeline.intake.office import Office
from pipeline.intake.queue import QueueEntry
from pipeline.intake.snapshot import FileTrace, read_all, store, traces_of
from pipeline.model.job import Job

INTAKE_VERSION = "intake 1"


class Received(msgspec.Struct, frozen=True, kw_only=True):
    """A job as taken in.

    Parameters
    ----------
    key : str
        Digest over everything the stages can read; empty for a job held here.
    reasons : tuple of Reason
        Why it is held here.
    traces : tuple of FileTrace
        How its files looked when they were read; empty when the job has to be read again next time.
    """

    key: str = ""
    reasons: tuple[Reason, ...] = ()
    traces: tuple[FileTrace, ...] = ()


def receive(places: Places, entry: QueueEntry, office: Office, *, write: bool = True) -> Received:
    """Copy a job's files to the intake folder and write its `job` artifact; without `write` only look what they would be."""
    if entry.reasons:
        return Received(reasons=entry.reasons)
    try:
        traces = traces_of(entry)
        files = read_all(entry, [trace.name for trace in traces], office.shop.limits.file_bytes)
        job = job_of(entry.name, files, office)
    except JobError as held:
        return Received(reasons=held.reasons)
    content = _encoded(job)
    if write:
        place = places.job(entry.name)
        used = {file.name for file in (*job.survey_files, *job.inputs)}
        store(place.intake, {name: content for name, content in files.items() if name in used})
        artifacts.write_bytes(artifacts.path_of(place, "job"), content)
    return Received(key=hashlib.sha256(content).hexdigest(), traces=traces)


def _encoded(job: Job) -> bytes:
    inputs = {file.name: file.sha256 for file in job.inputs}
    return artifacts.encoded(job.name, "job", job, inputs=inputs, made_by=INTAKE_VERSION)
