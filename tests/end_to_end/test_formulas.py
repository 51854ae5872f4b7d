"""Formulas typed wherever a person can type, followed through the real line: no cell of any CSV or workbook begins one of theirs."""

from __future__ import annotations

import csv
import io
import re
import zipfile
from importlib import resources
from pathlib import PurePosixPath

import openpyxl
import pytest

from tests.end_to_end.conftest import run_command

LIVE = ("=", "+", "-", "@", "\t", "\r")
NUMBER = re.compile(r"[+-]?\d+(\.\d+)?")


@pytest.fixture(scope="module")
def out(samples_folder, tmp_path_factory):
    """A queue whose points, codes, remarks, title, gate, supplier, shelf and sheets all begin like a formula."""
    queue = tmp_path_factory.mktemp("formulas") / "queue"
    job = queue / "ash"
    job.mkdir(parents=True)
    lines = (samples_folder / "01-rectangle" / "points.csv").read_text().splitlines()
    renamed = {"1": "=1+1", "2": "@SUM(A1)", "101": "+101", "102": "-2+3", "103": "=cmd|' /C calc'!A1"}
    rows = [lines[0]]
    for line in lines[1:]:
        number, rest = line.split(",", 1)
        rows.append(f"{renamed.get(number, number)},{rest} =1+1" if "/" in rest else f"{renamed.get(number, number)},{rest}")
    rows.append("=9+9,not a number,0,0,=SPOT")
    rows.append("=8+8,2000,5000,100,=cmd()")
    (job / "points.csv").write_text("\n".join(rows) + "\n")
    (job / "job.toml").write_text("""title = '=2+5'\n[survey]\nunit = "foot"\n""")
    (queue / "held").mkdir()
    (queue / "held" / "job.toml").write_text("title = '=2+5'\n'=key' = 1\n")
    (queue / "held" / "points.csv").write_text("=1+1,@x,-1,+2,=WATER\n")
    (queue / "=job").mkdir()
    (queue / "offcuts.csv").write_text("id,length,posts,height,colour,where\nA7,96 in,3,48 in,=black,@rack\nA8,96 in,3,48 in,black,-rack\n")
    shop = resources.files("pipeline.fabrication").joinpath("default_shop.toml").read_text(encoding="utf-8")
    (queue / "shop.toml").write_text(re.sub(r'^(supplier|description) = "', r'\1 = "=', shop, flags=re.MULTILINE))
    out = queue.parent / "out"
    done = run_command("batch", queue, "--out", out, "--cores", "1")
    assert done.returncode == 3, done.stderr
    assert (out / "jobs" / "ash" / "package").is_dir(), done.stderr
    return out


def test_no_cell_of_any_table_is_a_formula_of_theirs(out):
    tables = {path.relative_to(out).as_posix(): path.read_bytes().decode() for path in out.rglob("*.csv") if ".sleeveline" not in path.parts}
    assert {"batch/status.csv", "batch/cutting.csv", "batch/offcuts.csv", "jobs/ash/points.csv", "jobs/ash/package/checks.csv"} <= set(tables)
    live = [
        (name, cell)
        for name, text in tables.items()
        for row in csv.reader(io.StringIO(text, newline=""))
        for cell in row
        if cell.lstrip(" ").startswith(LIVE) and not NUMBER.fullmatch(cell)
    ]
    assert live == []
    assert "'=1+1" in tables["jobs/ash/points.csv"]


def test_the_workbooks_formulas_are_its_own(out):
    book = openpyxl.load_workbook(out / "batch" / "order.xlsx")
    cells = [cell for sheet in book for row in sheet.iter_rows() for cell in row if cell.value is not None]
    own = re.compile(r"=(ROUNDUP|ROUND|SUMIF|SUM)\(|=C\d+-B\d+$")
    assert [cell.value for cell in cells if cell.data_type == "f" and not own.match(cell.value)] == []
    text = [cell.value for cell in cells if cell.data_type == "s" and cell.value.lstrip(" ").startswith(LIVE)]
    assert text == []
    assert [cell.value for cell in cells if cell.hyperlink] == []


def test_every_member_of_the_zip_stays_in_its_folder(out):
    (made,) = (out / "jobs" / "ash").glob("ash-r*.zip")
    with zipfile.ZipFile(made) as archive:
        names = archive.namelist()
        assert names
        for entry in archive.infolist():
            path = PurePosixPath(entry.filename)
            assert (path.parts[0], path.is_absolute(), ".." in path.parts) == ("ash-r1", False, False)
            assert entry.external_attr >> 28 == 0o10  # a plain file, no link
