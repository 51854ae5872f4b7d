"""Mutated inputs of every kind through the real readers: an answer or a reason a person can act on; no traceback, no hang, no growth.

In full (1,000 files of each of fifteen kinds): pytest -m long tests/unit/intake/test_mutated_files.py
"""

from __future__ import annotations

import random
import resource
import time
from collections.abc import Sequence
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from pipeline.batch.pooled_cutting import read_offcuts
from pipeline.errors import JobError, SleevelineError, SurveyError
from pipeline.intake.job_folder import job_of, returned_of
from pipeline.intake.new_job import lay_out
from pipeline.intake.office import read_office
from pipeline.intake.resolve import default_job
from pipeline.survey.answer import answer

SECONDS = 10.0  # [s] longest a reader may compute
GROWTH = 1_000_000  # [kB] most that reading all of them may add to the process
LIVE = [b"\x00", b"\xff\xfe", b"[", b"]" * 40, b"{", b"=", b'"', b"'''", b"\n", b",", b"nan", b"1e308", b"-0", b"inf", b"9" * 400, b"\xef\xbb\xbf", b"<!ENTITY a 'b'>",
        b"&a;", b"../../etc/passwd", b"[[gate]]\n", b"a.b.c.d=1\n", b"\t", b"#", b"%s%n", b"=1+1", b"2026-13-45", b"\r", b"-1", b"0x7f", b"1_000", b"true"]  # fmt: skip  # a list of snippets


Slip = tuple[int, float, float, int, bytes, int]  # kind, from and to as shares of the file, a byte or seed, a snippet, how often
SLIPS = st.lists(
    st.tuples(st.integers(0, 5), st.floats(0, 1), st.floats(0, 1), st.integers(0, 255), st.sampled_from(LIVE), st.sampled_from((1, 1, 1, 50))),
    min_size=1,
    max_size=4,
)


def mutated(source: bytes, slips: Sequence[Slip]) -> bytes:
    """Return a file cut, doubled, spliced, with bytes flipped, or with something live put in."""
    content = bytearray(source)
    for kind, start, end, number, snippet, times in slips:
        at, other = sorted(round(share * len(content)) for share in (start, end))
        if kind == 0:
            del content[at:other]
        elif kind == 1:
            content[at:at] = content[at:other]
        elif kind == 2 and at < len(content):
            content[at] = number
        elif kind == 3:
            content[at:at] = snippet * times
        elif kind == 4:
            lines = content.split(b"\n")
            random.Random(number).shuffle(lines)
            content = bytearray(b"\n".join(lines))
        else:
            content[at:other] = content[at:other].swapcase()
        content = content[:200_000]
    return bytes(content)


def sound_files(folder: Path) -> dict[str, bytes]:
    """Return one sound file of every kind, by its name; made in a folder that is not there yet."""
    files = {path.name: path.read_bytes() for path in lay_out(folder)}
    told = files["job.toml"].decode().splitlines()
    files["job.toml"] = "\n".join(line[2:] if line.startswith("# ") and (" = " in line or "[[" in line) else line for line in told).encode()
    packs = Path(__file__).parents[3] / "pipeline" / "compliance" / "packs"
    files["town.rules.toml"] = (packs / "us-ispsc-2021.toml").read_bytes().replace(b"us-ispsc-2021", b"town")
    files["offcuts.csv"] = b"id,length,posts,height,colour,where\nA7,96 in,3,48 in,black,rack 2\nA8,2.5 m,0,48 in,black,\n"
    files["confirmed.toml"] = (
        b'[[confirmed]]\npack = "x"\nlimit = "y"\nclause = "1"\nvalue = "48 in"\nwho = "A"\nwhen = "2026-01-01"\nedition = "2021"\n'
    )
    return {**files, **sound_sheets()}


