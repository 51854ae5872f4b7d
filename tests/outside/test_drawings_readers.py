"""Sheets and plan read by programs and norms that are none of ours."""

from __future__ import annotations

import io
import json
import os
import re
import shutil
import subprocess

import msgspec
import numpy as np
import pypdf
import pytest

from pipeline.drawings.booklets import draw
from pipeline.drawings.paper import INCH_SCALES, METRIC_SCALES, SIZES
from pipeline.model.fabrication import Label
from tests.made_layouts import made_survey
from tests.unit.drawings.cases import REVISION, TITLE, case, drawn


@pytest.mark.outside(source="poppler, pdftotext", compares="hole numbers and panels read from crew.pdf", tolerance="all of them")
def test_poppler_reads_every_hole_number(tmp_path):
    reader = shutil.which("pdftotext")
    if reader is None:
        pytest.skip("pdftotext is not installed here")
    (tmp_path / "crew.pdf").write_bytes(drawn("sixty").files["crew.pdf"])
    text = subprocess.run([reader, "-layout", str(tmp_path / "crew.pdf"), "-"], capture_output=True, text=True, check=True).stdout
    layout = case("sixty").layout
    for hole in layout.holes:
        assert len(re.findall(rf"\b{hole.name}\b", text)) >= 3, hole.name
    assert all(re.search(rf"\b{panel.name}\b", text) for panel in layout.panels)


@pytest.mark.outside(source="poppler, pdffonts", compares="fonts of every booklet embedded, with a map to letters", tolerance="all of them")
def test_poppler_finds_every_font_embedded(tmp_path):
    reader = shutil.which("pdffonts")
    if reader is None:
        pytest.skip("pdffonts is not installed here")
    for name, content in drawn("rectangle").files.items():
        if name.endswith(".pdf"):
            (tmp_path / name).write_bytes(content)
            rows = subprocess.run([reader, str(tmp_path / name)], capture_output=True, text=True, check=True).stdout.splitlines()[2:]
            assert rows
            assert all(re.search(r"\byes +yes +yes\b", row) for row in rows), rows


@pytest.mark.outside(source="pypdf", compares="title, page count, outline and text of crew.pdf", tolerance="equal")
def test_pypdf_reads_title_pages_and_outline():
    reader = pypdf.PdfReader(io.BytesIO(drawn("rectangle").files["crew.pdf"]), strict=True)
    assert reader.metadata is not None
    assert reader.metadata.title == f"{TITLE}: crew, revision 3"
    assert f"page 1 of {len(reader.pages)}" in reader.pages[0].extract_text()
    titles = [entry.title for entry in reader.outline]
    assert titles[:3] == ["Cautions, tools, material", "Plan", "Setting out"]
    assert titles[-1] == "Hand-over"


@pytest.mark.outside(source="GDAL, ogrinfo (what QGIS reads DXF with)", compares="holes, layers and water of plan.dxf", tolerance="0.1 mm")
def test_gdal_reads_the_plan(tmp_path):
    reader = shutil.which("ogr2ogr")
    if reader is None:
        pytest.skip("GDAL is not installed here")
    (tmp_path / "plan.dxf").write_bytes(drawn("walls").files["plan.dxf"])
    subprocess.run(
        [reader, "-f", "GeoJSON", "--config", "DXF_INLINE_BLOCKS", "FALSE", str(tmp_path / "plan.json"), str(tmp_path / "plan.dxf"), "entities"],
        check=True,
        capture_output=True,
    )
    features = json.loads((tmp_path / "plan.json").read_text())["features"]
    layers = {feature["properties"]["Layer"] for feature in features}
    assert {"WATER", "DECK", "PANEL", "HOLE", "HOLE-NUMBER", "MARK", "DIMENSION"} <= layers
    holes = sorted(
        tuple(feature["geometry"]["coordinates"][:2])
        for feature in features
        if feature["properties"]["Layer"] == "HOLE" and feature["geometry"]["type"] == "Point"
    )
    expected = sorted((hole.east * 1000, hole.north * 1000) for hole in case("walls").layout.holes)
    assert len(holes) == len(expected)
    for found, wanted in zip(holes, expected, strict=True):
        assert found == pytest.approx(wanted, abs=0.1)


