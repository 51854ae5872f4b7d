"""What is cut already: kept where the new mark lies on the piece, counted where it does not, never cut twice."""

from pipeline.fabrication.fabricate import fabricate
from pipeline.intake.resolve import default_job
from pipeline.model.drilling import CutAlready
from pipeline.package.tables import cuts_csv
from pipeline.units import INCH
from tests.unit.fabrication.straight_fences import straight_fence

JOB = default_job("heron")
EXTRA, BEYOND = JOB.shop.panel.custom_extra, JOB.shop.panel.fabric_beyond_end_post


def made(spacing: float, cut: float | None = None):
    layout = straight_fence([("custom", [28.0, 28.0 + spacing]), ("stock", [36.0] * 4), ("custom", [30.0, 30.0])])
    return fabricate(JOB, layout, (CutAlready(panel="P01", length=cut * INCH, row=2),) if cut else ())


def drawing(fabrication, panel="P01"):
    return next(one for one in fabrication.panels if one.panel == panel)


def test_all_pieces_cut_as_planned_cost_and_use_what_the_plan_did():
    plan, cut = made(0.0), made(0.0, 56.0)
    assert cut.order == plan.order
    assert [(ticket.source, ticket.left_over) for ticket in cut.tickets] == [(ticket.source, ticket.left_over) for ticket in plan.tickets]
    assert [one.panel for one in cut.cuts if one.done] == ["P01"]
    assert b"P01" not in cuts_csv(cut)
    assert b"P03" in cuts_csv(cut)


def test_a_piece_is_kept_as_long_as_its_end_post_has_its_fabric():
    most = (EXTRA - BEYOND) / INCH
    for spacing, kept in ((-2.0, True), (0.0, True), (most - 0.05, True), (most + 0.05, False)):
        fabrication = made(spacing, 56.0)
        assert (drawing(fabrication).cut_for is not None) == kept, spacing
        assert bool(fabrication.warnings) != kept
    kept = drawing(made(1.0, 56.0))
    assert kept.cut == drawing(made(0.0)).cut
    assert kept.mark / INCH == 57.0
    assert "cut already" in kept.recipe[0]


def test_a_piece_that_serves_no_more_is_said_and_its_fabric_counts_as_used():
    fabrication, plan = made(6.0, 56.0), made(6.0)
    (warning,) = fabrication.warnings
    assert (warning.ref, warning.line) == ("cut-in-vain", 2)
    assert "P01 is cut already for" in warning.what
    assert [one.panel for one in fabrication.cuts if one.done] == ["P01 as cut"]
    assert sum(one.end - one.start for one in fabrication.cuts) > sum(one.end - one.start for one in plan.cuts) + 56 * INCH
    assert drawing(fabrication).recipe == () or "Take" in drawing(fabrication).recipe[0]


def test_a_piece_of_a_panel_that_hangs_as_stock_goes_to_the_shelf():
    layout = straight_fence([("stock", [36.0] * 4)])
    fabrication = fabricate(JOB, layout, (CutAlready(panel="P01", length=140 * INCH, row=3),))
    assert "hangs as a stock panel" in fabrication.warnings[0].what
