"""The shell of the drawings stage: artifacts in; the plan, the booklets and a thumbnail out."""

from __future__ import annotations

import zipfile

from pipeline import artifacts
from pipeline.artifacts import JobPlace
from pipeline.drawings import pages, typeface
from pipeline.drawings.booklets import draw
from pipeline.drawings.changes import Before, read_before
from pipeline.drawings.further_order import read_ordered
from pipeline.drawings.revision import content_digest, next_revision, one_before
from pipeline.errors import Reason
from pipeline.model.compliance import Compliance
from pipeline.model.drilling import Drilling
from pipeline.model.fabrication import Fabrication
from pipeline.model.job import Job
from pipeline.model.layout import Layout
from pipeline.model.site import Site
from pipeline.model.status import Revision
from pipeline.model.survey import Survey

NAME = "drawings"
CONTENT = ("layout", "fabrication", "compliance")  # the artifacts that make a revision
DRILLED = ("drilling", "fabrication", "compliance")  # and those that do once anything came back from the site


def load() -> None:
    """Load what the work would load late: what sets text, and the sheets' typeface."""
    pages.load()
    typeface.register()


def run(place: JobPlace) -> tuple[Reason, ...]:
    """Draw a job's plan, sheets and booklets into its work folder, and settle the revision they carry."""
    drilling = artifacts.read_if_there(place, "drilling", Drilling)
    content = content_digest([artifacts.digest(place, name) for name in (DRILLED if drilling else CONTENT)])
    made = artifacts.revisions(place)
    compliance = artifacts.read(place, "compliance", Compliance)
    revision = next_revision(made, content, as_drilled=compliance.as_drilled)
    job, planned = artifacts.read(place, "job", Job), artifacts.read(place, "layout", Layout)
    planned = drilling.planned or planned if drilling else planned
    drawn = draw(
        job,
        artifacts.read(place, "survey", Survey),
        artifacts.read(place, "edge", Site),
        drilling.layout if drilling else planned,
        artifacts.read(place, "fabrication", Fabrication),
        compliance,
        revision,
        made=made,
        before=_package_before(place, one_before(made, revision)),
        drilling=drilling,
        planned=planned,
    )
    for name, content_bytes in drawn.files.items():
        artifacts.write_bytes(place.work / "drawings" / name, content_bytes)
    artifacts.write_bytes(place.out / "plan.svg", drawn.picture.encode())
    artifacts.write_bytes(place.work / "revision.json", artifacts.encode(revision))
    artifacts.write_bytes(place.work / "succession.json", artifacts.encode(drawn.succession))
    return drawn.warnings


def _package_before(place: JobPlace, older: Revision | None) -> Before | None:
    """Read an older package's tables from its zip, which stays as it was made; None where there is none to be read."""
    if older is None:
        return None
    folder = f"{place.job}-r{older.revision}"
    try:
        with zipfile.ZipFile(place.out / f"{folder}.zip") as archive:
            holes, panels, manifest, order = (archive.read(f"{folder}/{name}") for name in ("holes.csv", "panels.csv", "manifest.json", "order.csv"))
    except (FileNotFoundError, KeyError, zipfile.BadZipFile):
        return None
    return read_before(older.revision, holes, panels, read_ordered(manifest, order))
