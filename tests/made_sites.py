"""Small sites made by hand, as the edge stage would hand them on; for tests of what comes after it."""

from __future__ import annotations

import math

from pipeline.geometry.chain import Chain, polyline
from pipeline.geometry.planes import PlanePatch
from pipeline.model.site import FittedLine, LevelSurface, Mark, Site


def rectangle(width: float, depth: float, x: float = 0.0, y: float = 0.0) -> Chain:
    """A closed rectangle with its south-west corner at (x, y), counter-clockwise [m]."""
    return polyline([(x, y), (x + width, y), (x + width, y + depth), (x, y + depth)], closed=True)


def round_ended(straight: float, radius: float) -> Chain:
    """Two straight sides joined by half circles, counter-clockwise [m]."""
    quarter = math.tan(math.pi / 4)  # bulge of a half circle is tan(pi / 4)
    return Chain(((0.0, -radius), (straight, -radius), (straight, radius), (0.0, radius)), (0.0, quarter, 0.0, quarter), True)


def level_deck(level: float = 30.0, slope: tuple[float, float] = (0.0, 0.0)) -> LevelSurface:
    covariance = (1e-6, 0.0, 0.0, 0.0, 1e-8, 0.0, 0.0, 0.0, 1e-8)
    return LevelSurface(patches=(PlanePatch(region=(), origin=(0.0, 0.0), coefficients=(level, *slope), covariance=covariance, sigma=0.003),))


def site_of(water: Chain, deck_width: float = 3.0, **more: object) -> Site:
    """A site with one pool, a rectangular deck `deck_width` round its extent, two marks and a level deck."""
    points = water.densified(0.01)
    (x0, y0), (x1, y1) = points.min(axis=0).tolist(), points.max(axis=0).tolist()
    deck = rectangle(x1 - x0 + 2 * deck_width, y1 - y0 + 2 * deck_width, x0 - deck_width, y0 - deck_width)
    sigmas = {"sigma_stations": (0.0,), "sigma_normals": (0.002,), "sigma0": 0.003}
    marks = (
        Mark(name="M1", kind="mark", place=(x0 - deck_width - 1.0, y0 - deck_width - 0.5), elev=30.0, sigma=0.003),
        Mark(name="M2", kind="mark", place=(x1 + deck_width + 0.5, y0 - deck_width - 1.0), elev=30.0, sigma=0.003),
        Mark(name="M3", kind="mark", place=(x1 + deck_width + 1.0, y1 + deck_width + 0.5), elev=30.0, sigma=0.003),
    )
    fields: dict[str, object] = {
        "waters": (FittedLine(code="WATER", chain=water, **sigmas),),
        "decks": (FittedLine(code="DECK", chain=deck, **sigmas),),
        "marks": marks,
        "levels": level_deck(),
    }
    return Site(**{**fields, **more})
