"""What a night leaves: states, packages whose files agree with each other, hashes and zips that anyone can check."""

from __future__ import annotations

import csv
import hashlib
import io
import itertools
import json
import math
import zipfile

import pytest

from pipeline.units import format_length
from tests.end_to_end.conftest import run_command
from tests.end_to_end.outputs import chords, holes, neighbours, status, table
from tests.truth.sites import all_sites

SITES = {site.name: site for site in all_sites()}
COMPLETE = sorted(name for name, site in SITES.items() if site.expected == "complete")
TABLES = {
    "holes.csv": "hole panel role station_mm east_mm north_mm elev_mm to_next_mm water_mm turn_deg lean_deg lean_toward bore_mm depth_mm tie_a tie_a_mm tie_b tie_b_mm",
    "panels.csv": "panel kind first_hole last_hole posts length_mm height_mm mark_mm cut_mm made_from",
    "gates.csv": "gate hinge_hole latch_hole leaf_mm opens pocket_hole",
    "cuts.csv": "cut panel source from_mm to_mm left_over_mm",
    "order.csv": "item description unit needed pack packs unit_price price",
    "checks.csv": "check rule_pack document clause quantity where measured_mm limit_mm margin_mm u95_mm verdict certainty",
    "stakeout.csv": "P N E Z D",
}
SHEETS = ("crew.pdf", "shop.pdf", "inspection.pdf")


@pytest.fixture(params=COMPLETE)
def site(request):
    return SITES[request.param]


@pytest.fixture
def job(night, site):
    place = night.job(site.name)
    assert status(place)["state"] == "complete", status(place)["reasons"]
    return place


def test_the_night_says_that_some_are_held(night):
    assert night.exit_code == 3, night.stderr
    assert "Traceback" not in night.stderr


@pytest.mark.parametrize("name", sorted(SITES))
def test_every_sample_ends_as_expected(night, name):
    ended, expected = status(night.job(name)), SITES[name].expected
    if expected == "complete":
        assert ended["state"] == "complete", ended["reasons"]
        assert ended["reasons"] == []
        assert ended["revision"] == 1
    elif expected == "held":
        assert ended["state"] == "held"
        assert not (night.job(name) / "package").exists()
        assert not list(night.job(name).glob("*.zip"))
    for reason in ended["reasons"] + ended["warnings"]:
        assert set(reason) >= {"what", "why", "file", "line", "do"}
        assert reason["what"], reason
        assert reason["do"], reason


def test_the_survey_without_water_says_so(night):
    (reason, *_) = status(night.job("11-no-water"))["reasons"]
    assert "water" in reason["what"].lower()
    assert "WATER" in reason["what"] + reason["do"]


def test_the_blunder_is_named(night):
    site = SITES["10-blunder"]
    ended = status(night.job(site.name))
    said = [reason for reason in ended["reasons"] + ended["warnings"] if site.blunder in reason["what"]]
    assert said
    assert all(reason["do"] for reason in said)


def test_only_the_blunder_is_called_one(night):
    """No sound shot of any sample is called suspect: a crew that is sent back for nothing stops listening."""
    called = {
        (name, row["point"])
        for name in SITES
        for row in table(night.job(name) / "points.csv")
        if row["state"] in {"suspect", "rejected"} and row["point"] != SITES[name].blunder
    }
    assert called == set()


def test_points_come_back_where_they_were_shot(night):
    """points.csv of the samples with given coordinates: every shot, in metres, as the file had it (its last digit)."""
    for name, site in SITES.items():
        if site.frame != "given":
            continue
        rows = {row["point"]: row for row in table(night.job(name) / "points.csv")}
        assert set(rows) == {shot.number for shot in site.shots}, name
        for shot in site.shots:
            row = rows[shot.number]
            found = [float(row[f"{axis}_m"]) for axis in ("east", "north", "elev")]
            assert found == pytest.approx(shot.measured, abs=0.0016), (name, shot.number)


@pytest.mark.parametrize("name", sorted(TABLES))
def test_tables_have_the_agreed_columns_first(job, name):
    with (job / "package" / name).open(encoding="utf-8", newline="") as file:
        header = next(csv.reader(file))
    agreed = TABLES[name].split()
    assert header[: len(agreed)] == agreed or set(agreed) <= set(header)


