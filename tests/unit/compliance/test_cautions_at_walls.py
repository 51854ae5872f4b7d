"""A deck that runs on to a house wall has no free edge there."""

from __future__ import annotations

import msgspec

from pipeline.compliance.cautions import _breaks_out
from pipeline.geometry.chain import polyline
from pipeline.model.layout import Hole
from pipeline.model.site import FittedLine
from tests.made_sites import rectangle, site_of

HOLE = Hole(name="H001", carries="P01", role="end", station=0.0, east=2.0, north=5.95, water=1.0, bore=0.038, depth=0.09)


def test_a_hole_at_the_deck_edge_may_break_it_unless_a_wall_stands_there() -> None:
    site = site_of(rectangle(8.0, 4.0), deck_width=2.0)
    deck = site.decks[0]
    assert _breaks_out(HOLE, deck, 0.0762, site)
    wall = FittedLine(code="WALL", chain=polyline([(-5.0, 6.05), (12.0, 6.05)]))
    assert not _breaks_out(HOLE, deck, 0.0762, msgspec.structs.replace(site, walls=(wall,)))
    assert _breaks_out(msgspec.structs.replace(HOLE, north=0.0, east=-1.95), deck, 0.0762, msgspec.structs.replace(site, walls=(wall,)))
