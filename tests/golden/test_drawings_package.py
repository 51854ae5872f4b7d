"""One small job's tables, thumbnail and plan, as they were when a person last looked at them.

To renew after a wanted change: ``python -m tests.golden.test_drawings_package`` and look at what changed.
"""

from __future__ import annotations

import io
from pathlib import Path

import ezdxf
import pytest

from pipeline.package import tables
from tests.unit.drawings.cases import case, drawn

HERE = Path(__file__).parent


def census(content: bytes) -> str:
    """The plan's entities by sheet, kind and layer: what is drawn, without the bytes of one version of a library."""
    document = ezdxf.read(io.StringIO(content.decode()))
    counts: dict[tuple[str, str, str], int] = {}
    for layout in document.layouts:
        for entity in layout:
            key = (layout.name, entity.dxftype(), entity.dxf.layer)
            counts[key] = counts.get(key, 0) + 1
    return "".join(f"{' '.join(key)} {count}\n" for key, count in sorted(counts.items()))


def made() -> dict[str, str]:
    it = case("spa")
    return {
        "package_spa_holes.csv": tables.holes_csv(it.layout).decode(),
        "package_spa_panels.csv": tables.panels_csv(it.layout, it.fabrication).decode(),
        "drawings_spa_plan.svg": drawn("spa").picture,
        "drawings_spa_plan.txt": census(drawn("spa").files["plan.dxf"]),
    }


@pytest.mark.parametrize("name", ["package_spa_holes.csv", "package_spa_panels.csv", "drawings_spa_plan.svg", "drawings_spa_plan.txt"])
def test_as_it_was(name):
    assert made()[name] == (HERE / name).read_text(encoding="utf-8")


if __name__ == "__main__":
    for file, content in made().items():
        (HERE / file).write_text(content, encoding="utf-8")
