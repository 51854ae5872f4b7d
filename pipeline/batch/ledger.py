"""What was done for a job, stage by stage, and the keys that tell whether it still holds."""

from __future__ import annotations

import hashlib
import shutil
from pathlib import Path
from typing import Final, Literal

import msgspec

from pipeline.artifacts import JobPlace, write_bytes
from pipeline.errors import Reason
from pipeline.model.status import STAGES, Status

Outcome = Literal["done", "held", "fault"]
LEDGER: Final = "ledger.json"
READS_RETURNED: Final = "drilling"  # the first stage that looks at as_drilled.csv and cut.csv


class Product(msgspec.Struct, frozen=True, array_like=True):
    """A file a stage left behind, as it looked then."""

    path: str
    size: int
    changed: int


class Entry(msgspec.Struct, frozen=True, kw_only=True):
    """What one stage did for a job.

    Parameters
    ----------
    key : str
        Digest of all it depended on.
    outcome : Outcome
        `fault` is ours to mend; the job is held all the same.
    seconds : float
        Time it took, for the benchmarks and the curious.
    products : tuple of Product
    """

    key: str
    outcome: Outcome
    reasons: tuple[Reason, ...] = ()
    warnings: tuple[Reason, ...] = ()
    seconds: float = 0.0
    products: tuple[Product, ...] = ()


class Ledger(msgspec.Struct, frozen=True, kw_only=True):
    """The entries of one job, by stage, as far as it got."""

    entries: dict[str, Entry] = {}


def read_ledger(place: JobPlace) -> Ledger:
    """Return a job's ledger; an empty one where there is none, or none of ours."""
    try:
        return msgspec.json.decode((place.work / LEDGER).read_bytes(), type=Ledger)
    except (FileNotFoundError, msgspec.DecodeError):
        return Ledger()


def write_ledger(place: JobPlace, ledger: Ledger) -> None:
    """Write a job's ledger, whole or not at all."""
    write_bytes(place.work / LEDGER, msgspec.json.encode(ledger, order="sorted"))


def stage_keys(job_key: str, code: dict[str, str], returned: str = "") -> dict[str, str]:
    """Return each stage's key: the job's inputs, the stage's code, and the keys of all stages before it.

    `code` are the digests of the stages' code, in the order of the line.  `returned` is that of what came back from the site; the
    plan does not hang on it, so it counts from the stage on that reads it.
    """
    keys, before = {}, job_key
    for stage, digest in code.items():
        if stage == READS_RETURNED and returned:
            before = f"{before}\0{returned}"
        before = keys[stage] = hashlib.sha256(f"{stage}\0{digest}\0{before}".encode()).hexdigest()
    return keys


def first_stale(place: JobPlace, ledger: Ledger, keys: dict[str, str]) -> tuple[str, str] | None:
    """Return the first stage that has to run again and why, or None when all holds, or held where it was held."""
    out = str(place.out.parent.parent)
    for stage, key in keys.items():
        entry = ledger.entries.get(stage)
        if entry is None:
            return stage, "not done yet"
        if entry.key != key:
            return stage, "its input, the shop file, a rule pack or the code changed"
        missing = next((product.path for product in entry.products if not _as_left(out, product)), None)
        if missing is not None:
            return stage, f"{missing} was removed or altered"
        if entry.outcome != "done":
            return None
    return None


def products_of(place: JobPlace, stage: str) -> tuple[Product, ...]:
    """Look at what a stage left behind."""
    out, number = place.out.parent.parent, revision(place)
    found = {path for pattern in _PRODUCTS[stage] for path in out.glob(pattern.format(job=place.job, revision=number)) if path.is_file()}
    return tuple(_seen(place, path) for path in sorted(found))


def take_away_from(place: JobPlace, stage: str) -> None:
    """Take away what `stage` and those after it left of an earlier run; revisions already given out stay."""
    for later in STAGES[STAGES.index(stage) :]:
        if later == "package":
            shutil.rmtree(place.out / "package", ignore_errors=True)
        else:
            for product in products_of(place, later):
                (place.out.parent.parent / product.path).unlink(missing_ok=True)


def status_of(place: JobPlace, ledger: Ledger, stages: tuple[str, ...] = STAGES) -> Status:
    """Return where a job stands by its ledger."""
    warnings: list[Reason] = []
    last = stages[0]
    for stage in stages:
        entry = ledger.entries.get(stage)
        if entry is None:
            return Status(job=place.job, state="held", revision=revision(place), stage=stage, reasons=(_unfinished(stage),), warnings=tuple(warnings))
        warnings += [warning for warning in entry.warnings if warning not in warnings]
        if entry.outcome != "done":
            return Status(job=place.job, state="held", revision=revision(place), stage=stage, reasons=entry.reasons, warnings=tuple(warnings))
        last = stage
    return Status(job=place.job, state="complete", revision=revision(place), stage=last, warnings=tuple(warnings))


def read_status(place: JobPlace) -> Status:
    """Return a job's status as it stands in OUT."""
    return msgspec.json.decode((place.out / "status.json").read_bytes(), type=Status)


def revision(place: JobPlace) -> int:
    """Return the number of the job's last package, 0 before the first."""
    try:
        told = msgspec.json.decode((place.out / "revisions.json").read_bytes())
        return max((int(one["revision"]) for one in told), default=0)
    except (FileNotFoundError, msgspec.DecodeError, KeyError, TypeError, ValueError):
        return 0


_PRODUCTS: Final[dict[str, tuple[str, ...]]] = {
    "survey": ("jobs/{job}/survey.json", "jobs/{job}/points.csv"),
    "edge": ("jobs/{job}/edge.json", "jobs/{job}/fit.svg"),
    "layout": ("jobs/{job}/layout.json",),
    "drilling": ("jobs/{job}/drilling.json",),
    "fabrication": ("jobs/{job}/fabrication.json",),
    "compliance": ("jobs/{job}/compliance.json",),
    "drawings": (
        ".sleeveline/work/{job}/drawings/**/*",
        ".sleeveline/work/{job}/revision.json",
        ".sleeveline/work/{job}/succession.json",
        "jobs/{job}/plan.svg",
    ),
    "package": ("jobs/{job}/package/**/*", "jobs/{job}/revisions.json", "jobs/{job}/{job}-r{revision}.zip", "jobs/{job}/{job}-r{revision}-plan.json"),
}


def _seen(place: JobPlace, path: Path) -> Product:
    seen = path.stat()
    return Product(path.relative_to(place.out.parent.parent).as_posix(), seen.st_size, seen.st_mtime_ns)


def _as_left(out: str, product: Product) -> bool:
    """Say whether a product in OUT is as it was left; asked of every file of a night, so without taking paths apart."""
    try:
        seen = Path(f"{out}/{product.path}").stat()
    except OSError:
        return False
    return (seen.st_size, seen.st_mtime_ns) == (product.size, product.changed)


def _unfinished(stage: str) -> Reason:
    return Reason(
        ref="not-finished",
        what=f"the job has not got through the stage {stage}",
        why="the run ended before, or is still at work",
        do="run the batch again; it goes on where it stopped",
    )
