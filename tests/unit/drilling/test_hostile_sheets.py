"""Sheets nobody should write: each is followed or refused in words, with what to do, and what is followed hangs together."""

import itertools
import math
import random

import pytest

from pipeline.errors import SleevelineError
from tests.unit.drilling.drilled_fences import distances, followed, places_of, plan_of, shot, tied

PLANS = (plan_of(5, 4, 4), plan_of(5, 4, gate_after=0), plan_of(4))
WORDS = ("", "", "", "", "moved", "not drilled", "hit steel", "filled", "added", "by the drain")
CELLS = ("0", "-1", "1e9", "nan", "inf", "three feet", "1/0", "999999", "3' 0\"", "9" * 60, "١٢", "914,5", "\x00")


def scrawled(seed: int) -> tuple[object, bytes]:
    """A sheet of true readings with slips, odd remarks, odd cells, odd holes and odd bytes."""
    dice = random.Random(seed)
    plan = dice.choice(PLANS)
    off = {hole.name: (dice.gauss(0.0, 0.003), dice.gauss(0.0, 0.003)) for hole in plan.holes}
    lines = dice.choice((distances, tied, shot))(places_of(plan, **off)).splitlines()
    rows = [line.split(",") for line in lines]
    if "remark" not in rows[0]:
        rows = [[*rows[0], "remark"], *([*row, ""] for row in rows[1:])]
    for row in rows[1:]:
        if dice.random() < 0.15:
            row[0] += "a"
        if dice.random() < 0.15:
            row[rows[0].index("remark")] = dice.choice(WORDS)
        if dice.random() < 0.04:
            row[dice.randrange(1, len(row))] = dice.choice(CELLS)
        if dice.random() < 0.05 and row[1].isdigit():
            row[1] = str(int(row[1]) + dice.choice((60, 305, -100, 1000)))
    body = rows[1:]
    dice.shuffle(body)
    text = bytearray("\n".join(",".join(row) for row in [rows[0], *body]).encode())
    for _ in range(4 if dice.random() < 0.2 else 0):
        text[dice.randrange(len(text))] = dice.randrange(256)
    return plan, bytes(text)


@pytest.mark.parametrize("seed", [*range(150), *(pytest.param(seed, marks=pytest.mark.long) for seed in range(150, 2000))])
def test_a_scrawled_sheet_is_followed_or_refused(seed):
    plan, content = scrawled(seed)
    try:
        drilling = followed(plan, content.decode("latin-1"))
    except SleevelineError as held:
        assert all(reason.what and reason.do and reason.file == "as_drilled.csv" for reason in held.reasons)
        return
    holes = {hole.name: hole for hole in drilling.layout.holes}
    names = list(holes)
    assert all(math.isfinite(value) for hole in holes.values() for value in (*hole.place, hole.station, hole.water, hole.turn))
    for hole, after in itertools.pairwise(drilling.layout.holes):
        assert hole.to_next == pytest.approx(math.dist(hole.place, after.place), abs=1e-9)
    for panel in drilling.layout.panels:
        at = [names.index(name) for name in panel.holes]
        assert at == list(range(at[0], at[0] + len(at))) and len(at) >= 2
        assert panel.length == pytest.approx(sum(holes[name].to_next for name in panel.holes[:-1]), abs=1e-9)
    for joint in drilling.layout.joints:
        assert names.index(joint.after) == names.index(joint.before) + 1
    assert {misfit.panel for misfit in drilling.misfits} == {panel.name for panel in drilling.layout.panels if panel.kind == "custom"}
