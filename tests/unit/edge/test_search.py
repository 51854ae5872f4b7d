"""The exchange search: what a cut is."""

from __future__ import annotations

import msgspec
import pytest

from pipeline.edge.search import _normal
from pipeline.geometry.segmenting import Stretch


@pytest.mark.parametrize("turned", range(4))
@pytest.mark.parametrize("laps", [-1, 0, 2])
def test_the_same_pieces_are_the_same_cut_whatever_led_to_them(turned, laps):
    whole = tuple(
        Stretch(first=first, last=last, is_arc=False, smooth=False) for first, last in ((3, 9), (10, 15), (16, 21), (22, 26))
    )  # of 24 shots
    moved = (*whole[turned:], *(msgspec.structs.replace(one, first=one.first + 24, last=one.last + 24) for one in whole[:turned]))
    moved = tuple(msgspec.structs.replace(one, first=one.first + 24 * laps, last=one.last + 24 * laps) for one in moved)
    assert _normal(moved, 24) == whole
