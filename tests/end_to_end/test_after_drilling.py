"""The night after drilling: the crew's sheets lie in the queue, and the second revision stands beside the first.

Four jobs come back: one with a hole too far off (its panel becomes custom, a cure is offered), one measured exactly as it was designed, one that ends at a wall with a hole
given up, one shot by total station in grid coordinates.  The true holes are known, so what the files say is held against them.
"""

from __future__ import annotations

import csv
import hashlib
import io
import itertools
import math
import re
import shutil
import zipfile
from dataclasses import dataclass
from pathlib import Path

import ezdxf
import openpyxl
import pymupdf
import pytest

from pipeline import artifacts
from pipeline.artifacts import JobPlace
from pipeline.compliance.judge import judge
from pipeline.compliance.stage import work_packs
from pipeline.fabrication.fabricate import fabricate
from pipeline.model.fabrication import Fabrication
from pipeline.package.tables import checks_csv
from tests.end_to_end.conftest import run_command
from tests.end_to_end.outputs import status
from tests.truth.after_drilling import Planned, fits, followed, planned_at
from tests.truth.drilling import Drilled, added, along, also_taped, drill, measured, not_drilled, put_off, written
from tests.truth.sites import all_sites

OFF, EXACT, WALL, SHOT = "01-rectangle", "02-long-round-ends", "05-house-wall", "09-state-plane"
JOBS = (OFF, EXACT, WALL, SHOT)
LEFT = "03-freeform"  # not drilled yet
BUILT = tuple(site.name for site in all_sites() if site.expected == "complete")
WITHIN = 0.003  # [m]
TAKES = 0.0127  # [m] the default shop's stock panel
TABLES = ("holes.csv", "panels.csv", "gates.csv", "cuts.csv", "stakeout.csv")


@dataclass(frozen=True)
class Drilled2:
    """Two runs of the night after drilling, from copies of the same OUT, and what truly was drilled."""

    out: Path
    again: Path
    truths: dict[str, Drilled]
    plans: dict[str, Planned]
    stdout: str
    exit_code: int

    def job(self, name: str) -> Path:
        return self.out / "jobs" / name

    def read(self, name: str, file: str, revision: int = 2) -> bytes:
        with zipfile.ZipFile(self.job(name) / f"{name}-r{revision}.zip") as archive:
            return archive.read(f"{name}-r{revision}/{file}")

    def rows(self, name: str, file: str, revision: int = 2) -> list[dict[str, str]]:
        return list(csv.DictReader(io.StringIO(self.read(name, file, revision).decode())))


def place_in(out: Path, name: str) -> JobPlace:
    return JobPlace(name, out / ".sleeveline" / "intake" / name, out / "jobs" / name, out / ".sleeveline" / "work" / name)


def drilled_holes(name: str, plan: Planned) -> Drilled:
    """How each of the four was truly drilled."""
    truth = drill(plan.layout, 40 + JOBS.index(name), scatter=0.0 if name == EXACT else 0.003)
    inner = [hole for panel in plan.layout.panels if panel.kind == "stock" for hole in panel.holes[1:-2]]
    if name == OFF:
        return put_off(truth, inner[2], 0.021)
    if name == WALL:
        hole = inner[1]
        east, north = along(truth, hole)
        place = (truth.places[hole][0] + 0.1 * east, truth.places[hole][1] + 0.1 * north)
        before = truth.line[truth.line.index(hole) - 1]
        return added(not_drilled(truth, hole, "hit steel, filled"), before, f"{hole}a", place, "added 4 in on")
    return truth


def sheet_of(name: str, plan: Planned, truth: Drilled) -> str:
    form = "total station" if name == SHOT else "to_next"
    held = 0.0 if name == EXACT else None
    return written(measured(truth, form, 90, marks=plan.marks, held=held), plan.job.options.report_units, frame=plan.survey.frame)


