"""Uncertainty tells the truth: 95 % ellipses of simulated surveys contain the true points 93 to 97 times in a hundred."""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.intake.resolve import default_job
from pipeline.survey.answer import answer
from tests.unit.survey.made_surveys import errors, made_site, shots_file, tape_file

CHI_SQUARE_95 = 5.991  # two degrees of freedom
JOB = default_job("made", survey={"unit": "metre"})


def contained(write, base: str, simulations: int) -> tuple[int, int, int]:
    """(ellipses that hold the true point, ellipses, surveys with an observation rejected or held)."""
    inside = total = doubted = 0
    site = made_site(7, base=base)
    for number in range(simulations):
        found = answer(JOB, {"survey.csv": write(site, errors(1000 + number)).encode()})
        if found.holds or found.survey.adjustment.rejected:
            doubted += 1
        for point in found.survey.points:
            spread = np.array([[point.sigma_east**2, point.cov_east_north], [point.cov_east_north, point.sigma_north**2]])
            if np.linalg.det(spread) < 1e-22:
                continue  # what the frame holds has no ellipse
            off = np.array(point.place) - np.array(site.place(point.point)[:2])
            inside += float(off @ np.linalg.solve(spread, off)) <= CHI_SQUARE_95
            total += 1
    return inside, total, doubted


@pytest.mark.parametrize(("write", "base"), [(tape_file, "tape"), (shots_file, "station")])
def test_ellipses_contain_the_truth_in_a_short_run(write, base):
    """60 surveys: beyond 90 to 99 % there would be something wrong with the sigmas themselves."""
    inside, total, doubted = contained(write, base, 60)
    assert 0.90 <= inside / total <= 0.99
    assert doubted <= 5


@pytest.mark.long
@pytest.mark.parametrize(("write", "base"), [(tape_file, "tape"), (shots_file, "station")])
def test_ellipses_contain_the_truth(write, base):
    inside, total, doubted = contained(write, base, 500)
    print(f"{base}: {inside} of {total} ellipses contain the truth, {doubted} of 500 surveys doubted")
    assert 0.93 <= inside / total <= 0.97
    assert doubted <= 15  # a good survey is doubted once in a hundred