def test_panels_and_holes_agree(job, site):
    """Every hole of the line carries exactly one panel or gate; posts, ends and lengths are those of its holes (0.1 mm a span)."""
    line = holes(job)
    panels = {row["panel"]: row for row in table(job / "package" / "panels.csv")}
    gates = {row["gate"]: row for row in table(job / "package" / "gates.csv")}
    assert {hole.carries for hole in line} == set(panels) | set(gates)
    for name, row in panels.items():
        own = [hole for hole in line if hole.carries == name]
        order = own if own[0].name == row["first_hole"] else own[::-1]
        spans = [(one, other) for one, other in chords(line, site.ends == "loop") if one.carries == name]
        assert int(row["posts"]) == len(own) == len(spans) + 1
        assert {order[0].name, order[-1].name} >= {row["first_hole"]} - {""}
        assert {hole.name for hole in own if hole.role == "end"} == {row["first_hole"], row["last_hole"]}, name
        length = sum(math.dist(one.place, other.place) for one, other in spans)
        assert float(row["length_mm"]) / 1000 == pytest.approx(length, abs=0.0002 * len(own)), name
        assert (row["kind"] == "custom") == bool(row["mark_mm"]) == bool(row["cut_mm"]), name
        if row["kind"] == "custom":
            assert float(row["cut_mm"]) >= float(row["mark_mm"]) + 4 * 25.4 - 0.1, name
    for name, row in gates.items():
        own = [hole for hole in line if hole.carries == name]
        assert {hole.name for hole in own} == {row["hinge_hole"], row["latch_hole"]}
        assert float(row["leaf_mm"]) / 1000 == pytest.approx(math.dist(own[0].place, own[1].place), abs=0.0003)
        assert row["opens"] == "away"


def test_a_gate_has_its_pocket_on_the_pool_side(job, site):
    """3 in from the nearest hole (1 mm), nearer to the water than the gate."""
    everything = {hole.name: hole for hole in holes(job, pockets=True)}
    rows = table(job / "package" / "gates.csv")
    wished = sum(shot.description == "GATE" for shot in site.shots) + (site.name == "02-long-round-ends")
    assert len(rows) >= max(1, wished)
    for row in rows:
        pocket = everything[row["pocket_hole"]]
        assert pocket.role == "pocket"
        assert pocket.row["to_next_mm"] == ""
        near = min((math.dist(pocket.place, hole.place), hole.name) for hole in everything.values() if hole.role != "pocket")
        assert near[0] == pytest.approx(3 * 0.0254, abs=0.001)
        assert pocket.metres("water_mm") < everything[near[1]].metres("water_mm")


def test_names_run_in_walking_order(job, site):
    """Stations rise from hole to hole; on a loop they begin again once, where the line's own beginning is passed."""
    assert [hole.name for hole in holes(job)] == [f"H{index:03d}" for index in range(1, len(holes(job)) + 1)]
    stations = [hole.metres("station_mm") for hole in holes(job)]
    falls = sum(after <= before for before, after in itertools.pairwise(stations))
    assert falls <= (site.ends == "loop")


def test_stakeout_puts_the_same_holes(job, site):
    """Local frames: the same place in the file's unit (its last digit); every hole and pocket once."""
    rows = {row["P"]: row for row in table(job / "package" / "stakeout.csv")}
    everything = holes(job, pockets=True)
    assert set(rows) == {hole.name for hole in everything}
    unit = {"02-long-round-ends": 1.0, "04-l-shape-spa": 1.0, "08-two-setups": 1.0}.get(site.name, 0.3048)
    for hole in everything:
        if site.frame != "grid":
            place = [float(rows[hole.name][axis]) * unit for axis in "EN"]
            assert place == pytest.approx(hole.place, abs=0.0006), hole.name


