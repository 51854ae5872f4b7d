"""Mutated inputs of every kind through the real readers: an answer or a reason a person can act on; no traceback, no hang, no growth.

In full (10,000 files): pytest -m long tests/unit/intake/test_mutated_files.py
"""

from __future__ import annotations

import random
import resource
import time
from pathlib import Path

import pytest

from pipeline.batch.pooled_cutting import read_offcuts
from pipeline.errors import JobError, SleevelineError
from pipeline.intake.job_folder import job_of
from pipeline.intake.new_job import lay_out
from pipeline.intake.office import read_office
from pipeline.intake.resolve import default_job
from pipeline.survey.answer import answer

SECONDS = 10.0  # [s] longest a reader may compute
GROWTH = 1_000_000  # [kB] most that reading all of them may add to the process
LIVE = [b"\x00", b"\xff\xfe", b"[", b"]" * 40, b"{", b"=", b'"', b"'''", b"\n", b",", b"nan", b"1e308", b"-0", b"inf", b"9" * 400, b"\xef\xbb\xbf", b"<!ENTITY a 'b'>",
        b"&a;", b"../../etc/passwd", b"[[gate]]\n", b"a.b.c.d=1\n", b"\t", b"#", b"%s%n", b"=1+1", b"2026-13-45", b"\r", b"-1", b"0x7f", b"1_000", b"true"]  # fmt: skip  # a list of snippets


def mutated(source: bytes, chance: random.Random) -> bytes:
    """Return a file cut, doubled, spliced, with bytes flipped, or with something live put in; one to four times."""
    content = bytearray(source)
    for _ in range(chance.randint(1, 4)):
        at, other = sorted(chance.randrange(len(content) + 1) for _ in range(2))
        kind = chance.randrange(6)
        if kind == 0:
            del content[at:other]
        elif kind == 1:
            content[at:at] = content[at:other]
        elif kind == 2 and at < len(content):
            content[at] = chance.randrange(256)
        elif kind == 3:
            content[at:at] = chance.choice(LIVE) * chance.choice([1, 1, 1, 50])
        elif kind == 4:
            lines = content.split(b"\n")
            chance.shuffle(lines)
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
    return files


@pytest.fixture(scope="module")
def sound(tmp_path_factory):
    return sound_files(tmp_path_factory.mktemp("forms") / "heron")


def read_one(name: str, content: bytes, folder: Path, office) -> None:
    """Read one file as the night does."""
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
    else:
        answer(default_job("job"), {name: content})


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
)


def _try(name: str, count: int, sound, folder: Path) -> None:
    office, chance = read_office(folder), random.Random(f"mutated {name}")
    before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    for number in range(count):
        content = mutated(sound[name], chance)
        started = time.process_time()
        try:
            read_one(name, content, folder, office)
        except SleevelineError as held:
            assert all(reason.what for reason in held.reasons), (number, content[:200])
        assert time.process_time() - started < SECONDS, (number, content[:200])
    assert resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before < GROWTH


@pytest.mark.parametrize("name", KINDS)
def test_a_few_mutated_files(name, sound, tmp_path):
    _try(name, 25, sound, tmp_path)


@pytest.mark.long
@pytest.mark.parametrize("name", KINDS)
def test_ten_thousand_mutated_files(name, sound, tmp_path):
    _try(name, 1000, sound, tmp_path)


def test_sound_files_are_read(sound, tmp_path):
    office = read_office(tmp_path)
    for name in KINDS:
        if name == "confirmed.toml":
            continue  # names a pack of nobody's: read in test_job_folder
        read_one(name, sound[name], tmp_path, office)
    with pytest.raises(JobError):
        job_of("job", {"job.toml": b"[", "points.csv": b""}, office)