def sound_sheets() -> dict[str, bytes]:
    """Return sheets of a small fence as drilled and cut, one of each way to write them."""
    from tests.unit.drilling import drilled_fences, test_shots

    places = drilled_fences.places_of(drilled_fences.plan_of(5, 4, 4), H003=(0.012, -0.004))
    marked = {**places, **{mark.name: mark.place for mark in drilled_fences.MARKS}}
    return {
        "as_drilled.csv": drilled_fences.distances(places, H005="moved, rebar", H009="not drilled").encode(),
        "as_drilled by ties": drilled_fences.tied(places).encode(),
        "as_drilled by coordinates": drilled_fences.shot(places, also_marks=True).encode(),
        "as_drilled by shots": (test_shots.HEAD + test_shots.seen("S1", (5.0, -9.0), 0.3, marked)).encode(),
        "cut.csv": b"panel,length\nP01,3657.6\nP02,2743\n",
    }


@pytest.fixture(scope="module")
def sound(tmp_path_factory):
    return sound_files(tmp_path_factory.mktemp("forms") / "heron")


def read_one(name: str, content: bytes, folder: Path, office) -> None:
    """Read one file as the night does; raises SleevelineError with reasons where it is refused."""
    if name in ("shop.toml", "confirmed.toml", "town.rules.toml"):
        (folder / name).write_bytes(content)
        try:
            read_office(folder)
        finally:
            (folder / name).unlink()
    elif name == "offcuts.csv":
        try:
            read_offcuts(content.decode("utf-8-sig"), most=5000)
        except UnicodeDecodeError:
            return  # the night says so before it reads
    elif name == "job.toml":
        job_of("job", {name: content, "points.csv": b"P,N,E,Z,D\n"}, office)
    elif name.startswith(("as_drilled", "cut")):
        _follow("cut.csv" if name == "cut.csv" else "as_drilled.csv", content)
    else:
        found = answer(default_job("job"), {name: content})
        if found.holds:
            raise SurveyError(found.holds)
        assert found.survey is not None


def _follow(name: str, content: bytes) -> None:
    """Take a sheet in and follow it, as intake and the drilling stage do."""
    from pipeline.drilling.follow import follow
    from tests.unit.drilling.drilled_fences import JOB, SITE, SURVEY, plan_of

    returned = returned_of({name: content}, JOB.shop.limits)
    assert returned is not None
    follow(JOB, SURVEY, SITE, plan_of(5, 4, 4), returned, {name: content})


KINDS = (
    "job.toml",
    "shop.toml",
    "confirmed.toml",
    "town.rules.toml",
    "offcuts.csv",
    "points.csv",
    "observations.csv",
    "tape.csv",
    "landxml.xml",
    "lines.dxf",
    "as_drilled.csv",
    "as_drilled by ties",
    "as_drilled by coordinates",
    "as_drilled by shots",
    "cut.csv",
)


def _try(name: str, count: int, sound, folder: Path) -> None:
    office = read_office(folder)
    before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    tried = 0

    @settings(max_examples=count, deadline=None, derandomize=True, database=None, suppress_health_check=list(HealthCheck))
    @given(SLIPS)
    def read(slips: Sequence[Slip]) -> None:
        nonlocal tried
        tried += 1
        content = mutated(sound[name], slips)
        started = time.process_time()
        try:
            read_one(name, content, folder, office)
        except SleevelineError as held:
            assert all(reason.what for reason in held.reasons), content[:200]
        assert time.process_time() - started < SECONDS, content[:200]

    read()
    assert tried >= count
    assert resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before < GROWTH


@pytest.mark.parametrize("name", KINDS)
def test_a_few_mutated_files(name, sound, tmp_path):
    _try(name, 25, sound, tmp_path)


@pytest.mark.long
@pytest.mark.parametrize("name", KINDS)
def test_a_thousand_mutated_files(name, sound, tmp_path):
    _try(name, 1000, sound, tmp_path)


def test_sound_files_are_read(sound, tmp_path):
    office = read_office(tmp_path)
    for name in KINDS:
        if name == "confirmed.toml":
            continue  # names a pack of nobody's: read in test_job_folder
        if name in ("points.csv", "observations.csv", "tape.csv", "landxml.xml", "lines.dxf"):
            answer(default_job("job"), {name: sound[name]})  # a corner of a pool each, to show a form
        else:
            read_one(name, sound[name], tmp_path, office)
    with pytest.raises(JobError):
        job_of("job", {"job.toml": b"[", "points.csv": b""}, office)
