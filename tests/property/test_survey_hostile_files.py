"""Files cut, doubled, swapped, binary, in the wrong encoding, with huge numbers and NaN: an answer or a reason, never a traceback, never long."""

from __future__ import annotations

import io
import random
import time
from collections.abc import Sequence

import ezdxf
import msgspec
import pytest

from pipeline.errors import SurveyError
from pipeline.intake.resolve import default_job
from pipeline.survey.answer import answer
from pipeline.survey.field_check import field_check
from pipeline.survey.points_table import points_csv
from tests.unit.survey.made_surveys import made_site, point_file, shots_file, tape_file
from tests.unit.survey.test_landxml_files import landxml

SECONDS = 10.0
JOB = default_job("made", survey={"unit": "metre"})
GRID_JOB = default_job("made", survey={"unit": "metre", "crs": "EPSG:26958"})


def _drawing() -> bytes:
    document = ezdxf.new("R2000", units=6)
    site = made_site(3)
    document.modelspace().add_lwpolyline(
        [site.place(name)[:2] for name in site.points if name.startswith("W")], close=True, dxfattribs={"layer": "WATER"}
    )
    document.modelspace().add_point((1, 2, 3), dxfattribs={"layer": "MARK"})
    out = io.StringIO()
    document.write(out)
    return out.getvalue().encode()


SOUND = {
    "points.csv": point_file(made_site(1)).encode(),
    "headed.csv": point_file(made_site(2), header="Point,Northing,Easting,Elevation,Description").encode(),
    "ties.csv": tape_file(made_site(3)).encode(),
    "shots.csv": shots_file(made_site(4, base="station")).encode(),
    "beside.csv": b"from,to,dist,code,remark\nM1,M2,11.5,MARK,\nM1,W4,7.25,WATER,\nM2,W4,8 ft 3-1/2 in,WATER,\nM3,W4,9.1,WATER,\nM1,X1,4,WALL,\nM2,X1,9,WALL,\nM1,X1,0.2,LEVEL,\n",
    "points.xml": landxml().encode(),
    "plan.dxf": _drawing(),
}
JOBS = [*({name: content} for name, content in SOUND.items()), {name: SOUND[name] for name in ("beside.csv", "shots.csv")}]
BITES = [
    b"NaN",
    b"inf",
    b"-1e308",
    b"9" * 400,
    b"\x00\xff\xfe",
    b'"',
    b",,,,",
    b"\r",
    b"1e999",
    b"=cmd()",
    "½′″–é".encode(),
    b"<!DOCTYPE a>",
    b"&a;",
    b"-",
    b"0",
    b"(",
    b"1/0",
    b"#",
]


def mutated(content: bytes, source: random.Random) -> bytes:
    """One to four slips: cut, doubled, swapped, bitten into, other encodings, bytes at random."""
    for _ in range(source.randint(1, 4)):
        place, end = sorted(source.randrange(len(content) + 1) for _ in range(2))
        lines = content.split(b"\n")
        kind = source.randrange(10)
        if kind == 0:
            content = content[:place]
        elif kind == 1:
            content = content[:end] + content[place:end] + content[end:]
        elif kind == 2:
            one, two = source.randrange(len(lines)), source.randrange(len(lines))
            lines[one], lines[two] = lines[two], lines[one]
            content = b"\n".join(lines)
        elif kind == 3:
            content = content[:place] + source.choice(BITES) + content[place:]
        elif kind == 4:
            content = content[:place] + bytes(source.randrange(256) for _ in range(source.randint(1, 40))) + content[end:]
        elif kind == 5:
            content = content.decode("utf-8", "replace").encode(source.choice(["utf-16", "latin-1", "utf-8-sig", "utf-7"]), "replace")
        elif kind == 6:
            number = source.randrange(len(lines))
            cells = lines[number].split(b",")
            cells[source.randrange(len(cells))] = source.choice(BITES)
            lines[number] = b",".join(cells)
            content = b"\n".join(lines)
        elif kind == 7:
            del lines[source.randrange(len(lines))]
            content = b"\n".join(lines)
        elif kind == 8:
            content = content.replace(source.choice([b",", b".", b"\n", b"0", b"1"]), source.choice([b";", b"\t", b" ", b"", b"9"]))
        else:
            number = source.randrange(len(lines))
            cells = lines[number].split(b",")
            source.shuffle(cells)
            lines[number] = b",".join(cells)
            content = b"\n".join(lines)
        content = content or b" "
    return content


