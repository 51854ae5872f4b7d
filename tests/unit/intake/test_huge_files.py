"""Files just below the limit of bytes, of as many lines, tags or entities as fit: refused in seconds, within a gigabyte.

Each is read in a process of its own, so that its growth is its own.
"""

from __future__ import annotations

import multiprocessing
import resource
import time
from collections.abc import Callable
from pathlib import Path

import msgspec
import pytest

from pipeline.errors import SleevelineError
from pipeline.intake.office import read_office
from tests.unit.intake.test_mutated_files import GROWTH, SECONDS, read_one

BYTES = 49_000_000
DRAWING = 9_900_000
XML = b'<?xml version="1.0"?><LandXML xmlns="http://www.landxml.org/schema/LandXML-1.2" version="1.2" date="2026-01-01" time="00:00:00"><Units><Metric linearUnit="meter"/></Units><CgPoints'
END = b"</CgPoints></LandXML>"


def _full(head: bytes, line: bytes, tail: bytes = b"", size: int = BYTES) -> Callable[[], bytes]:
    return lambda: head + line * ((size - len(head) - len(tail)) // len(line)) + tail


def _attributes() -> bytes:
    return (XML + b"".join(b" a%d=''" % number for number in range(4_000_000)))[: BYTES - 100].rsplit(b" ", 1)[0] + b">" + END


ENTITIES, EOF = b"0\nSECTION\n2\nENTITIES\n", b"0\nENDSEC\n0\nEOF\n"
SHOTS = b"setup,target,face,hi,ht,hz_deg,zenith_deg,slope_dist,code,remark\n"
# what it is: kind of reader, the file
HUGE: dict[str, tuple[str, Callable[[], bytes]]] = {
    "ten million points": ("points.csv", lambda: b"1,2,3\n" * 10**7),
    "points, short lines": ("points.csv", _full(b"", b"1\n")),
    "points, lines of old": ("points.csv", _full(b"", b"1\r")),
    "points, blank lines": ("points.csv", _full(b"", b"\n")),
    "points, comments": ("points.csv", _full(b"", b"#\n")),
    "points, commas": ("points.csv", _full(b"", b",")),
    "points, two bytes a letter": ("points.csv", _full(b"\xff\xfe", b"1\0\n\0")),
    "ties": ("tape.csv", _full(b"from,to,dist,code,remark\n", b"1\n")),
    "shots": ("observations.csv", _full(SHOTS, b"1\n")),
    "tags": ("landxml.xml", _full(XML + b">", b"<a/>", END)),
    "points in XML": ("landxml.xml", _full(XML + b">", b"<CgPoint/>", END)),
    "attributes": ("landxml.xml", _attributes),
    "text in XML": ("landxml.xml", _full(XML + b">", b"1 2 ", END)),
    "comments in XML": ("landxml.xml", _full(XML + b">", b"<!---->", END)),
    "points of a drawing": ("lines.dxf", _full(ENTITIES, b"0\nPOINT\n8\n0\n10\n1\n20\n2\n", EOF, DRAWING)),
    "lines of a drawing": ("lines.dxf", _full(ENTITIES, b"0\nLINE\n8\nWATER\n10\n1\n20\n2\n11\n1\n21\n3\n", EOF, DRAWING)),
    "corners of one polyline": ("lines.dxf", _full(ENTITIES + b"0\nLWPOLYLINE\n8\nWATER\n", b"10\n1\n20\n2\n", EOF, DRAWING)),
    "entities of no kind": ("lines.dxf", _full(ENTITIES, b"0\nA\n", EOF, DRAWING)),
    "shelf": ("offcuts.csv", _full(b"id,length,posts,height,colour\n", b"1\n")),
    "sheet": ("as_drilled.csv", _full(b"hole,to_next\n", b"1\n")),
    "sheet in one line": ("as_drilled.csv", _full(b"hole,to_next\n", b"1")),
    "cut list": ("cut.csv", _full(b"panel,length\n", b"1\n")),
    "a hundred thousand gates": ("job.toml", lambda: b"[[gate]]\nnear='1'\n" * 10**5),
}


class Growth(msgspec.Struct, frozen=True):
    """What reading a file took: time [s], memory [kB], and the first reasons."""

    seconds: float
    memory: int
    told: tuple[str, ...]


def _read(name: str) -> Growth:
    kind, made = HUGE[name]
    before, content, told = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss, made(), ()
    folder = Path("no such folder")
    started = time.process_time()
    try:
        read_one(kind, content, folder, read_office(folder))
    except SleevelineError as held:
        told = tuple(reason.what for reason in held.reasons[:3])
    return Growth(time.process_time() - started, resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before, told)


@pytest.fixture(scope="module")
def growths() -> dict[str, Growth]:
    with multiprocessing.get_context("fork").Pool(1, maxtasksperchild=1) as pool:
        return dict(zip(HUGE, pool.map(_read, HUGE, chunksize=1), strict=True))


@pytest.mark.parametrize("name", HUGE)
def test_a_huge_file_is_answered_in_seconds_and_within_a_gigabyte(name, growths):
    print(f"{name}: {growths[name].seconds:.1f} s, {growths[name].memory / 1000:.0f} MB, {growths[name].told}")
    assert growths[name].seconds < SECONDS
    assert growths[name].memory < GROWTH
    assert growths[name].told
