"""One true pool, brought in every form a survey may have: the same fence, as far as the instruments allow."""

from __future__ import annotations

import pytest
from shapely.geometry import Polygon

from tests.end_to_end.conftest import run_command
from tests.end_to_end.outputs import chords, holes, status
from tests.truth.distances import chord_to_chain
from tests.truth.outlines import FOOT
from tests.truth.sites import INCH, long_round_ends
from tests.truth.survey_files import US_FOOT, landxml_file, point_file, write_dxf

SITE = long_round_ends()
JOB = '[site]\nslab = "plain"\n'


def brought_as(form, folder):
    """Write the site's survey in one form."""
    if form == "points, US survey feet, tabs":
        (folder / "p.txt").write_text(point_file(SITE.shots, unit=US_FOOT, separator="\t", decimals=4), encoding="utf-8")
        return '[survey]\nunit = "us-survey-foot"\n'
    if form == "points, Latin-1, byte order mark absent, decimal comma":
        text = "# Maße in Metern\n" + point_file(
            SITE.shots, unit=1.0, separator=";", comma=True, order="PENZD", header="Punkt;East;North;Elevation;Code"
        )
        (folder / "p.csv").write_bytes(text.replace("Punkt", "Point").encode("latin-1"))
        return '[survey]\nunit = "metre"\n'
    if form == "points, UTF-8 with byte order mark":
        text = point_file(SITE.shots, unit=FOOT, header="Point Number,Northing,Easting,Elevation,Description")
        (folder / "p.csv").write_bytes(b"\xef\xbb\xbf" + text.encode("utf-8"))
        return '[survey]\nunit = "foot"\n'
    if form == "landxml":
        (folder / "p.xml").write_text(landxml_file(SITE.shots), encoding="utf-8")
        return ""
    if form == "dxf":
        write_dxf(SITE, folder / "p.dxf")
        return '[survey]\nunit = "metre"\n'
    raise AssertionError(form)


FORMS = (
    "points, US survey feet, tabs",
    "points, Latin-1, byte order mark absent, decimal comma",
    "points, UTF-8 with byte order mark",
    "landxml",
    "dxf",
)


@pytest.mark.parametrize("form", FORMS)
def test_the_pool_is_fenced_whatever_the_form(form, tmp_path):
    """Within 10 mm of the setback against the true water, nowhere wasteful on the straights, the water inside."""
    queue = tmp_path / "job"
    queue.mkdir()
    (queue / "job.toml").write_text(brought_as(form, queue) + JOB, encoding="utf-8")
    done = run_command("job", queue, "--out", tmp_path / "out")
    job = tmp_path / "out" / "jobs" / "job"
    assert status(job)["state"] == "complete", (done.stderr, status(job)["reasons"])
    line = holes(job)
    water = SITE.waters[0]
    near = [chord_to_chain(one.place, other.place, water) for one, other in chords(line, True)]
    assert min(near) >= 30 * INCH - 0.010
    assert sorted(near)[len(near) // 4] <= 30 * INCH + 0.010
    assert Polygon([hole.place for hole in line]).contains(Polygon(water.densified(0.01)))