def run_through(files: dict[str, bytes], job=JOB) -> float:
    """Everything the stage and the field check do with files; returns the seconds of processor time it took, so that a busy machine does not count."""
    start = time.process_time()
    found = answer(job, files)
    assert found.survey is not None or found.holds
    for reason in found.holds:
        assert reason.what and len(reason.what) < 2000
    if found.survey is not None:
        points_csv(found.survey).decode()
        msgspec.json.encode(found.survey)
    check = field_check(job, files)
    assert check.lines and check.svg.startswith("<svg")
    return time.process_time() - start


def run_many(count: int, seed: int, names: Sequence[str] = ()) -> float:
    """Mutate one file at a time, of shots and ties together one of the two; returns the slowest [s]."""
    source = random.Random(seed)
    slowest = 0.0
    for number in range(count):
        files = dict(source.choice(JOBS)) if not names else {name: SOUND[name] for name in names}
        name = source.choice(sorted(files))
        files[name] = mutated(files[name], source)
        try:
            slowest = max(slowest, run_through(files, GRID_JOB if number % 7 == 0 else JOB))
        except Exception as fault:
            raise AssertionError(f"mutation {number} of {name}: {files[name][:3000]!r}") from fault
    return slowest


def test_a_hundred_mutated_files():
    assert run_many(100, 1) < SECONDS


@pytest.mark.long
@pytest.mark.parametrize("names", [*((name,) for name in SOUND), ("beside.csv", "shots.csv")], ids=" ".join)
def test_two_thousand_mutated_files(names):
    slowest = run_many(2000, 2, names)
    print(f"{' and '.join(names)}: slowest of 2,000 {slowest:.2f} s")
    assert slowest < SECONDS


@pytest.mark.parametrize("name", sorted(SOUND))
@pytest.mark.parametrize(
    "content",
    [b"\x00" * 1000, bytes(range(256)) * 50, b"\xff\xfe\xff", b"a", b",", b"\n\n\n", b"#\n", b"\xef\xbb\xbf", b"0\nSECTION\n" * 300, b"<" * 5000],
)
def test_rubbish_gets_a_reason(name, content):
    found = answer(JOB, {name: content})
    assert found.holds


@pytest.mark.parametrize("name", sorted(SOUND))
def test_too_large_a_file_is_refused_unread(name):
    start = time.process_time()
    found = answer(JOB, {name: b"1,2,3\n" * 8_400_000})
    assert [reason.ref for reason in found.holds] == ["file-too-large"]
    assert time.process_time() - start < SECONDS


@pytest.mark.parametrize(
    ("name", "head", "line"),
    [
        ("points.csv", b"", b"101,5000.123,2000.456,100.1,SPOT\n"),
        ("ties.csv", b"from,to,dist,code,remark\n", b"A,B,12.345,SPOT,\n"),
        ("shots.csv", b"setup,target,face,hi,ht,hz_deg,zenith_deg,slope_dist,code,remark\n", b"S1,101,1,1.5,1.6,10,90,5,SPOT,\n"),
        ("points.xml", b"", b"<a>"),
        ("plan.dxf", b"0\nSECTION\n2\nENTITIES\n", b"0\nLINE\n8\nWATER\n10\n1.0\n20\n2.0\n11\n3.0\n21\n4.0\n"),
        ("points.csv", b"", b"x" * 1000 + b"\n"),
        ("points.csv", b"", b"x" * 49_000_000),
    ],
)
def test_fifty_megabytes_end_in_ten_seconds(name, head, line):
    """Just below the limit of size: other limits have to bound it."""
    content = head + line * max(1, 49_000_000 // len(line))
    assert run_through({name: content}) < SECONDS


def test_the_verb_raises_what_the_answer_holds():
    from pipeline.survey.answer import read_and_adjust

    with pytest.raises(SurveyError) as refused:
        read_and_adjust(JOB, {"points.csv": b"1,2,3"})
    assert refused.value.reasons == answer(JOB, {"points.csv": b"1,2,3"}).holds
