"""The stated uncertainty is honest: over simulated surveys of one site the truth lies within it about 95 times in 100.

The full size, 1,000 surveys, is ``python -m tests.benchmarks.compliance_coverage 1000``.
"""

from __future__ import annotations

from tests.benchmarks.compliance_coverage import covered, passed_though_failing


def test_truth_lies_within_u95():
    """A small run; surveys share their readings, so that the band is wider than for 1,000 of them."""
    for quantity, (hits, total) in covered(30).items():
        assert 0.90 <= hits / total <= 0.995, quantity


def test_a_fence_that_truly_fails_is_passed_in_no_survey():
    assert passed_though_failing(30, short=0.004) == 0
