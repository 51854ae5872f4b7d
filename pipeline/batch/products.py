"""The batch-wide products: what is made of all complete jobs together, and the page that shows every job."""

from __future__ import annotations

import csv
import io
from pathlib import Path
from typing import Final

import msgspec

from pipeline.artifacts import write_bytes
from pipeline.batch.board import board_page
from pipeline.batch.ledger import Product
from pipeline.batch.places import Places
from pipeline.batch.standings import Standing, standing_of
from pipeline.model.job import InputFile

PRODUCTS: Final = ("cutting", "order", "board")
_FORMULA_STARTS: Final = ("=", "+", "-", "@", "\t", "\r")


class NightJob(msgspec.Struct, frozen=True, array_like=True):
    """A job of the night: its name, what people call it, and its key, empty when it was held at intake."""

    name: str
    shown: str
    key: str


class NightJobs(msgspec.Struct, frozen=True, kw_only=True):
    """What the batch-wide products are made from: the jobs of the night, the shelf, and the office's settings."""

    jobs: tuple[NightJob, ...]
    office: str
    offcuts: InputFile | None = None


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
    pass


def _order(places: Places, night: NightJobs) -> None:
    pass


def _board(places: Places, night: NightJobs) -> None:
    standings = tuple(standing_of(places, job.name, job.shown) for job in night.jobs)
    write_bytes(places.batch / "status.csv", _status_table(standings))
    write_bytes(places.batch / "board.html", board_page(standings).encode())


_MAKERS: Final = {"cutting": _cutting, "order": _order, "board": _board}


def _status_table(standings: tuple[Standing, ...]) -> bytes:
    """Return status.csv: a line a job, and a further line for every further reason."""
    text = io.StringIO()
    table = csv.writer(text, lineterminator="\r\n")
    table.writerow(("job", "state", "revision", "stage", "verdict", "ref", "what", "why", "file", "line", "do"))
    for one in standings:
        status = one.status
        head = (one.shown, status.state, status.revision or "", status.stage, one.verdict)
        for reason in status.reasons or (None,):
            told = (reason.ref, reason.what, reason.why, reason.file, reason.line or "", reason.do) if reason else ("",) * 6
            table.writerow(_plain(cell) for cell in (*head, *told))
    return text.getvalue().encode()


def _plain(cell: object) -> object:
    """Return a cell that no spreadsheet takes for a formula."""
    return f"'{cell}" if isinstance(cell, str) and cell.startswith(_FORMULA_STARTS) else cell