@pytest.fixture(scope="module")
def drilled(night, samples_folder, tmp_path_factory) -> Drilled2:
    """The night's OUT and its queue, copied twice, with the crew's sheets laid in, and the night run over each."""
    folder = tmp_path_factory.mktemp("drilled")
    plans = {name: planned_at(place_in(night.out, name)) for name in JOBS}
    truths = {name: drilled_holes(name, plan) for name, plan in plans.items()}
    queue = folder / "queue"
    for name in (*JOBS, LEFT):
        shutil.copytree(samples_folder / name, queue / name)
    for name in JOBS:
        (queue / name / "as_drilled.csv").write_text(sheet_of(name, plans[name], truths[name]), encoding="utf-8")
    runs = []
    for number, copy in enumerate(("out", "again")):
        shutil.copytree(night.out, folder / copy)
        runs.append(run_command("batch", queue, "--out", folder / copy, hash_seed=3 + number))
    return Drilled2(folder / "out", folder / "again", truths, plans, runs[0].stdout + runs[0].stderr, runs[0].returncode)


def pages(content: bytes) -> list[str]:
    return [" ".join(page.get_text().split()) for page in pymupdf.open(stream=content, filetype="pdf")]


def test_every_drilled_job_is_complete_and_has_its_second_revision(drilled):
    assert drilled.exit_code == 0, drilled.stdout
    for name in JOBS:
        assert status(drilled.job(name))["state"] == "complete", status(drilled.job(name))["reasons"]
        assert status(drilled.job(name))["revision"] == 2
        assert sorted(path.name for path in drilled.job(name).glob("*.zip")) == [f"{name}-r1.zip", f"{name}-r2.zip"]
    assert status(drilled.job(LEFT))["revision"] == 1


def test_nothing_of_the_first_revision_is_altered(drilled, night):
    for name in JOBS:
        first = f"{name}-r1.zip"
        assert (drilled.job(name) / first).read_bytes() == (night.job(name) / first).read_bytes(), name
        for plan in ("survey.json", "edge.json", "layout.json", "points.csv"):
            assert (drilled.job(name) / plan).read_bytes() == (night.job(name) / plan).read_bytes(), (name, plan)


def test_the_same_sheets_give_the_same_bytes(drilled):
    for folder in ("jobs", "batch"):
        here = {path.relative_to(drilled.out): path.read_bytes() for path in sorted((drilled.out / folder).rglob("*")) if path.is_file()}
        there = {path.relative_to(drilled.again): path.read_bytes() for path in sorted((drilled.again / folder).rglob("*")) if path.is_file()}
        assert [name for name in {*here, *there} if here.get(name) != there.get(name)] == []


def test_the_manifest_says_what_it_was_made_from(drilled):
    import json

    for name in JOBS:
        manifest = json.loads(drilled.read(name, "manifest.json"))
        assert manifest["as_drilled"] is True
        assert "as_drilled.csv" in manifest["inputs"]
        assert json.loads(drilled.read(name, "manifest.json", 1))["as_drilled"] is False
        for file, digest in manifest["files"].items():
            assert hashlib.sha256(drilled.read(name, file)).hexdigest() == digest


def test_measuring_exactly_what_was_designed_changes_nothing_but_the_revision(drilled):
    """The tables of the fence are the same bytes; nothing more is ordered; every check measures the same, known no worse."""
    for file in TABLES:
        assert drilled.read(EXACT, file) == drilled.read(EXACT, file, 1), file
    assert drilled.rows(EXACT, "order.csv") == []
    assert_surer_and_else_the_same(drilled.rows(EXACT, "checks.csv", 1), drilled.rows(EXACT, "checks.csv"))
    first = pages(drilled.read(EXACT, "crew.pdf"))[0]
    assert "Since revision 1 no hole and no panel changed" in first


def assert_surer_and_else_the_same(before: list[dict[str, str]], after: list[dict[str, str]]) -> None:
    """Of every check: `u95` no larger, the verdict the same or better, the basis another; the advice to measure once drilled may go; all else the same text.

    The worst place is the one that leaves least beyond its uncertainty: of places that measure the same another may be named (`where`).
    """
    assert len(before) == len(after) > 0
    for was, now in zip(before, after, strict=True):
        assert {key for key in was if was[key] != now[key]} <= {"u95_mm", "u95_deg", "verdict", "basis", "look_at", "where"}, now
        assert (was["basis"], now["basis"]) == ("as planned", "as drilled")
        assert float(now["u95_mm"] or 0) <= float(was["u95_mm"] or 0), (was, now)
        assert float(now["u95_deg"] or 0) <= float(was["u95_deg"] or 0), (was, now)
        assert now["verdict"] == was["verdict"] or (was["verdict"], now["verdict"]) == ("marginal", "pass")
        advice = [row["look_at"].replace(row["where"], "") for row in (was, now)]
        assert advice[0] == advice[1] or "once the holes are drilled" in advice[0]


