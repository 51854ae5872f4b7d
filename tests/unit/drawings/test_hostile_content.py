"""Content no one should write, and content that is missing: the sheets still stand, without overlap, inside their margins."""

from __future__ import annotations

import msgspec
import pytest

from pipeline.drawings.booklets import draw
from pipeline.drawings.paper import MARGIN
from tests.made_layouts import made_fabrication, made_layout, made_survey
from tests.unit.drawings.cases import REVISION, Case, case, rounded
from tests.unit.drawings.reading import MM, outside, overlapping, pages_of, texts

replace = msgspec.structs.replace


def titled(title: str) -> Case:
    it = case("sixty")
    return replace(it, job=replace(it.job, options=replace(it.job.options, title=title)))


def without_marks_and_levels() -> Case:
    it = case("sixty")
    holes = tuple(replace(hole, ties=(), elev=None, tie_sigma=None) for hole in it.layout.holes)
    return replace(it, site=replace(it.site, marks=()), layout=replace(it.layout, holes=holes))


def without_gate() -> Case:
    it = case("sixty")
    layout = made_layout(it.site, rounded(18, 9, 0.762), gate_after=None)
    return replace(it, layout=layout, fabrication=made_fabrication(layout))


def one_panel() -> Case:
    it = case("sixty")
    holes = [replace(hole, role="inner") for hole in it.layout.holes[:6]]
    holes[0], holes[-1] = replace(holes[0], role="end"), replace(holes[-1], role="end", to_next=None)
    layout = replace(it.layout, holes=tuple(holes), panels=it.layout.panels[:1], joints=(), gates=(), closed=False, check_distances=())
    return replace(it, layout=layout, fabrication=made_fabrication(layout), compliance=replace(it.compliance, checks=()))


def without_checks() -> Case:
    it = case("sixty")
    return replace(it, compliance=replace(it.compliance, checks=(), cautions=(), not_applicable=()))


def long_checks() -> Case:
    it = case("sixty")
    checks = tuple(
        replace(check, name=f"C{number:03d}", paraphrase="word " * 2000, where="unbreakable" * 200, clause="R4101.17.1.15(3)(b)(ii)(alpha)")
        for number, check in enumerate(it.compliance.checks * 6)
    )
    return replace(it, compliance=replace(it.compliance, checks=checks))


MADE = {
    "a title of 600 letters": lambda: titled("x" * 300 + " " + "word " * 60),
    "controls, codes of CAD and markup": lambda: titled("a\nb\tc\x00\x07 {\\fArial;x} %%c \\P <para> &nbsp; ﷽"),
    "no marks, no levels": without_marks_and_levels,
    "no gate": without_gate,
    "one panel": one_panel,
    "no checks": without_checks,
    "endless checks": long_checks,
}


@pytest.mark.parametrize("name", sorted(MADE))
def test_sheets_stand(name):
    it = MADE[name]()
    drawn = draw(it.job, made_survey(it.site, it.layout), it.site, it.layout, it.fabrication, it.compliance, REVISION)
    for booklet in ("crew.pdf", "shop.pdf", "inspection.pdf"):
        for page in pages_of(drawn.files[booklet]):
            found = texts(page)
            assert overlapping(found) == [], f"{booklet}, page {page.number + 1}"
            assert outside(found, page.rect.width * MM, page.rect.height * MM, MARGIN - 4.0) == [], f"{booklet}, page {page.number + 1}"