def test_the_drawing_has_every_hole_where_the_table_has_it(job, site):
    """plan.dxf: a block reference per hole, its attributes the table's own figures, its place the table's (0.1 mm)."""
    import ezdxf

    document = ezdxf.readfile(job / "package" / "plan.dxf")
    assert not document.audit().has_errors
    unit = 25.4 if _report_units(site) == "inch" else 1.0
    drawn = {}
    for insert in document.modelspace().query("INSERT"):
        values = {attribute.dxf.tag: attribute.dxf.text for attribute in insert.attribs}
        name = next((value for value in values.values() if value[:1] == "H" and value[1:].isdigit() and len(value) == 4), "")
        if name and "HOLE" in insert.dxf.name.upper():
            assert name not in drawn
            drawn[name] = (insert.dxf.insert.x * unit, insert.dxf.insert.y * unit, values)
    rows = {row["hole"]: row for row in table(job / "package" / "holes.csv") if row["role"] != "pocket"}
    assert set(drawn) >= set(rows)
    first = next(iter(rows))
    shift = [drawn[first][axis] - float(rows[first][column]) for axis, column in enumerate(("east_mm", "north_mm"))]
    for name, row in rows.items():
        assert drawn[name][0] - shift[0] == pytest.approx(float(row["east_mm"]), abs=0.2), name
        assert drawn[name][1] - shift[1] == pytest.approx(float(row["north_mm"]), abs=0.2), name
        assert row["panel"] in drawn[name][2].values(), name


def test_the_crew_sheet_lists_every_hole_as_the_table_does(job, site):
    """crew.pdf's text: each hole on a line with the tape distance to the next, in the job's own units."""
    lines = _lines_of(job / "package" / "crew.pdf")
    for row in table(job / "package" / "holes.csv"):
        own = [line for line in lines if line.split()[:1] == [row["hole"]]]
        assert own, row["hole"]
        if row["to_next_mm"]:
            assert any(reading in line.replace(" ", "") for line in own for reading in _readings(row["to_next_mm"], site)), (row["hole"], own)


@pytest.mark.parametrize(("sheet", "danger"), [("crew.pdf", "no barrier"), ("inspection.pdf", "no barrier"), ("shop.pdf", "heat")])
def test_every_booklet_opens_with_what_can_hurt(job, sheet, danger):
    """The first page begins with it: nothing but its heading stands above (in the upper quarter of the page)."""
    import pymupdf

    with pymupdf.open(job / "package" / sheet) as document:
        page = document[0]
        found = page.search_for(danger)
        assert found
        assert min(box.y0 for box in found) < page.rect.height / 4
        pages = [page.get_text().lower() for page in document]
    assert all("authority" in text and "replaces no supervision" in text for text in pages)


@pytest.mark.parametrize("sheet", SHEETS)
def test_every_panel_is_on_every_sheet_that_needs_it(job, sheet):
    import pymupdf

    if sheet == "inspection.pdf":
        pytest.skip("an inspector reads clauses, not panels")
    with pymupdf.open(job / "package" / sheet) as document:
        words = {word[4].strip(",;:()") for page in document for word in page.get_text("words")}
    assert {row["panel"] for row in table(job / "package" / "panels.csv")} <= words


def test_the_manifest_names_every_file_with_its_hash(job):
    package = job / "package"
    manifest = json.loads((package / "manifest.json").read_text(encoding="utf-8"))
    listed = manifest["files"]
    present = {
        str(place.relative_to(package)): hashlib.sha256(place.read_bytes()).hexdigest()
        for place in package.rglob("*")
        if place.is_file() and place.name != "manifest.json"
    }
    assert listed == present


def test_the_manifest_names_every_input_with_its_hash(job, site, samples_folder):
    manifest = json.loads((job / "package" / "manifest.json").read_text(encoding="utf-8"))
    listed = manifest["inputs"]
    for place in (samples_folder / site.name).iterdir():
        assert listed[place.name] == hashlib.sha256(place.read_bytes()).hexdigest()


def test_the_zip_is_the_package(job, site):
    with zipfile.ZipFile(job / f"{site.name}-r1.zip") as archive:
        assert archive.testzip() is None
        packed = {name: archive.read(name) for name in archive.namelist() if not name.endswith("/")}
    package = job / "package"
    present = {str(place.relative_to(package)): place.read_bytes() for place in package.rglob("*") if place.is_file()}
    assert sorted(packed.values()) == sorted(present.values())
    assert {name.rpartition("/")[2] for name in packed} == {name.rpartition("/")[2] for name in present}