@pytest.mark.parametrize("form", ["to_next", "ties", "total station"])
@pytest.mark.parametrize("name", BUILT)
def test_measuring_exactly_what_was_designed_moves_nothing_on_any_sample(night, name, form):
    """Bit for bit the plan's fence, so that everything made from it is; the checks, which know the holes better, for distances here and for the rest in a long run."""
    place = place_in(night.out, name)
    plan = planned_at(place)
    read = measured(drill(plan.layout, 0, scatter=0.0), form, 1, marks=plan.marks, held=0.0)
    drilling = followed(plan, written(read, plan.job.options.report_units, frame=plan.survey.frame))
    assert drilling.layout == plan.layout
    assert fabricate(plan.job, drilling.layout) == artifacts.read(place, "fabrication", Fabrication)
    assert (drilling.as_drilled, drilling.misfits, drilling.not_followed, drilling.cures) == (True, (), (), ())
    assert {hole.state for hole in drilling.holes} <= {"measured", "planned"}
    custom = {panel.name for panel in plan.layout.panels if panel.kind == "custom"}
    assert {one.panel for one in drilling.to_tape if one.panel in custom} == (set() if form == "to_next" else custom)
    assert all(2.58 * one.sigma > TAKES for one in drilling.to_tape if one.panel not in custom)


@pytest.mark.parametrize(
    ("name", "form"),
    [
        pytest.param(name, form, marks=() if form == "to_next" else pytest.mark.long)
        for name in BUILT
        for form in ("to_next", "ties", "total station")
    ],
)
def test_measured_as_designed_every_check_of_every_sample_is_surer_and_else_the_same(night, name, form):
    place = place_in(night.out, name)
    plan = planned_at(place)
    read = measured(drill(plan.layout, 0, scatter=0.0), form, 1, marks=plan.marks, held=0.0)
    drilling = followed(plan, written(read, plan.job.options.report_units, frame=plan.survey.frame))
    judged = judge(plan.job, plan.site, drilling.layout, artifacts.read(place, "fabrication", Fabrication), work_packs(), drilling)
    with zipfile.ZipFile(place.out / f"{name}-r1.zip") as archive:
        before = archive.read(f"{name}-r1/checks.csv")
    assert_surer_and_else_the_same(*(list(csv.DictReader(io.StringIO(text.decode()))) for text in (before, checks_csv(judged))))


def test_an_inspection_of_drilled_holes_is_surer_and_says_so(drilled):
    """Of every job whose holes stand near their plan; a hole that stands elsewhere by distances alone is known worse across the line, and says so."""
    for name in (EXACT, SHOT):
        setbacks = [
            next(row for row in drilled.rows(name, "checks.csv", revision) if row["quantity"] == "setback" and row["u95_mm"]) for revision in (1, 2)
        ]
        assert float(setbacks[1]["u95_mm"]) <= float(setbacks[0]["u95_mm"]), name
    for name in JOBS:
        assert {row["basis"] for row in drilled.rows(name, "checks.csv")} == {"as drilled"}
        booklet = " ".join(pages(drilled.read(name, "inspection.pdf")))
        assert re.search(r"Verdict: [A-Z -]+, AS DRILLED", booklet)
        assert "pass, as drilled" in booklet


def test_the_panels_fit_the_true_holes(drilled):
    """From panels.csv and holes.csv: what is hung or cut, against the holes as they truly are."""
    for name in (OFF, EXACT, WALL):
        truth = drilled.truths[name]
        holes = [row for row in drilled.rows(name, "holes.csv") if row["role"] != "pocket"]
        assert [row["hole"] for row in holes] == list(truth.line)
        for row in holes:
            if row["to_next_mm"]:
                assert float(row["to_next_mm"]) / 1000 == pytest.approx(truth.to_next(row["hole"]), abs=WITHIN), (name, row["hole"])
        for row in drilled.rows(name, "panels.csv"):
            own = [hole for hole in truth.line if hole in {each["hole"] for each in holes if each["panel"] == row["panel"]}]
            true = sum(math.dist(truth.places[a], truth.places[b]) for a, b in itertools.pairwise(own))
            if row["kind"] == "custom":
                assert float(row["mark_mm"]) / 1000 == pytest.approx(true, abs=1.5 * WITHIN), (name, row["panel"])  # five readings added


