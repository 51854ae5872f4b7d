"""The stated uncertainty is honest: over simulated surveys of one site the truth lies within it about 95 times in 100.

The full size, 1,000 surveys, is ``python -m tests.benchmarks.compliance_coverage 1000``.
"""

from __future__ import annotations

from tests.benchmarks.compliance_coverage import covered, passed_though_failing


def test_truth_lies_within_u95():
    """A small run of 40 surveys: 33 or fewer inside would happen once in 1,000 times if 95 of 100 are; all together tell more."""
    found = covered(40)
    assert min(hits for hits, _ in found.values()) >= 34
    share = sum(hits for hits, _ in found.values()) / sum(total for _, total in found.values())
    assert 0.91 <= share <= 0.99


def test_a_fence_that_truly_fails_is_passed_in_no_survey():
    assert passed_though_failing(30, short=0.004) == 0
