"""A pack that would change what its document asks is refused, with file, line and what is allowed; so is a wrong confirmation."""

from __future__ import annotations

import tomllib

import pytest

from pipeline.errors import JobError, RulePackError
from pipeline.model.job import Confirmation
from pipeline.model.vocabulary import UNITS_OF, VOCABULARY
from pipeline.rule_files import checked_pack, confirmed

GOOD = """\
id = "our-city"
jurisdiction = "Our city"
document = "City code"
edition = "2024"
kind = "law"

[[limits]]
id = "height"
clause = "12.3(a)"
quantity = "barrier-height"
comparator = "min"
value = 48
unit = "in"
certainty = "read"

[[limits]]
id = "gap"
clause = "12.3(b)"
quantity = "gap-under"
comparator = "max"
value = 2
unit = "in"
certainty = "summary"
"""


def pack(text: str = GOOD):
    return checked_pack(tomllib.loads(text), file="our-city.rules.toml", text=text)


def refusal(old: str, new: str):
    """The reasons for which the pack is refused after one change."""
    assert old in GOOD
    with pytest.raises(RulePackError) as caught:
        pack(GOOD.replace(old, new, 1))
    return caught.value.reasons


def test_a_good_pack_is_read_with_its_own_units():
    height, gap = pack().limits
    assert (height.value, height.unit, height.clause) == (48, "in", "12.3(a)")
    assert height.metres == pytest.approx(1.2192, abs=1e-12)
    assert gap.certainty == "summary"


@pytest.mark.parametrize(
    ("old", "new", "ref", "line", "allowed"),
    [
        ('unit = "in"', 'unit = "lbf"', "wrong-unit", 13, "in or ft or mm or m"),
        ('unit = "in"', 'unit = "inches"', "bad-limit", 13, "in or ft or mm or m"),
        ('clause = "12.3(a)"\n', "", "bad-limit", 7, "clause"),
        ('clause = "12.3(a)"', 'clause = " "', "missing-clause", 9, "name the clause"),
        ('"barrier-height"', '"barrier-hieght"', "unknown-quantity", 10, "did you mean barrier-height"),
        ('comparator = "min"', 'comparator = "max"', "comparator-turned-round", 11, "takes min"),
        ('comparator = "max"', 'comparator = "min"', "comparator-turned-round", 20, "takes max or less-than"),
        ('comparator = "min"', 'comparator = "at least"', "bad-limit", 11, "takes min"),
        ("value = 48", "value = true", "wrong-value", 12, "plain number"),
        ("value = 48", 'value = "48"', "bad-limit", 12, "value"),
        ("value = 48", "value = -48", "wrong-value", 12, "larger than 0"),
        ("value = 48", "value = inf", "wrong-value", 12, "larger than 0"),
        ("value = 48", "value = nan", "wrong-value", 12, "larger than 0"),
        ('certainty = "read"', 'certainty = "sure"', "bad-limit", 14, "read, summary or memory"),
        ('certainty = "read"', 'certainty = "confirmed"', "confirmed-in-pack", 14, "confirmed.toml"),
        ('id = "gap"', 'id = "height"', "repeated-limit", 17, "id of its own"),
        ('clause = "12.3(a)"', 'clauses = "12.3(a)"', "bad-limit", 9, "clause"),
        ('kind = "law"', 'kind = "rumour"', "bad-pack", 5, "allowed keys"),
        ('edition = "2024"\n', "", "bad-pack", 1, "edition"),
        ('id = "our-city"', 'id = "../our city"', "bad-pack-id", 1, "small letters"),
    ],
)
def test_a_changed_pack_is_refused_with_file_line_and_what_is_allowed(old, new, ref, line, allowed):
    (reason,) = refusal(old, new)
    assert (ref, "our-city.rules.toml", line) == (reason.ref, reason.file, reason.line)
    assert allowed in reason.do


def test_all_faults_of_a_pack_are_gathered():
    text = GOOD.replace('unit = "in"', 'unit = "lbf"', 1).replace('comparator = "max"', 'comparator = "min"').replace('"summary"', '"sure"')
    with pytest.raises(RulePackError) as caught:
        pack(text)
    assert {"wrong-unit", "bad-limit"} == {reason.ref for reason in caught.value.reasons}


def test_a_pack_without_limits_is_refused():
    with pytest.raises(RulePackError, match="no \\[\\[limits\\]\\]"):
        pack(GOOD.split("[[limits]]")[0])


@pytest.mark.parametrize("quantity", sorted(VOCABULARY))
def test_every_quantity_refuses_each_comparator_that_is_not_its_own(quantity):
    """No quantity takes both senses but those whose clause sets both ends."""
    known = VOCABULARY[quantity]
    unit = UNITS_OF[known.dimension][0]
    value = "true" if known.dimension == "yes-no" else "1"
    for comparator in ("min", "max", "less-than", "must-not-pass", "required", "prohibited", "within"):
        text = GOOD.split("[[limits]]")[0] + (
            f'[[limits]]\nid = "a"\nclause = "1"\nquantity = "{quantity}"\ncomparator = "{comparator}"\nvalue = {value}\nunit = "{unit}"\n'
            'certainty = "read"\n'
        )
        if comparator in known.comparators:
            assert pack(text).limits[0].comparator == comparator
        else:
            with pytest.raises(RulePackError) as caught:
                pack(text)
            assert [(reason.line, reason.ref) for reason in caught.value.reasons] == [(11, "comparator-turned-round")]


def entry(**changes: str) -> Confirmation:
    given = {"pack": "our-city", "limit": "height", "clause": "12.3(a)", "value": "48 in", "who": "R. Alder", "when": "2026-11-20", "edition": "2024"}
    return Confirmation(**{**given, **changes})


@pytest.mark.parametrize("value", ["48 in", "4 ft", "1219.2 mm", " 48 in "])
def test_a_confirmation_of_the_same_value_raises_the_limit(value):
    (raised,) = confirmed((pack(),), [entry(value=value)])
    assert [limit.certainty for limit in raised.limits] == ["confirmed", "summary"]


@pytest.mark.parametrize(
    ("changes", "says"),
    [
        ({"value": "1219 mm"}, "48 in"),
        ({"value": "60 in"}, "48 in"),
        ({"value": "48"}, "48 in"),
        ({"value": "forty-eight"}, "48 in"),
        ({"clause": "12.4"}, "12.3(a)"),
        ({"edition": "2018"}, "2024"),
        ({"limit": "hieght"}, "no limit 'hieght'"),
    ],
)
def test_a_confirmation_that_differs_is_refused_and_says_from_what(changes, says):
    with pytest.raises(JobError) as caught:
        confirmed((pack(),), [entry(**changes)])
    assert says in caught.value.reasons[0].what
    assert caught.value.reasons[0].file == "confirmed.toml"


def test_a_confirmation_of_another_pack_changes_nothing():
    assert (pack(),) == confirmed((pack(),), [entry(pack="another")])