def test_a_panel_that_does_not_hang_is_made_custom_and_the_cure_is_offered_with_its_cost(drilled):
    was = {row["panel"]: row["kind"] for row in drilled.rows(OFF, "panels.csv", 1)}
    now = {row["panel"]: row["kind"] for row in drilled.rows(OFF, "panels.csv")}
    changed = [panel for panel in now if now[panel] != was[panel]]
    assert [was[panel] for panel in changed] == ["stock"]
    (panel,) = changed
    first = pages(drilled.read(OFF, "crew.pdf"))[0]
    assert f"{panel} is made custom" in first
    assert re.search(r"H\d+: drill it again .* toward .*: " + panel + " stays a stock panel; [0-9.]+ USD instead of", first)
    assert any(panel in cut["panel"] for cut in drilled.rows(OFF, "cuts.csv"))


def test_a_hole_given_up_and_the_one_beside_it_are_in_every_sheet(drilled):
    truth = drilled.truths[WALL]
    (new,) = [name for name in truth.line if name.endswith("a")]
    first = pages(drilled.read(WALL, "crew.pdf"))[0]
    assert f"{new}: added" in first
    assert f"{new[:-1]}: GIVEN UP" in first
    assert f"{new}: drill it again" not in first  # that would be into the steel
    assert f"{new} drilled again" not in first
    assert new in {row["hole"] for row in drilled.rows(WALL, "holes.csv")}
    assert new[:-1] not in {row["hole"] for row in drilled.rows(WALL, "holes.csv")}
    assert new in {row["P"] for row in drilled.rows(WALL, "stakeout.csv")}


def test_the_crew_opens_on_what_changed_and_every_page_says_as_drilled(drilled):
    for name in JOBS:
        crew = pages(drilled.read(name, "crew.pdf"))
        assert "What changed since revision 1" in crew[0]
        assert "watches the water" in crew[0]
        for booklet in ("crew.pdf", "shop.pdf", "inspection.pdf"):
            assert all("2, as drilled" in page for page in pages(drilled.read(name, booklet))), (name, booklet)
        assert not any("2, as drilled" in page or "1, as drilled" in page for page in pages(drilled.read(name, "crew.pdf", 1)))


def test_the_plan_shows_holes_as_drilled_and_planned_ones_beside_them(drilled, tmp_path):
    path = tmp_path / "plan.dxf"
    path.write_bytes(drilled.read(OFF, "plan.dxf"))
    space = ezdxf.readfile(path).modelspace()
    crosses = [line for line in space if line.dxf.layer == "HOLE-PLANNED"]
    planned = {(round(float(row["east_mm"]) / 25.4, 2), round(float(row["north_mm"]) / 25.4, 2)) for row in drilled.rows(OFF, "holes.csv", 1)}
    middles = {(round((each.dxf.start.x + each.dxf.end.x) / 2, 2), round((each.dxf.start.y + each.dxf.end.y) / 2, 2)) for each in crosses}
    assert len(middles) == len(planned)
    assert all(min(math.dist(one, other) for other in planned) < 0.02 for one in middles)
    stand = {insert.get_attrib_text("NUMBER"): insert.dxf.insert for insert in space.query("INSERT") if insert.dxf.layer == "HOLE"}
    for row in drilled.rows(OFF, "holes.csv"):
        assert math.dist((stand[row["hole"]].x * 25.4, stand[row["hole"]].y * 25.4), (float(row["east_mm"]), float(row["north_mm"]))) < 0.1


