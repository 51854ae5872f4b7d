"""A shop file that could not be counted with is refused, with every value named."""

from __future__ import annotations

import msgspec
import pytest

from pipeline.errors import JobError
from pipeline.fabrication.fabricate import fabricate
from pipeline.fabrication.stock_check import check_stock
from pipeline.units import Length
from tests.unit.fabrication.made_nights import shop_job
from tests.unit.fabrication.straight_fences import straight_fence


def spoilt(item: str, **values: object):
    shop = shop_job().shop
    return msgspec.structs.replace(shop, stock={**shop.stock, item: msgspec.structs.replace(shop.stock[item], **values)})


def faults_of(shop) -> list[str]:
    with pytest.raises(JobError) as fault:
        check_stock(shop)
    assert all(reason.do and reason.file == "shop.toml" for reason in fault.value.reasons)
    return [reason.what for reason in fault.value.reasons]


def test_the_default_shop_is_in_order():
    check_stock(shop_job().shop)


@pytest.mark.parametrize(
    ("item", "values", "said"),
    [
        ("latch", {"pack": 0.0}, "[stock.latch] pack is 0"),
        ("latch", {"price": -1.0}, "[stock.latch] price, per"),
        ("roll-48", {"length": None}, "[stock.roll-48] height or length"),
        ("panel-4-48", {"posts": 1}, "[stock.panel-4-48] posts is 1"),
        ("epoxy", {"volume": None}, "[stock.epoxy] volume"),
        ("epoxy", {"working_time": 0.0}, "[stock.epoxy] volume"),
    ],
)
def test_each_item_is_looked_at(item, values, said):
    assert [what.startswith(said) for what in faults_of(spoilt(item, **values))] == [True]


def test_left_overs_worth_more_than_new_fabric_are_refused():
    shop = shop_job().shop
    panel = msgspec.structs.replace(shop.panel, offcut_value=1.2, cut_step=Length(0.0))
    assert len(faults_of(msgspec.structs.replace(shop, panel=panel))) == 2


def test_the_job_is_held_for_it():
    job = msgspec.structs.replace(shop_job(), shop=spoilt("latch", pack=0.0))
    with pytest.raises(JobError):
        fabricate(job, straight_fence([("stock", [36.0] * 3)]))
