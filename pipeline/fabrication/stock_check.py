"""Whether the shop file's stock can be counted, cut and priced at all."""

from __future__ import annotations

from collections.abc import Iterator

from pipeline.errors import JobError, Reason
from pipeline.model.shop import Shop, StockItem

LEAST_POSTS = 2  # on a stock panel: one at each end


def check_stock(shop: Shop) -> None:
    """Raise JobError with every value of the shop file that stands in the way of cutting and ordering."""
    faults = [
        Reason(ref="shop-value", what=what, why="nothing could be counted, cut or priced with it", file="shop.toml", do=do)
        for what, do in _faults(shop)
    ]
    if faults:
        raise JobError(faults)


def _faults(shop: Shop) -> Iterator[tuple[str, str]]:
    panel = shop.panel
    for name, value in (("cut_step", panel.cut_step), ("screw_pitch", panel.screw_pitch), ("post_spacing", panel.post_spacing)):
        if value <= 0:
            yield f"[panel] {name} is not more than 0", "write a length such as the default shop file's"
    if not 0 <= panel.offcut_value < 1:
        yield f"[panel] offcut_value is {panel.offcut_value:g}", "write a part of the price of new fabric, 0 or more and less than 1"
    if shop.sleeve.setting_time <= 0:
        yield "[sleeve] setting_time is not more than 0", "write the minutes it takes to set one sleeve"
    if shop.sleeve.outside >= shop.sleeve.bore:
        yield "[sleeve] outside is not less than bore", "a sleeve has to go into its hole with room for epoxy"
    for name, item in shop.stock.items():
        for what, do in _faults_of(item):
            yield f"[stock.{name}] {what}", do


def _faults_of(item: StockItem) -> Iterator[tuple[str, str]]:
    if item.pack <= 0:
        yield f"pack is {item.pack:g}", "write how many units a pack holds, more than 0"
    if min(item.price, item.per, item.per_reinforced or 0.0, item.spare, item.kerf or 0.0, item.usable_offcut or 0.0) < 0:
        yield "price, per, per_reinforced, spare, kerf or usable_offcut is less than 0", "write 0 or more"
    if item.kind in ("stock-panel", "roll") and ((item.height or 0.0) <= 0 or (item.length or 0.0) <= 0):
        yield "height or length is missing or not more than 0", "write both, fabric is cut from it"
    if item.kind == "stock-panel" and (item.posts or 0) < LEAST_POSTS:
        yield f"posts is {item.posts}", f"a stock panel has at least {LEAST_POSTS} posts"
    if item.basis == "epoxy" and ((item.volume or 0.0) <= 0 or (item.working_time is not None and item.working_time <= 0)):
        yield "volume or working_time is missing or not more than 0", "write the millilitres of one unit, and its working time in minutes"
