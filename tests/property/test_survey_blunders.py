"""One blunder in an otherwise good survey: named as it is, or held with it among the named, or its point said to be unchecked; never a wrong one blamed."""

from __future__ import annotations

import math
import random

import pytest

from pipeline.intake.resolve import default_job
from pipeline.survey.answer import answer
from tests.unit.survey.made_surveys import errors, made_site, shots_file, tape_file

JOB = default_job("made", survey={"unit": "metre"})
TAPE_SEEDS = range(12)


def with_blunder(text, rows, column, size, seed):
    """The file with one cell of a random row off, and the row's first two cells."""
    lines = text.splitlines()
    row = random.Random(seed).choice([number for number, line in enumerate(lines) if rows(line.split(","))])
    cells = lines[row].split(",")
    cells[column] = f"{float(cells[column]) + size:.6f}"
    lines[row] = ",".join(cells)
    return "\n".join(lines).encode(), cells[0], cells[1]


def assert_never_a_wrong_one(found, site, name, point):
    said = " ".join(reason.what for reason in found.holds)
    if found.holds:
        assert name in said or point in said or "more" in said
        return
    rejected = found.survey.adjustment.rejected
    unchecked = " ".join(warning.what for warning in found.survey.warnings if warning.ref == "unchecked")
    assert any(name in line for line in rejected) or point in unchecked or not rejected
    if not any(point in warning.what for warning in found.survey.warnings):
        off = max(math.dist(p.place, site.place(p.point)[:2]) for p in found.survey.points if p.code == "WATER")
        assert off < 0.05, off  # a blunder too small to stand out does no more harm than that


@pytest.mark.parametrize("marks", ["ABCD", "ABC"])
@pytest.mark.parametrize("size", [0.3048, -0.3048, 3.048, 0.03])
@pytest.mark.parametrize("seed", TAPE_SEEDS)
def test_a_tie(seed, size, marks):
    site = made_site(seed)
    content, start, end = with_blunder(tape_file(site, errors(seed), marks=marks), lambda cells: cells[1] not in ("to", "B"), 2, size, seed)
    assert_never_a_wrong_one(answer(JOB, {"ties.csv": content}), site, f"tie {start}–{end}", end)


@pytest.mark.parametrize(("column", "size"), [(7, 0.3), (7, 0.02), (5, 1.0), (5, 0.05), (6, 1.0), (4, 0.3)])
@pytest.mark.parametrize("seed", range(8))
def test_a_shot_at_a_mark(seed, column, size):
    site = made_site(seed, base="station")
    content, setup, target = with_blunder(
        shots_file(site, errors(seed)), lambda cells: cells[0] != "setup" and cells[1].startswith(("M", "S")), column, size, seed
    )
    assert_never_a_wrong_one(answer(JOB, {"shots.csv": content}), site, f"{setup}→{target}", target)
