"""The fabrication of one small fence, as it was looked at and found right: two stock panels, a stepped joint, two custom panels, walls at both ends.

Renew the file after a change that is meant: ``python -m tests.golden.fabrication_golden_test``, and read the difference.
"""

from __future__ import annotations

import json
from pathlib import Path

from pipeline.artifacts import encode
from pipeline.fabrication.fabricate import fabricate
from tests.unit.fabrication.made_nights import named_job
from tests.unit.fabrication.straight_fences import straight_fence

GOLDEN = Path(__file__).with_name("fabrication_small_fence.json")
DIGITS = 6  # of metres: a micrometre, far below what is cut and far above what processors differ by


def small_fence() -> str:
    layout = straight_fence([("stock", [36.0] * 4), ("custom", [30.0] * 3), ("custom", [28.0]), ("stock", [36.0] * 5)], rises={1: -6.5})
    return json.dumps(rounded(json.loads(encode(fabricate(named_job("small-fence"), layout)))), indent=1, ensure_ascii=False) + "\n"


def rounded(value):
    if isinstance(value, float):
        return round(value, DIGITS) + 0.0
    if isinstance(value, dict):
        return {key: rounded(entry) for key, entry in value.items()}
    return [rounded(entry) for entry in value] if isinstance(value, list) else value


def test_the_small_fence_is_made_as_before():
    assert small_fence() == GOLDEN.read_text(encoding="utf-8")


if __name__ == "__main__":
    GOLDEN.write_text(small_fence(), encoding="utf-8")