def test_order_and_board_show_the_difference_only(drilled):
    whole = {row["item"]: row for row in drilled.rows(OFF, "order.csv", 1)}
    more = {row["item"]: row for row in drilled.rows(OFF, "order.csv")}
    assert 0 < len(more) < len(whole)
    assert sum(float(row["price"]) for row in more.values()) < sum(float(row["price"]) for row in whole.values())
    book = openpyxl.load_workbook(drilled.out / "batch" / "order.xlsx", data_only=True)
    jobs = {row[0]: row for row in book["Jobs"].iter_rows(min_row=2, values_only=True) if row[0]}
    assert jobs[EXACT][1] == 0
    assert jobs[EXACT][5] == "as drilled: beyond revision 1"
    assert jobs[LEFT][5] == "whole order"
    board = (drilled.out / "batch" / "board.html").read_text()
    assert board.count("revision 2, as drilled") == 4
    assert "since revision 1: holes within setting out, panels as they were" in board
    rows = {row["job"]: row for row in csv.DictReader((drilled.out / "batch" / "status.csv").open(newline=""))}
    assert rows[OFF]["basis"] == "as drilled"
    assert "custom now" in rows[OFF]["changed"]
    assert rows[LEFT]["basis"] == "as planned"


def test_the_night_again_does_nothing(drilled):
    queue = drilled.out.parent / "queue"
    done = run_command("batch", queue, "--out", drilled.again)
    assert ", 0 built anew," in done.stdout


@pytest.mark.long
def test_every_sample_drilled_makes_the_same_second_revision_twice_and_leaves_the_first_alone(night, samples_folder, tmp_path):
    """All samples with 3 mm scatter, the forms in turn: no byte of revision 1 is altered, and two nights make the same revision 2."""
    shutil.copytree(samples_folder, tmp_path / "queue")
    for number, name in enumerate(BUILT):
        plan = planned_at(place_in(night.out, name))
        form = ("to_next", "ties", "total station")[number % 3]
        sheet = written(
            measured(drill(plan.layout, 800 + number), form, 900 + number, marks=plan.marks), plan.job.options.report_units, frame=plan.survey.frame
        )
        (tmp_path / "queue" / name / "as_drilled.csv").write_text(sheet, encoding="utf-8")
    for number, copy in enumerate(("out", "again")):
        shutil.copytree(night.out, tmp_path / copy)
        run_command("batch", tmp_path / "queue", "--out", tmp_path / copy, hash_seed=11 + number)
    for name in BUILT:
        first, second = f"jobs/{name}/{name}-r1.zip", f"jobs/{name}/{name}-r2.zip"
        assert status(tmp_path / "out" / "jobs" / name)["state"] == "complete", status(tmp_path / "out" / "jobs" / name)["reasons"]
        assert (tmp_path / "out" / first).read_bytes() == (night.out / first).read_bytes(), name
        assert (tmp_path / "out" / second).read_bytes() == (tmp_path / "again" / second).read_bytes(), name


@pytest.mark.parametrize("form", ["to_next", "ties", "total station"])
def test_what_is_released_fits_on_every_sample(night, form):
    """Every sample drilled with 3 mm scatter, three times: what may be cut fits the true holes to 3 mm, what may be hung hangs; the rest waits for a tape."""
    found = []
    for name in BUILT:
        plan = planned_at(place_in(night.out, name))
        for seed in range(3):
            truth = drill(plan.layout, 500 + seed)
            read = measured(truth, form, 600 + seed, marks=plan.marks)
            drilling = followed(plan, written(read, plan.job.options.report_units, frame=plan.survey.frame))
            found += list(fits(plan, drilling, truth))
            asked = [span for one in drilling.to_tape for span in one.spans]
            again = followed(plan, written(also_taped(read, truth, asked, 700 + seed), plan.job.options.report_units, frame=plan.survey.frame))
            found += list(fits(plan, again, truth)) if asked else []
    custom = [fit for fit in found if fit.kind == "custom" and fit.released]
    stock = [fit for fit in found if fit.kind == "stock" and fit.released]
    assert len(custom) >= 25 and len(stock) > 150
    assert sum(max(fit.posts, fit.spacing) <= WITHIN for fit in custom) >= 0.99 * len(custom)
    assert sum(fit.spacing <= TAKES for fit in stock) >= 0.99 * len(stock)
    assert all(fit.spacing <= TAKES + WITHIN for fit in stock)
    assert all(fit.released for fit in found) if form == "to_next" else not all(fit.released for fit in found)
    assert all(fit.chord <= 0.010 for fit in found)
    if form == "to_next":
        assert sum(max(fit.told, fit.chord) <= WITHIN for fit in found) >= 0.99 * len(found)
