"""Parallels of pools' edges against GEOS's buffers, and the hole line of a clothoid against its own radius of curvature."""

from __future__ import annotations

import json
import math

import numpy as np
import pytest
from scipy.special import fresnel
from shapely.geometry import Polygon

from pipeline.geometry.chain import polyline
from pipeline.geometry.offset import offset_outward, with_bays_rounded
from pipeline.layout.line import fitted_chain
from tests.truth.outlines import random_outlines


def published_outlines(checks_folder):
    rows = json.loads((checks_folder / "outlines.json").read_text(encoding="utf-8"))["outlines"]
    chains = [polyline([tuple(point) for point in row["local_xy_m"][:-1]], closed=True) for row in rows]
    return [chain if chain.area() > 0 else chain.reversed() for chain in chains]


@pytest.mark.outside(
    source="GEOS buffer; pools of OpenStreetMap (ODbL)", compares="length of parallels and rounded bays, real outlines", tolerance="2 mm + 1e-4"
)
def test_parallels_of_real_pools(checks_folder):
    seen = 0
    for chain in published_outlines(checks_folder):
        seen += held_against_geos(chain)
    assert seen >= 19  # the published file's simple ones


@pytest.mark.outside(source="GEOS buffer", compares="length of parallels and rounded bays, 30 made freeform outlines", tolerance="2 mm + 1e-4")
def test_parallels_of_made_pools():
    assert sum(held_against_geos(chain) for chain in random_outlines(30)) == 30


def held_against_geos(chain) -> bool:
    shape = Polygon(chain.densified(1e-5))
    if not shape.is_valid:
        return False
    for distance in (0.508, 0.762, 1.3):
        found = offset_outward([chain], distance)[0]
        geos = shape.buffer(distance, quad_segs=200).exterior.length
        assert found.length == pytest.approx(geos, abs=0.002, rel=1e-4)
        rounded = with_bays_rounded(found, 0.4572)
        closing = Polygon(found.densified(1e-5)).buffer(0.4572, quad_segs=200).buffer(-0.4572, quad_segs=200).exterior.length
        assert rounded.length == pytest.approx(closing, abs=0.003, rel=1e-4)
    return True


@pytest.mark.outside(source="Fresnel integrals (SciPy)", compares="arcs fitted along the parallel of a clothoid", tolerance="0.1 mm")
def test_a_clothoid_by_its_fresnel_integrals():
    """x + iy = a integral exp(i pi t²/2): curvature pi t / a; its parallel at d is the point plus d times the normal."""
    size, distance = 4.0, 0.762
    t = np.linspace(0.0, 0.9, 300)
    y, x = fresnel(t)
    points = size * np.column_stack((x, y))
    heading = math.pi * t**2 / 2
    parallel = points + distance * np.column_stack((np.sin(heading), -np.cos(heading)))
    chain = fitted_chain(parallel, closed=False)
    assert max(chain.nearest((float(px), float(py)))[1] for px, py in parallel) <= 1e-4
    # the parallel of a curve is longer by d times its turn (outward side)
    assert chain.length == pytest.approx(size * 0.9 + distance * heading[-1], abs=1e-4)
