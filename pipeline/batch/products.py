"""The batch-wide products: what is made of all complete jobs together, and the page that shows every job."""

from __future__ import annotations

import csv
import importlib
import io
from collections.abc import Collection
from pathlib import Path
from typing import Final

import msgspec

from pipeline.artifacts import read, write_bytes
from pipeline.batch.board import Board, board_page
from pipeline.batch.ledger import Product, read_status
from pipeline.batch.places import Places
from pipeline.batch.standings import Standing, read_succession, standing_of
from pipeline.errors import InternalFault
from pipeline.inert_text import inert_cell
from pipeline.model.compliance import Compliance
from pipeline.model.fabrication import Fabrication
from pipeline.model.job import InputFile, Job
from pipeline.model.night import Offcut, PooledCutting, PooledOrder
from pipeline.model.succession import Succession

PRODUCTS: Final = ("cutting", "order", "board")
LOADED_LATE: Final = ("pipeline.batch.pooled_cutting", "pipeline.batch.order", "xlsxwriter")


class NightJob(msgspec.Struct, frozen=True, array_like=True):
    """A job of the night: its name, what people call it, and its key, empty when it was held at intake."""

    name: str
    shown: str
    key: str


class NightJobs(msgspec.Struct, frozen=True, kw_only=True):
    """What the batch-wide products are made from: the jobs of the night, the shelf, and the digest of the office's settings."""

    jobs: tuple[NightJob, ...]
    office: str
    offcuts: InputFile | None = None
    most_offcuts: int = 0


class Gathered(msgspec.Struct, frozen=True, kw_only=True):
    """What the products take from jobs that stay as they are, by their names: what is ordered for each, where anything is, and how each stands."""

    ordered: dict[str, tuple[Job, Fabrication] | None] = {}
    standings: dict[str, Standing] = {}


def gathered(places: Places, building: Collection[str]) -> Gathered:
    """Gather what the products take from all jobs but those that are being built, and load what makes them; nothing where a job's files are damaged."""
    for module in LOADED_LATE:
        importlib.import_module(module)
    jobs = [job for job in _night(places).jobs if job.name not in building]
    try:
        return Gathered(
            ordered={job.name: _ordered_of(places, job) for job in jobs},
            standings={job.name: standing_of(places, job.name, job.shown, taken_in=bool(job.key)) for job in jobs},
        )
    except (InternalFault, OSError):
        return Gathered()


def make_product(name: str, places: Places, stamp: Path, known: Gathered | None = None) -> None:
    """Make one of `PRODUCTS` and stamp it; `known` is what was gathered before of jobs that have stayed as they were."""
    _MAKERS[name](places, _night(places), known or Gathered())
    write_bytes(stamp, b"made\n")


def _night(places: Places) -> NightJobs:
    return msgspec.json.decode((places.plan / "jobs.json").read_bytes(), type=NightJobs)


def products_left(places: Places) -> tuple[Product, ...]:
    """Look at the files of the batch folder as they are."""
    if not places.batch.is_dir():
        return ()
    found = sorted((path, path.stat()) for path in places.batch.iterdir())
    return tuple(Product(path.name, seen.st_size, seen.st_mtime_ns) for path, seen in found)


def _cutting(places: Places, night: NightJobs, known: Gathered) -> None:
    """Write batch/cutting.csv and batch/offcuts.csv, and keep the cutting for the order."""
    from pipeline.batch.pooled_cutting import cutting_csv, offcuts_csv, pooled_cutting

    jobs = _ordered(places, night, known)
    drilled = _drilled(places, jobs)
    cutting = pooled_cutting(jobs, _shelf(places, night), drilled.keys())
    write_bytes(places.internal / "cutting.json", msgspec.json.encode(cutting))
    write_bytes(places.batch / "cutting.csv", cutting_csv(cutting, drilled).encode())
    write_bytes(places.batch / "offcuts.csv", offcuts_csv(cutting.shelf_next).encode())


def _order(places: Places, night: NightJobs, known: Gathered) -> None:
    """Write batch/order.xlsx, and keep the order for the board."""
    from pipeline.batch.order import pooled_order, write_order_xlsx

    jobs = _ordered(places, night, known)
    order = pooled_order(jobs, read_cutting(places), _drilled(places, jobs))
    write_bytes(places.internal / "order.json", msgspec.json.encode(order))
    write_bytes(places.batch / "order.xlsx", write_order_xlsx(order))


def read_cutting(places: Places) -> PooledCutting:
    """Return the night's pooled cutting."""
    return msgspec.json.decode((places.internal / "cutting.json").read_bytes(), type=PooledCutting)


def read_order(places: Places) -> PooledOrder:
    """Return the night's pooled order."""
    return msgspec.json.decode((places.internal / "order.json").read_bytes(), type=PooledOrder)


def _ordered(places: Places, night: NightJobs, known: Gathered) -> list[tuple[Job, Fabrication]]:
    """Return the jobs whose material is ordered: all complete ones, less those the shop file holds back."""
    found = [known.ordered[one.name] if one.name in known.ordered else _ordered_of(places, one) for one in night.jobs]
    return [one for one in found if one is not None]


def _ordered_of(places: Places, one: NightJob) -> tuple[Job, Fabrication] | None:
    place = places.job(one.name)
    if not one.key or read_status(place).state != "complete":
        return None
    job = read(place, "job", Job)
    if job.shop.hold_order_on_fail and read(place, "compliance", Compliance).verdict == "does not comply":
        return None
    return job, read(place, "fabrication", Fabrication)


def _drilled(places: Places, jobs: list[tuple[Job, Fabrication]]) -> dict[str, Succession]:
    """Return how the jobs whose holes are drilled, or whose panels are cut, follow their earlier revisions."""
    found = {job.name: read_succession(places.job(job.name)) for job, _ in jobs}
    return {name: succession for name, succession in found.items() if succession is not None and (succession.as_drilled or succession.further)}


def _shelf(places: Places, night: NightJobs) -> tuple[Offcut, ...]:
    from pipeline.batch.pooled_cutting import read_offcuts

    if night.offcuts is None:
        return ()
    return read_offcuts((places.plan / "offcuts.csv").read_bytes().decode("utf-8-sig"), most=night.most_offcuts)


def _board(places: Places, night: NightJobs, known: Gathered) -> None:
    standings = tuple(known.standings.get(job.name) or standing_of(places, job.name, job.shown, taken_in=bool(job.key)) for job in night.jobs)
    board = Board(jobs=standings, order=read_order(places), cutting=read_cutting(places))
    write_bytes(places.batch / "status.csv", _status_table(standings))
    write_bytes(places.batch / "board.html", board_page(board).encode())


_MAKERS: Final = {"cutting": _cutting, "order": _order, "board": _board}


def _status_table(standings: tuple[Standing, ...]) -> bytes:
    """Return status.csv: a line a job, and a further line for every further reason."""
    text = io.StringIO()
    table = csv.writer(text, lineterminator="\r\n")
    table.writerow(("job", "state", "revision", "stage", "verdict", "ref", "what", "why", "file", "line", "do", "basis", "changed"))
    for one in standings:
        status = one.status
        head = (one.shown, status.state, status.revision or "", status.stage, one.verdict)
        for reason in status.reasons or (None,):
            told = (reason.ref, reason.what, reason.why, reason.file, reason.line or "", reason.do) if reason else ("",) * 6
            table.writerow(inert_cell(cell) for cell in (*head, *told, one.basis, "; ".join(one.changed)))
    return text.getvalue().encode()
