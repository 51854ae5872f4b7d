"""What a package holds: every file with its SHA-256, the inputs with theirs, the versions it was made with."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping, Sequence

import msgspec

from pipeline.model.compliance import Compliance
from pipeline.model.job import InputFile, Job
from pipeline.model.status import Revision
from pipeline.model.succession import Ordered


class Manifest(msgspec.Struct, frozen=True, kw_only=True):
    """manifest.json of a package.

    Parameters
    ----------
    job, title : str
    revision : int
    as_drilled : bool
        The package follows the holes as they were measured after drilling.
    content : str
        Digest over the layout, fabrication and compliance artifacts, and the holes as drilled; it makes the revision.
    verdict : str
    files, inputs, artifacts : dict
        Name and SHA-256.
    rule_packs : dict
        Id and edition.
    versions : dict
        Of this program and of the libraries whose bytes are in the files.
    ordered : Ordered
        What the job has ordered by now, this revision's order with it: a later one orders what is needed beyond it.
    note : str
    """

    job: str
    title: str
    revision: int
    as_drilled: bool
    content: str
    verdict: str
    files: dict[str, str]
    inputs: dict[str, str]
    artifacts: dict[str, str]
    rule_packs: dict[str, str]
    versions: dict[str, str]
    ordered: Ordered
    note: str = "This fence replaces no supervision. Local codes, the authority having jurisdiction and licensed practice decide."


def manifest_of(
    job: Job,
    revision: Revision,
    compliance: Compliance,
    files: Mapping[str, bytes],
    artifacts: Mapping[str, str],
    versions: Mapping[str, str],
    ordered: Ordered,
    returned: Sequence[InputFile] = (),
) -> Manifest:
    """Return the manifest of a package's files; `returned` are the files that came back from the site."""
    return Manifest(
        job=job.name,
        title=job.title,
        revision=revision.revision,
        as_drilled=revision.as_drilled,
        content=revision.content,
        verdict=compliance.verdict,
        files={name: hashlib.sha256(content_bytes).hexdigest() for name, content_bytes in sorted(files.items())},
        inputs={file.name: file.sha256 for file in (*job.inputs, *returned)},
        artifacts=dict(artifacts),
        rule_packs={pack.id: pack.edition for pack in job.packs},
        versions=dict(versions),
        ordered=ordered,
    )
