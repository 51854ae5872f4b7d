"""How long a layout takes: the asked case of 150 m with 12 forbidden spots, 4 risers and 3 gates, and time against length.

``pytest -n 0 -s tests/benchmarks/test_layout_speed.py`` prints the figures.  Seconds are this process's own on one core, so that a busy machine
measures the same.
"""

from __future__ import annotations

import time

from pipeline.geometry.chain import polyline
from pipeline.intake.resolve import default_job
from pipeline.layout.lay_out import drafted, lay_out
from pipeline.layout.measures import measures_of
from pipeline.model.site import FittedLine, GateWish, Riser
from tests.made_sites import rectangle, site_of
from tests.truth.outlines import long_line
from tests.unit.layout.readings import broken_rules

JOB = default_job()
SLOWEST = 1.0  # [s] asked of the 150 m line
SLOWEST_LOOP = 1.5  # [s] own judgement: a loop compares 189 places of its gate from both hands


def long_site(length: float):
    """A long pool with two flights of two risers, 12 joints in its deck and three gates."""
    water = long_line(length)
    half = water.densified(0.01)[:, 0].max()
    reach = half - 4.0
    risers = tuple(
        Riser(line=str(number), nosing=polyline([(x * reach, 2.9), (x * reach, 7.0)]), height=0.15, sigma_height=0.003)
        for number, x in enumerate((-0.4, -0.36, 0.3, 0.34), 1)
    )
    spots = [(-0.9, 1), (-0.8, 1), (-0.66, 1), (-0.2, 1), (0.0, 1), (0.13, 1), (0.5, 1), (0.8, 1), (-0.75, -1), (-0.3, -1), (0.2, -1), (0.7, -1)]
    joints = tuple(
        FittedLine(code="JOINT", line=str(number), chain=polyline([(x * reach, 2.5 * side), (x * reach + 0.01, 7.0 * side)]))
        for number, (x, side) in enumerate(spots, 1)
    )
    gates = tuple(GateWish(name=f"G{number}", place=place) for number, place in enumerate([(-0.55 * reach, 3.8), (0.6 * reach, 3.8), (0.0, -3.0)], 1))
    return site_of(water, deck_width=4.0, risers=risers, joints=joints, gates=gates)


def seconds(work) -> float:
    begun = time.process_time()
    work()
    return time.process_time() - begun


def test_the_asked_case_takes_at_most_a_second():
    site, sizes = long_site(150.0), measures_of(JOB)
    drafted(JOB, site, sizes)  # imports and caches
    taken = min(seconds(lambda: drafted(JOB, site, sizes)) for _ in range(3))
    layout = lay_out(JOB, site)
    whole = seconds(lambda: lay_out(JOB, site))
    print(
        f"\n150 m, 12 spots, 4 risers, 3 gates: {taken:.2f} s; with records and the table of other setbacks {whole:.2f} s; {len(layout.holes)} holes"
    )
    assert broken_rules(layout, JOB, site) == []
    assert (len(layout.gates), len([joint for joint in layout.joints if joint.riser])) == (3, 4)
    assert taken <= SLOWEST


def test_time_grows_with_length_and_no_faster():
    sizes, taken = measures_of(JOB), {}
    for length in (100.0, 200.0, 300.0):
        site = long_site(length)
        drafted(JOB, site, sizes)
        taken[length] = min(seconds(lambda site=site: drafted(JOB, site, sizes)) for _ in range(2))
    print("\n" + "; ".join(f"{length:.0f} m {each:.2f} s" for length, each in taken.items()))
    assert taken[300.0] <= 3 * taken[100.0] * 1.5  # three times the length, half as much again for the machine's noise


def test_a_plain_loop():
    site, sizes = site_of(rectangle(9.75, 4.88), gates=(GateWish(name="G", place=(4.9, -0.8)),)), measures_of(JOB)
    drafted(JOB, site, sizes)
    taken = seconds(lambda: drafted(JOB, site, sizes))
    print(f"\nplain loop: {taken:.2f} s")
    assert taken <= SLOWEST_LOOP
