"""One small site, its fitted edge written down: a change of the fit shows here first, and has to be meant."""

from __future__ import annotations

from pathlib import Path

from pipeline.edge.site import fit_site
from pipeline.intake.resolve import default_job
from tests.unit.edge.test_steps_and_lines import watered

GOLDEN = Path(__file__).with_name("edge_site.txt")


def written(site) -> str:
    """The site in millimetres and microradians: digits that no library version moves."""
    rows = []
    for water in site.waters:
        for vertex, bulge in zip(water.chain.vertices, water.chain.bulges, strict=True):
            rows.append(f"{vertex[0]:10.4f} {vertex[1]:10.4f} {bulge:9.5f}")
        rows.append(f"sigma0 {water.sigma0:.5f} largest sigma {max(water.sigma_normals):.5f}")
        rows += water.notes
        rows += [f"{row.point} {row.station:9.4f} {row.offset:8.4f}" for row in water.residuals]
    for patch in site.levels.patches:
        rows.append("level " + " ".join(f"{value:.4f}" for value in patch.coefficients) + f" sigma {patch.sigma:.4f}")
    return "\n".join(rows) + "\n"


def test_the_edge_as_it_was():
    assert GOLDEN.read_text() == written(fit_site(default_job(), watered(spacing=24).survey()))
