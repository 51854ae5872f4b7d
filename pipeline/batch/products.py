"""The batch-wide products: what is made of all complete jobs together, and the page that shows every job."""

from __future__ import annotations

import csv
import io
from pathlib import Path
from typing import Final

import msgspec

from pipeline.artifacts import read, write_bytes
from pipeline.batch.board import Board, board_page
from pipeline.batch.ledger import Product, read_status
from pipeline.batch.places import Places
from pipeline.batch.standings import Standing, read_succession, standing_of
from pipeline.inert_text import inert_cell
from pipeline.model.compliance import Compliance
from pipeline.model.fabrication import Fabrication
from pipeline.model.job import InputFile, Job
from pipeline.model.night import Offcut, PooledCutting, PooledOrder
from pipeline.model.succession import Succession

PRODUCTS: Final = ("cutting", "order", "board")


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


def make_product(name: str, places: Places, stamp: Path) -> None:
    """Make one of `PRODUCTS` and stamp it."""
    night = msgspec.json.decode((places.plan / "jobs.json").read_bytes(), type=NightJobs)
    _MAKERS[name](places, night)
    write_bytes(stamp, b"made\n")


def products_left(places: Places) -> tuple[Product, ...]:
    """Look at the files of the batch folder as they are."""
    if not places.batch.is_dir():
        return ()
    found = sorted((path, path.stat()) for path in places.batch.iterdir())
    return tuple(Product(path.name, seen.st_size, seen.st_mtime_ns) for path, seen in found)


def _cutting(places: Places, night: NightJobs) -> None:
    """Write batch/cutting.csv and batch/offcuts.csv, and keep the cutting for the order."""
    from pipeline.batch.pooled_cutting import cutting_csv, offcuts_csv, pooled_cutting

    jobs = _ordered(places, night)
    drilled = _drilled(places, jobs)
    cutting = pooled_cutting(jobs, _shelf(places, night), drilled.keys())
    write_bytes(places.internal / "cutting.json", msgspec.json.encode(cutting))
    write_bytes(places.batch / "cutting.csv", cutting_csv(cutting, drilled).encode())
    write_bytes(places.batch / "offcuts.csv", offcuts_csv(cutting.shelf_next).encode())


def _order(places: Places, night: NightJobs) -> None:
    """Write batch/order.xlsx, and keep the order for the board."""
    from pipeline.batch.order import pooled_order, write_order_xlsx

    jobs = _ordered(places, night)
    order = pooled_order(jobs, read_cutting(places), _drilled(places, jobs))
    write_bytes(places.internal / "order.json", msgspec.json.encode(order))
    write_bytes(places.batch / "order.xlsx", write_order_xlsx(order))


def read_cutting(places: Places) -> PooledCutting:
    """Return the night's pooled cutting."""
    return msgspec.json.decode((places.internal / "cutting.json").read_bytes(), type=PooledCutting)


def read_order(places: Places) -> PooledOrder:
    """Return the night's pooled order."""
    return msgspec.json.decode((places.internal / "order.json").read_bytes(), type=PooledOrder)


def _ordered(places: Places, night: NightJobs) -> list[tuple[Job, Fabrication]]:
    """Return the jobs whose material is ordered: all complete ones, less those the shop file holds back."""
    found = []
    for one in night.jobs:
        place = places.job(one.name)
        if one.key and read_status(place).state == "complete":
            job = read(place, "job", Job)
            if not (job.shop.hold_order_on_fail and read(place, "compliance", Compliance).verdict == "does not comply"):
                found.append((job, read(place, "fabrication", Fabrication)))
    return found


def _drilled(places: Places, jobs: list[tuple[Job, Fabrication]]) -> dict[str, Succession]:
    """Return how the jobs whose holes are drilled, or whose panels are cut, follow their earlier revisions."""
    found = {job.name: read_succession(places.job(job.name)) for job, _ in jobs}
    return {name: succession for name, succession in found.items() if succession is not None and (succession.as_drilled or succession.further)}


def _shelf(places: Places, night: NightJobs) -> tuple[Offcut, ...]:
    from pipeline.batch.pooled_cutting import read_offcuts

    if night.offcuts is None:
        return ()
    return read_offcuts((places.plan / "offcuts.csv").read_bytes().decode("utf-8-sig"), most=night.most_offcuts)


def _board(places: Places, night: NightJobs) -> None:
    standings = tuple(standing_of(places, job.name, job.shown, taken_in=bool(job.key)) for job in night.jobs)
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
