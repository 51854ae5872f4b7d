"""The pooled order: packs, shares, and the workbook as other programs read it."""

from __future__ import annotations

import io
import shutil
import subprocess
import zipfile

import msgspec
import openpyxl
import pandas as pd
import pytest

from pipeline.batch.order import pooled_order, shared_cents, write_order_xlsx
from pipeline.batch.pooled_cutting import pooled_cutting
from tests.unit.fabrication.made_nights import made_night, named_job

CENT = 0.005  # half a cent: money is in whole cents, sums of binary fractions are not


@pytest.fixture(scope="module")
def night():
    jobs, offcuts = made_night(seed=3, jobs=8, pieces=14, offcuts=6)
    return jobs, offcuts, pooled_cutting(jobs, offcuts)


@pytest.fixture(scope="module")
def order(night):
    jobs, _, cutting = night
    return pooled_order(jobs, cutting)


def test_packs_cover_the_needs_and_no_pack_is_too_many(order):
    for line in order.lines:
        assert line.packs * line.pack >= line.needed - 1e-9
        assert (line.packs - 1) * line.pack < line.needed


def test_needs_are_the_jobs_needs(night, order):
    jobs, _, cutting = night
    for line in order.lines:
        from_orders = sum(own.needed - own.for_cutting for _, fabrication in jobs for own in fabrication.order if own.item == line.item)
        bought = sum(ticket.item == line.item for ticket in cutting.tickets)
        bought += sum(group.posts_bought for group in cutting.groups if line.item == f"post-{round(group.height / 0.0254)}")
        assert line.needed == pytest.approx(from_orders + bought, abs=1e-9)


def test_shares_sum_to_the_order(order):
    for line in order.lines:
        assert sum(share.price for share in line.shares) == pytest.approx(line.price, abs=CENT)
        assert sum(share.needed for share in line.shares) == pytest.approx(line.needed, abs=1e-9)
    assert sum(order.totals.values()) == pytest.approx(order.total, abs=CENT)
    assert sum(line.price for line in order.lines) == pytest.approx(order.total, abs=CENT)


def test_ordering_together_costs_no_more(night, order):
    assert order.saving == pytest.approx(sum(order.alone.values()) - order.total, abs=CENT)
    assert order.saving >= 0
    alone = pooled_order(night[0])
    assert alone.total <= sum(alone.alone.values()) + CENT


def test_cents_are_shared_whole():
    assert shared_cents(0.01, {"a": 1.0, "b": 2.0}) == {"a": 0.0, "b": 0.01}
    assert sum(shared_cents(99.99, {f"j{n}": n + 0.1 for n in range(7)}).values()) == pytest.approx(99.99, abs=1e-9)


def test_no_jobs_no_order():
    order = pooled_order([])
    assert (order.lines, order.total) == ((), 0.0)
    assert sheets_of(write_order_xlsx(order))["Order"].empty is False  # the line with the total


def test_pandas_reads_the_stored_values(order):
    content = write_order_xlsx(order)
    sheets = sheets_of(content)
    lines = sheets["Order"].iloc[: len(order.lines)]
    assert lines["packs"].tolist() == [line.packs for line in order.lines]
    assert lines["price"].sum() == pytest.approx(order.total, abs=CENT)
    jobs = sheets["Jobs"].iloc[: len(order.jobs)]
    assert dict(zip(jobs["job"], jobs["share"], strict=True)) == pytest.approx(order.totals, abs=CENT)
    assert sheets["Shares"]["price"].sum() == pytest.approx(order.total, abs=CENT)
    assert sheets["Shelf"]["id"].tolist() == [offcut.id for offcut in order.shelf]


@pytest.mark.skipif(shutil.which("soffice") is None, reason="LibreOffice (soffice) is not installed here")
@pytest.mark.outside(source="LibreOffice, headless", compares="order.xlsx recalculated against the values stored in it", tolerance="half a cent")
def test_libreoffice_recalculates_to_the_same_values(order, tmp_path):
    (tmp_path / "order.xlsx").write_bytes(without_values(write_order_xlsx(order)))
    assert sheets_of((tmp_path / "order.xlsx").read_bytes())["Order"]["price"].dropna().empty  # nothing stored is left to be read back
    command = ["soffice", f"-env:UserInstallation=file://{tmp_path}/office", "--headless", "--convert-to", "xlsx:Calc MS Excel 2007 XML"]
    subprocess.run([*command, "--outdir", str(tmp_path / "again"), str(tmp_path / "order.xlsx")], check=True, capture_output=True, timeout=120)
    again = sheets_of((tmp_path / "again" / "order.xlsx").read_bytes())
    stored = sheets_of(write_order_xlsx(order))
    for sheet, columns in {"Order": ["packs", "price"], "Jobs": ["share", "alone", "saving"]}.items():
        for column in columns:
            assert again[sheet][column].tolist() == pytest.approx(stored[sheet][column].tolist(), abs=CENT, nan_ok=True)


def test_sums_are_formulas(order):
    book = openpyxl.load_workbook(io.BytesIO(write_order_xlsx(order)))
    formulas = [cell.value for row in book["Order"].iter_rows() for cell in row if cell.data_type == "f"]
    assert "=SUM(I2:I" + str(1 + len(order.lines)) + ")" in formulas
    assert len(formulas) == 2 * len(order.lines) + len({line.supplier for line in order.lines}) + 1


def test_text_never_becomes_a_formula(order):
    evil = '=HYPERLINK("http://example.invalid","x")'
    lines = tuple(msgspec.structs.replace(line, description=evil, supplier="+1", unit="@x", item="-2") for line in order.lines[:1])
    spoilt = msgspec.structs.replace(order, lines=lines, jobs=("=job",), totals={"=job": 1.0}, alone={"=job": 2.0})
    book = openpyxl.load_workbook(io.BytesIO(write_order_xlsx(spoilt)))
    assert book["Order"]["C2"].value == f"'{evil}"
    assert {cell.data_type for cell in book["Order"][2][:4]} == {"s"}
    assert book["Jobs"]["A2"].value == "'=job"


def test_the_same_order_gives_the_same_bytes(order):
    content = write_order_xlsx(order)
    assert content == write_order_xlsx(order)
    with zipfile.ZipFile(io.BytesIO(content)) as archive:
        assert {entry.date_time for entry in archive.infolist()} == {(1980, 1, 1, 0, 0, 0)}
        assert b"2000-01-01T00:00:00Z" in archive.read("docProps/core.xml")


def test_the_order_does_not_depend_on_the_order_of_the_jobs(night):
    jobs, offcuts, _ = night
    assert pooled_order(jobs) == pooled_order(jobs[::-1])
    assert pooled_cutting(jobs, offcuts) == pooled_cutting(jobs[::-1], offcuts[::-1])


def test_names_of_jobs_meet_their_shares():
    jobs, _ = made_night(seed=5, jobs=2, pieces=2, offcuts=0)
    renamed = [(named_job(name), fabrication) for name, (_, fabrication) in zip(("b", "a"), jobs, strict=True)]
    order = pooled_order(renamed)
    assert order.jobs == ("a", "b")
    assert order.alone == {"a": jobs[1][1].total, "b": jobs[0][1].total}


def sheets_of(content: bytes) -> dict[str, pd.DataFrame]:
    return pd.read_excel(io.BytesIO(content), sheet_name=None)


def without_values(content: bytes) -> bytes:
    """The workbook with its formulas and without the values stored beside them."""
    book = openpyxl.load_workbook(io.BytesIO(content))
    out = io.BytesIO()
    book.save(out)
    return out.getvalue()
