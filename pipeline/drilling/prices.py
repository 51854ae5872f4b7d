"""What a panel costs as stock and as custom, by the shop's prices."""

from __future__ import annotations

import math
from typing import Final

from pipeline.model.layout import Panel
from pipeline.model.shop import Shop, StockItem

SAME_HEIGHT: Final = 0.0005  # [m] heights closer than this are one
CENT: Final = 2  # digits of a price


def stock_price(shop: Shop, panel: Panel) -> float:
    """Return the price of the stock panel a panel is [shop's currency]; 0 where the shop has none."""
    prices = [item.price / item.pack for item in _fabrics(shop, panel) if item.kind == "stock-panel" and item.posts == panel.posts]
    return round(min(prices, default=0.0), CENT)


def custom_price(shop: Shop, length: float, panel: Panel) -> float:
    """Return the price of a custom panel `length` [m] along its posts, by itself [shop's currency].

    The cheapest of a stock panel long enough, or its length off a roll with loose posts, and the work.  What cutting together with other panels saves
    is not in it.
    """
    piece = length + shop.panel.fabric_beyond_end_post + shop.panel.custom_extra
    prices = [price for item in _fabrics(shop, panel) for price in _from(shop, item, piece, panel)]
    return round(min(prices, default=0.0) + shop.panel.custom_work, CENT)


def extra_for_custom(shop: Shop, length: float, panel: Panel) -> float:
    """Return what a stock panel costs more as a custom one of this length [shop's currency]; never less than the work."""
    return round(max(custom_price(shop, length, panel) - stock_price(shop, panel), shop.panel.custom_work), CENT)


def _fabrics(shop: Shop, panel: Panel) -> list[StockItem]:
    """Return stock panels and rolls of the least height that reaches the panel's, in the shop's colour."""
    fabrics = [item for item in shop.stock.values() if item.kind in ("stock-panel", "roll") and item.height is not None]
    heights = [float(item.height) for item in fabrics if item.height is not None and item.height >= panel.height - SAME_HEIGHT]
    least = min(heights, default=math.inf)
    return [item for item in fabrics if abs((item.height or 0.0) - least) < SAME_HEIGHT and item.colour == shop.panel.colour]


def _from(shop: Shop, item: StockItem, piece: float, panel: Panel) -> list[float]:
    """Return the price of a piece cut from a stock item, or nothing where it is too short."""
    price, fabric = item.price / item.pack, float(item.length or 0.0)
    if item.kind == "stock-panel":
        fabric += 2 * float(shop.panel.fabric_beyond_end_post)
        posts = max(0, panel.posts - (item.posts or 0))
        return [price + posts * _post_price(shop, item)] if piece <= fabric else []
    return [price * piece / fabric + panel.posts * _post_price(shop, item)] if piece <= fabric else []


def _post_price(shop: Shop, fabric: StockItem) -> float:
    prices = [
        item.price / item.pack
        for item in shop.stock.values()
        if item.basis == "loose-post"
        and (item.height is None or fabric.height is None or abs(item.height - fabric.height) < SAME_HEIGHT)
        and item.colour in ("", fabric.colour)
    ]
    return min(prices, default=0.0)
