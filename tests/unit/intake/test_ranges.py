"""Numbers that cannot be: every number of the default shop file below zero, not finite, or nothing where something is divided by it."""

import copy

import pytest

from pipeline.errors import JobError
from pipeline.intake.ranges import MAY_BE_COLD, MORE_THAN_NOTHING
from pipeline.intake.resolve import default_shop_table, resolve_options, resolve_shop
from pipeline.units import parse_angle, parse_length


def read(table):
    """Read a whole shop file's table, its job defaults too."""
    shop, defaults = resolve_shop(table)
    return shop, resolve_options(defaults, file="shop.toml")


def numbers(table, key=()):
    """Yield the path of every number, length and angle of a table."""
    for name, value in table.items() if isinstance(table, dict) else enumerate(table):
        if isinstance(value, dict | list):
            yield from numbers(value, (*key, name))
        elif _sort(value):
            yield (*key, name), _sort(value)


def _sort(value):
    if isinstance(value, bool):
        return ""
    if isinstance(value, float | int):
        return "whole" if isinstance(value, int) else "number"
    for sort, parse in (("length", parse_length), ("angle", parse_angle)):
        try:
            parse(value)
        except ValueError:
            continue
        return sort
    return ""


def _named(path):
    return [step for step in path if isinstance(step, str) and step != "defaults"]


def _with(path, value):
    table = copy.deepcopy(default_shop_table())
    place = table
    for step in path[:-1]:
        place = place[step]
    place[path[-1]] = value
    return table


NUMBERS = dict(numbers(default_shop_table()))
WRITTEN = {"length": "{} mm", "angle": "{} sec"}


def _written(sort, number):
    return WRITTEN[sort].format(number) if sort in WRITTEN else float(number) if sort == "number" else int(number)


def _told(table):
    with pytest.raises(JobError) as held:
        read(table)
    return {reason.what for reason in held.value.reasons}


def test_the_default_shop_is_within_range():
    read(default_shop_table())
    assert len(NUMBERS) > 150


@pytest.mark.parametrize("path", NUMBERS, ids=lambda path: ".".join(map(str, path)))
def test_no_number_is_below_zero(path):
    (told,) = _told(_with(path, _written(NUMBERS[path], -1)))
    key = ".".join(_named(path))
    if NUMBERS[path] == "angle":  # none is read with a sign
        assert told.startswith(f"`{key.removesuffix('.lean')}") and "'-1 sec' is not an angle" in told
    else:
        assert told == f"`{key}` is below zero"


def test_what_something_is_made_of_is_more_than_nothing():
    tried = set()
    for path, sort in NUMBERS.items():
        names = _named(path)
        plain = f"{names[0]}.{names[-1]}"
        if plain in MORE_THAN_NOTHING:
            tried.add(plain)
            for nothing in {"length": ("0", "-0", "0.0000001"), "angle": ("0", "0.01")}.get(sort, ("0", "-0")):
                assert _told(_with(path, _written(sort, nothing))) == {f"`{'.'.join(names)}` is 0, or as good as 0"}
        elif sort == "length":
            read(_with(path, _written(sort, "-0")))
    assert tried == MORE_THAN_NOTHING - {"survey.pressure"}


@pytest.mark.parametrize("value", [float("inf"), float("-inf"), float("nan")])
def test_a_number_is_finite(value):
    for path, sort in NUMBERS.items():
        if sort == "number":
            assert _told(_with(path, value)) == {f"`{'.'.join(_named(path))}` is no finite number"}


def test_it_may_freeze_and_every_fault_is_told_with_its_line():
    assert {"survey.temperature"} == MAY_BE_COLD
    cold = {"survey": {"temperature": -12.0, "pressure": 0.0}, "fence": {"height": "-48 in"}}
    text = 'title = "x"\n[survey]\ntemperature = -12.0\npressure = 0.0\n[fence]\nheight = "-48 in"\n'
    with pytest.raises(JobError) as held:
        resolve_options(resolve_shop()[1], cold, text=text)
    told = [(reason.file, reason.line, reason.what, reason.do) for reason in held.value.reasons]
    assert told == [
        ("job.toml", 4, "`survey.pressure` is 0, or as good as 0", "write more than 0"),
        ("job.toml", 6, "`fence.height` is below zero", "write at least 0.001 mm"),
    ]