@pytest.mark.outside(
    source="LibreCAD 2.2, dxf2pdf", compares="plan.dxf as it draws it: sheets beside the plan, none on it", tolerance="nothing in between"
)
def test_librecad_draws_the_plan_with_the_sheets_beside_it(tmp_path):
    """It lays paper space over model space: what it draws left of the first sheet is the plan alone, and nothing stands in between."""
    import ezdxf
    import pymupdf

    reader = shutil.which("librecad")
    if reader is None:
        pytest.skip("LibreCAD is not installed here")
    (tmp_path / "plan.dxf").write_bytes(drawn("sixty").files["plan.dxf"])
    environment = {**os.environ, "QT_QPA_PLATFORM": "offscreen", "HOME": str(tmp_path), "XDG_RUNTIME_DIR": str(tmp_path)}
    subprocess.run([reader, "dxf2pdf", "-a", "plan.dxf"], cwd=tmp_path, env=environment, check=True, capture_output=True, timeout=120)
    document = ezdxf.readfile(tmp_path / "plan.dxf")
    points = [point[0] for line in document.modelspace().query("LWPOLYLINE") for point in line.get_points("xy")]
    sheets = [layout.dxf_layout.dxf for layout in document.layouts if layout.name not in ("Model", "Layout1")]
    between = min(sheet.limmin[0] for sheet in sheets) - max(points)
    whole = max(sheet.limmax[0] for sheet in sheets) - min(points)
    (page,) = pymupdf.open(tmp_path / "plan.pdf")
    spans = sorted((drawing["rect"].x0, drawing["rect"].x1) for drawing in page.get_drawings())
    assert len(spans) > 300
    widest, reach = 0.0, spans[0][1]
    for left, right in spans:
        widest, reach = max(widest, left - reach), max(reach, right)
    assert widest / (reach - spans[0][0]) > 0.5 * between / whole


@pytest.mark.outside(source="ZXing, the reader of codes", compares="code blocks of the labels on shop.pdf", tolerance="equal")
def test_zxing_reads_the_code_on_every_label():
    import pymupdf
    import zxingcpp

    labels = tuple(
        Label(panel=panel.name, lines=("Made", panel.name, "holes"), code=f"made|{panel.name}|{panel.length * 1000:.1f}")
        for panel in case("sixty").layout.panels
    )
    it = msgspec.structs.replace(case("sixty"), fabrication=msgspec.structs.replace(case("sixty").fabrication, labels=labels))
    content = draw(it.job, made_survey(it.site, it.layout), it.site, it.layout, it.fabrication, it.compliance, REVISION).files["shop.pdf"]
    read = set()
    for page in pymupdf.open(stream=content, filetype="pdf"):
        picture = page.get_pixmap(dpi=150, colorspace=pymupdf.csGRAY)
        array = np.frombuffer(picture.samples, dtype=np.uint8).reshape(picture.height, picture.stride)[:, : picture.width]
        read |= {found.text for found in zxingcpp.read_barcodes(np.ascontiguousarray(array))}
    assert read == {label.code for label in labels}


@pytest.mark.outside(source="ISO 216 and ANSI/ASME Y14.1 (from memory)", compares="paper sizes", tolerance="exact")
def test_paper_sizes():
    assert SIZES["a4"] == (210.0, 297.0)
    assert SIZES["letter"] == pytest.approx((8.5 * 25.4, 11 * 25.4))


@pytest.mark.outside(source="ISO 5455 recommended reductions (from memory)", compares="metric scales 1:2 to 1:5000", tolerance="all there")
def test_the_recommended_metric_scales_are_all_there():
    recommended = {2, 5, 10, 20, 50, 100, 200, 500, 1000, 2000, 5000}
    assert recommended <= {scale.ratio for scale in METRIC_SCALES}


@pytest.mark.outside(source="architects' and engineers' scales (common practice, no source)", compares="inch scales", tolerance="all there")
def test_the_usual_inch_scales_are_all_there():
    assert {4, 8, 12, 16, 24, 32, 48, 64, 96, 128, 192, 240, 384, 600} <= {scale.ratio for scale in INCH_SCALES}
