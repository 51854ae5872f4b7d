"""Every limit of the shop file refuses what is beyond it, and its message names the key to raise and the value."""

from __future__ import annotations

import io
from collections.abc import Callable
from pathlib import Path

import ezdxf
import msgspec
import pytest

from pipeline.batch.line import _too_long
from pipeline.batch.pooled_cutting import read_offcuts
from pipeline.edge.site import fit_site
from pipeline.errors import Reason, SleevelineError
from pipeline.intake.job_folder import job_of, returned_of
from pipeline.intake.office import read_office
from pipeline.intake.queue import entry_at
from pipeline.intake.snapshot import read_all, traces_of
from pipeline.model.shop import Limits
from pipeline.survey.answer import answer
from tests.unit.survey.made_surveys import made_site, point_file, shots_file, tape_file

NO_REFUSAL = {"cutting_seconds"}  # the search for the cheapest cutting ends there with the best found and its gap; nothing is refused


def _drawing(draw: Callable[[ezdxf.layouts.Modelspace], object]) -> bytes:
    document, out = ezdxf.new("R2000", units=6), io.StringIO()
    draw(document.modelspace())
    document.write(out)
    return out.getvalue().encode()


def _lines(space) -> None:
    for number in range(12):
        space.add_line((number, 0), (number + 0.5, 0), dxfattribs={"layer": "DECK"})


POINTS = point_file(made_site(1)).encode()

# key: value as in shop.toml, files of a job that are beyond it
SURVEYS: dict[str, tuple[object, dict[str, bytes]]] = {
    "points": (10, {"points.csv": POINTS}),
    "observations": (10, {"ties.csv": tape_file(made_site(3)).encode()}),
    "setups": (1, {"shots.csv": shots_file(made_site(4, base="station")).encode()}),
    "site_extent": ("60 m", {"points.csv": POINTS + b"999,500,500,0,SPOT\n"}),
    "pool_least": ("40 m", {"points.csv": POINTS}),
    "pool_most": ("2 m", {"points.csv": POINTS}),
    "pool_side_least": ("2 m", {"points.csv": POINTS, "job.toml": b'[survey]\nunit = "foot"\n'}),
    "pool_side_most": ("11 m", {"points.csv": point_file(made_site(1), unit=0.3048).encode()}),
    "drawing_bytes": (5000, {"p.dxf": _drawing(_lines)}),
    "drawing_entities": (10, {"p.dxf": _drawing(_lines)}),
    "drawing_pieces": (10, {"p.dxf": _drawing(_lines)}),
}
TOML = {
    "settings_bytes": (20, b"title = 'a title that is long'\n"),
    "settings_depth": (3, b"a.b.c.d.e = 1\n"),
    "gates": (1, b"[[gate]]\nnear = '1'\n" * 2),
}


def _office(folder: Path, key: str, value: object):
    (folder / "shop.toml").write_text(f"[limits]\n{key} = {value!r}\n".replace("'", '"') + '[defaults.survey]\nunit = "metre"\n')
    return read_office(folder)


def _names(reasons: tuple[Reason, ...], key: str, value: object) -> None:
    told = " ".join(f"{one.what} {one.why} {one.do}" for one in reasons)
    assert key in told and "shop.toml" in told, told
    assert str(value).split()[0] in told.replace(",", ""), told


@pytest.mark.parametrize("key", sorted(SURVEYS))
def test_a_survey_beyond_a_limit(key, tmp_path):
    value, files = SURVEYS[key]
    job = job_of("job", files, _office(tmp_path, key, value))
    found = answer(job, {name: content for name, content in files.items() if name != "job.toml"})
    if not found.holds and found.survey is not None:
        with pytest.raises(SleevelineError) as held:
            fit_site(job, found.survey)
        _names(held.value.reasons, key, value)
        return
    assert found.holds
    _names(found.holds, key, value)


@pytest.mark.parametrize("key", sorted(TOML))
def test_a_job_file_beyond_a_limit(key, tmp_path):
    value, content = TOML[key]
    office = _office(tmp_path, key, value)
    folder = tmp_path / "job"
    folder.mkdir()
    (folder / "job.toml").write_bytes(content)
    (folder / "points.csv").write_bytes(POINTS)
    entry = entry_at(folder)
    with pytest.raises(SleevelineError) as held:
        job_of("job", read_all(entry, [trace.name for trace in traces_of(entry, office.shop.limits)], office.shop.limits), office)
    _names(held.value.reasons, key, value)


@pytest.mark.parametrize(("key", "value"), [("file_bytes", 100), ("job_files", 1)])
def test_a_folder_beyond_a_limit(key, value, tmp_path):
    office = _office(tmp_path, key, value)
    folder = tmp_path / "job"
    folder.mkdir()
    for name in ("a.csv", "b.csv"):
        (folder / name).write_bytes(POINTS)
    entry = entry_at(folder)
    with pytest.raises(SleevelineError) as held:
        read_all(entry, [trace.name for trace in traces_of(entry, office.shop.limits)], office.shop.limits)
    _names(held.value.reasons, key, value)


@pytest.mark.parametrize("name", ["as_drilled.csv", "cut.csv"])
def test_a_sheet_beyond_its_limit(name, tmp_path):
    office = _office(tmp_path, "drilled_rows", 5)
    with pytest.raises(SleevelineError) as held:
        returned_of({name: b"hole,to_next\n" * 7}, office.shop.limits)
    _names(held.value.reasons, "drilled_rows", 5)
    assert returned_of({name: b"hole,to_next\n" * 5}, office.shop.limits)


def test_a_shelf_beyond_its_limit():
    with pytest.raises(SleevelineError) as held:
        read_offcuts("id,length,posts,height,colour\n" + "".join(f"A{n},96 in,3,48 in,black\n" for n in range(3)), most=2)
    _names(held.value.reasons, "offcuts", 2)


def test_a_stage_beyond_its_time():
    _names((_too_long("edge", 7.0),), "stage_seconds", 7)


def test_no_limit_is_left_out():
    tried = {*SURVEYS, *TOML, "file_bytes", "job_files", "drilled_rows", "offcuts", "stage_seconds"}
    assert tried | NO_REFUSAL == set(Limits.__struct_fields__)


def test_every_default_lets_a_pool_through(tmp_path):
    office = read_office(tmp_path)
    assert msgspec.structs.asdict(office.shop.limits)["settings_bytes"] >= 100_000
    for files in (
        {"points.csv": POINTS},
        {"ties.csv": tape_file(made_site(3)).encode()},
        {"shots.csv": shots_file(made_site(4, base="station")).encode()},
    ):
        metres = {"job.toml": b'[survey]\nunit = "metre"\n', **files}
        assert answer(job_of("job", metres, office), files).survey is not None
