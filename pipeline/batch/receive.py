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


def receive(places: Places, entry: QueueEntry, office: Office) -> Received:
    """Copy a job's files to the intake folder and write its `job` artifact, each only where it differs."""
    if entry.reasons:
        return Received(reasons=entry.reasons)
    try:
        traces = traces_of(entry)
        files = read_all(entry, [trace.name for trace in traces], office.shop.limits.file_bytes)
        job = job_of(entry.name, files, office)
    except JobError as held:
        return Received(reasons=held.reasons)
    place = places.job(entry.name)
    used = {file.name for file in (*job.survey_files, *job.inputs)}
    store(place.intake, {name: content for name, content in files.items() if name in used})
    return Received(key=_written(place, job), traces=traces)


def _written(place: artifacts.JobPlace, job: Job) -> str:
    """Write the job's artifact and return its digest."""
    inputs = {file.name: file.sha256 for file in job.inputs}
    path = artifacts.write(place, "job", job, inputs=inputs, made_by=INTAKE_VERSION)
    return hashlib.sha256(path.read_bytes()).hexdigest()
