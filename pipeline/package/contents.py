"""The verb of this stage: from a job's artifacts and drawings to all files of its package."""

from __future__ import annotations

from collections.abc import Mapping

import msgspec

from pipeline.model.compliance import Compliance
from pipeline.model.fabrication import Fabrication
from pipeline.model.job import InputFile, Job
from pipeline.model.layout import Layout
from pipeline.model.status import Revision
from pipeline.model.succession import Succession
from pipeline.model.survey import Survey
from pipeline.package import tables
from pipeline.package.manifest import manifest_of


class Made(msgspec.Struct, frozen=True, kw_only=True):
    """What the stages before have made of a job, with the digests of their artifacts and the versions in play."""

    job: Job
    survey: Survey
    layout: Layout
    fabrication: Fabrication
    compliance: Compliance
    revision: Revision
    artifacts: Mapping[str, str]
    versions: Mapping[str, str]
    succession: Succession
    returned: tuple[InputFile, ...] = ()


def package_files(made: Made, drawn: Mapping[str, bytes]) -> dict[str, bytes]:
    """Return every file of the package by name: drawings, tables, and the manifest over them."""
    files = {
        **drawn,
        "holes.csv": tables.holes_csv(made.layout),
        "panels.csv": tables.panels_csv(made.layout, made.fabrication),
        "gates.csv": tables.gates_csv(made.layout),
        "cuts.csv": tables.cuts_csv(made.fabrication),
        "order.csv": tables.order_csv(made.succession.order),
        "checks.csv": tables.checks_csv(made.compliance),
        "stakeout.csv": tables.stakeout_csv(made.layout, made.survey),
    }
    manifest = manifest_of(made.job, made.revision, made.compliance, files, made.artifacts, made.versions, made.succession.ordered, made.returned)
    files["manifest.json"] = msgspec.json.format(msgspec.json.encode(manifest, order="sorted"), indent=1) + b"\n"
    return files
