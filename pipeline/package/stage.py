"""The shell of the package stage: drawings and artifacts in; tables, manifest, package folder and zip out."""

from __future__ import annotations

import shutil
from importlib import metadata
from pathlib import Path

import msgspec

from pipeline import artifacts
from pipeline.artifacts import JobPlace
from pipeline.errors import Reason
from pipeline.model.compliance import Compliance
from pipeline.model.drilling import Drilling
from pipeline.model.fabrication import Fabrication
from pipeline.model.job import Job
from pipeline.model.layout import Layout
from pipeline.model.status import Revision
from pipeline.model.succession import Succession
from pipeline.model.survey import Survey
from pipeline.package.archive import zipped
from pipeline.package.contents import Made, package_files
from pipeline.package.record import recorded

NAME = "package"
DRAWN = ("crew.pdf", "inspection.pdf", "plan.dxf", "shop.pdf")
FROM = ("survey", "edge", "layout", "fabrication", "compliance")
LIBRARIES = ("ezdxf", "reportlab", "pymupdf-fonts", "numpy")  # those whose version can change a byte of the files


def run(place: JobPlace) -> tuple[Reason, ...]:
    """Assemble a job's package, and write its folder, its zip and the record of its revision."""
    drilling = artifacts.read_if_there(place, "drilling", Drilling)
    revision = msgspec.json.decode((place.work / "revision.json").read_bytes(), type=Revision)
    made = Made(
        job=artifacts.read(place, "job", Job),
        survey=artifacts.read(place, "survey", Survey),
        layout=drilling.layout if drilling else artifacts.read(place, "layout", Layout),
        fabrication=artifacts.read(place, "fabrication", Fabrication),
        compliance=artifacts.read(place, "compliance", Compliance),
        revision=revision,
        succession=msgspec.json.decode((place.work / "succession.json").read_bytes(), type=Succession),
        returned=drilling.returned.files if drilling else (),
        artifacts={name: artifacts.digest(place, name) for name in (*FROM, *(("drilling",) if drilling else ()))},
        versions={name: metadata.version(name) for name in ("sleeveline", *LIBRARIES)},
    )
    files = package_files(made, {name: (place.work / "drawings" / name).read_bytes() for name in DRAWN})
    _put_folder(place.out / "package", place.work / "package.new", files)
    folder = f"{place.job}-r{revision.revision}"
    artifacts.write_bytes(place.out / f"{folder}.zip", zipped(folder, files))
    if drilling is None:
        artifacts.write_bytes(artifacts.kept_plan(place, revision.revision), artifacts.path_of(place, "layout").read_bytes())
    artifacts.write_bytes(place.out / "revisions.json", recorded(artifacts.revisions(place), revision))
    return ()


def _put_folder(folder: Path, beside: Path, files: dict[str, bytes]) -> None:
    """Write all files beside and put the folder in its place in one move; nothing of an older package stays in it."""
    shutil.rmtree(beside, ignore_errors=True)
    for name, content in files.items():
        artifacts.write_bytes(beside / name, content)
    shutil.rmtree(folder, ignore_errors=True)
    beside.rename(folder)
