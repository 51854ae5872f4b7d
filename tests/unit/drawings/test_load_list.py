"""What the crew loads, by what the layout holds."""

from __future__ import annotations

import msgspec

from pipeline.drawings.cautions import tools
from tests.unit.drawings.cases import case


def loaded(name: str, **layout) -> str:
    found = case(name)
    return " | ".join(tools(found.job, msgspec.structs.replace(found.layout, **layout), found.fabrication))


def test_wall_plates_are_loaded_for_every_end_at_a_wall_and_for_no_other_fence():
    free = case("walls").layout.ends
    at_wall = tuple(msgspec.structs.replace(end, wall="WALL1") for end in free)
    assert len(at_wall) == 2
    assert "2 latch plates for the wall with anchors" in loaded("walls", ends=at_wall)
    assert "1 latch plate for the wall" in loaded("walls", ends=(at_wall[0], free[1]))
    assert "latch plate" not in loaded("walls", ends=free)
    assert "latch plate" not in loaded("spa")


def test_screws_and_heat_sealer_are_loaded_only_where_a_panel_is_cut():
    panels = case("spa").layout.panels
    stock = tuple(msgspec.structs.replace(panel, kind="stock") for panel in panels)
    cut = (msgspec.structs.replace(panels[0], kind="custom"), *stock[1:])
    assert "screws" in loaded("spa", panels=cut) and "heat sealer" in loaded("spa", panels=cut)
    plain = loaded("spa", panels=stock)
    assert "screws" not in plain and "Shears" not in plain and "Fire extinguisher" in plain