@pytest.mark.parametrize("name", ["01-rectangle", "05-house-wall"])
def test_one_job_alone_makes_the_same_zip(night, name, samples_folder, tmp_path):
    """`job` and `batch` run the same stages: the same bytes, in another folder, at another time, under another hash seed."""
    done = run_command("job", samples_folder / name, "--out", tmp_path / "out", hash_seed=2)
    assert done.returncode == 0, done.stderr
    alone = (tmp_path / "out" / "jobs" / name / f"{name}-r1.zip").read_bytes()
    assert alone == (night.job(name) / f"{name}-r1.zip").read_bytes()


def test_at_least_twelve_clauses_of_a_pack_are_computed(job):
    rows = table(job / "package" / "checks.csv")
    assert len({row["clause"] for row in rows}) >= 12
    for row in rows:
        assert row["verdict"] in {"pass", "marginal", "fail", "on-site"}
        assert row["certainty"] in {"read", "summary", "memory", "confirmed"}
        assert not (row["certainty"] == "memory" and row["verdict"] == "pass"), row


def test_orders_add_up(job):
    for row in table(job / "package" / "order.csv"):
        assert float(row["packs"]) * float(row["pack"]) >= float(row["needed"]) - 1e-9
        assert float(row["price"]) == pytest.approx(float(row["packs"]) * float(row["unit_price"]), abs=0.006)


def test_the_board_shows_every_job_with_its_state(night):
    board = (night.out / "batch" / "board.html").read_text(encoding="utf-8")
    rows = {row["job"]: row for row in table(night.out / "batch" / "status.csv")}
    assert set(rows) == set(SITES)
    for name in SITES:
        assert name in board
        assert rows[name]["state"] == status(night.job(name))["state"]
    assert "http://" not in board.replace("http://www.w3.org/", "")
    assert "https://" not in board


def test_the_batch_order_holds_the_whole_night(night):
    import openpyxl

    workbook = openpyxl.load_workbook(io.BytesIO((night.out / "batch" / "order.xlsx").read_bytes()), read_only=True)
    text = {str(cell) for sheet in workbook for row in sheet.iter_rows(values_only=True) for cell in row if cell is not None}
    items = {row["item"] for name in COMPLETE for row in table(night.job(name) / "package" / "order.csv")}
    descriptions = {row["description"] for name in COMPLETE for row in table(night.job(name) / "package" / "order.csv")}
    assert items <= text or descriptions <= text


def test_a_second_night_does_nothing_but_look(night, samples_folder):
    """Nothing in OUT that a person or program reads is written again."""
    before = _stamps(night.out)
    done = run_command("batch", samples_folder, "--out", night.out)
    assert done.returncode == 3
    assert _stamps(night.out) == before


def _readings(millimetres, site):
    """How a length of the tables may be printed for people: the table's tenth may lie on either side of a rounding."""
    lengths = [(float(millimetres) + by) / 1000 for by in (-0.05, 0.0, 0.05)]
    return {format_length(length, _report_units(site)).removesuffix(" mm").replace(" ", "") for length in lengths}


def _stamps(out):
    watched = [*(out / "jobs").rglob("*"), *(out / "batch").rglob("*")]
    return {str(place.relative_to(out)): place.stat().st_mtime_ns for place in watched if place.is_file()}


def _report_units(site):
    return "mm" if site.name in {"02-long-round-ends", "04-l-shape-spa", "08-two-setups"} else "inch"


def _lines_of(path):
    """The text of a PDF in lines as a reader sees them: words whose baselines lie together."""
    import pymupdf

    lines = []
    with pymupdf.open(path) as document:
        for page in document:
            rows: dict[int, list] = {}
            for word in page.get_text("words"):
                rows.setdefault(round(word[3] / 3), []).append(word)
            lines += [" ".join(word[4] for word in sorted(row)) for row in rows.values()]
    return lines


def test_neighbours_meet_end_to_end(job, site):
    """Where two holes carry different things both are ends or gate posts."""
    for one, other in neighbours(holes(job), site.ends == "loop"):
        if one.carries != other.carries:
            assert {one.role, other.role} <= {"end", "gate"}
