import io
import math

import ezdxf
import msgspec
import pytest

from pipeline.errors import SurveyError
from pipeline.intake.resolve import default_job, default_limits
from pipeline.survey.answer import answer
from pipeline.survey.codes import code_table
from pipeline.survey.dxf_files import read_dxf

TABLE = code_table({"EW": "WATER"})


def with_points(most):
    return msgspec.structs.replace(default_limits(), points=most)


def read(draw, units=6, unit="foot", most=10_000):
    document = ezdxf.new("R2010", units=units)
    draw(document.modelspace())
    out = io.StringIO()
    document.write(out)
    return read_dxf(out.getvalue().encode(), "p.dxf", unit, TABLE, with_points(most))


def on(layer):
    return {"layer": layer}


def test_points_on_layers_named_as_codes():
    page = read(
        lambda s: [
            s.add_point((1, 2, 3), dxfattribs=on("MARK")),
            s.add_point((4, 5), dxfattribs=on("SPOT")),
            s.add_point((0, 0), dxfattribs=on("HATCHING")),
        ]
    )
    assert [(p.point, p.east, p.north, p.elev, p.description) for p in page.points] == [("MARK-P1", 1, 2, 3, "MARK"), ("SPOT-P1", 4, 5, None, "SPOT")]


def test_the_drawings_unit_goes_before_the_jobs_and_the_jobs_where_it_states_none():
    assert read(lambda s: s.add_point((1, 2), dxfattribs=on("MARK"))).stated_unit == "metre"
    assert read(lambda s: s.add_point((1, 2), dxfattribs=on("MARK")), units=4).points[0].east == pytest.approx(0.001)
    assert read(lambda s: s.add_point((1, 2), dxfattribs=on("MARK")), units=0).points[0].east == pytest.approx(0.3048)


def test_a_round_end_of_a_polyline_lies_on_its_circle():
    page = read(lambda s: s.add_lwpolyline([(0, -2, 0), (8, -2, 1), (8, 2, 0), (0, 2, 1)], format="xyb", close=True, dxfattribs=on("EW")))
    for point in page.points:
        if point.east > 8 or point.east < 0:
            assert math.dist((point.east, point.north), (8 if point.east > 8 else 0, 0)) == pytest.approx(2, abs=1e-9)
    words = [set(point.description.split()[1:]) for point in page.points]
    assert sum("PC" in own for own in words) == sum("PT" in own for own in words) == 2
    assert "C" in words[-1] and "B" in words[0]


def test_lines_and_arcs_end_to_end_are_one_line():
    def draw(space):
        space.add_line((0, 0), (4, 0), dxfattribs=on("DECK"))
        space.add_arc((4, 1), 1, -90, 90, dxfattribs=on("DECK"))
        space.add_line((0, 2), (4, 2), dxfattribs=on("DECK"))
        space.add_line((0, 2), (0, 0), dxfattribs=on("DECK"))
        space.add_line((20, 0), (21, 0), dxfattribs=on("WALL"))
        space.add_line((20, 5), (21, 5), dxfattribs=on("WALL"))

    page = read(draw)
    assert {p.description.split()[0] for p in page.points} == {"DECK", "WALL1", "WALL2"}
    deck = [p for p in page.points if p.description.startswith("DECK")]
    assert deck[-1].description.endswith("C")
    assert len({(round(p.east, 6), round(p.north, 6)) for p in deck}) == len(deck)
    assert all(math.dist((p.east, p.north), (4, 1)) == pytest.approx(1) for p in deck if p.east > 4)


def test_what_is_not_read_is_named():
    page = read(lambda s: [s.add_text("x", dxfattribs=on("WATER")), s.add_circle((1, 1), 0.5, dxfattribs=on("OBJECT"))])
    assert page.warnings[0].ref == "entities-not-read" and "1 TEXT on WATER" in page.warnings[0].what
    assert all(math.dist((p.east, p.north), (1, 1)) == pytest.approx(0.5) for p in page.points)


def test_damaged_and_hostile_drawings_are_refused():
    for content in (b"0\nSECTION\n2\nENTITIES\n0\nLINE\n8\nWATER\n10\nx", b"AutoCAD Binary DXF\r\n\x1a\x00" + b"\x01" * 200, b"\x00" * 100):
        try:
            page = read_dxf(content, "p.dxf", "metre", TABLE, with_points(100))
        except SurveyError:
            continue
        assert not page.points
    with pytest.raises(SurveyError, match="lies at no place"):
        read(lambda s: s.add_line((0, 0), (1e15, 0), dxfattribs=on("WATER")))
    with pytest.raises(SurveyError, match="limit is"):
        read(lambda s: [s.add_circle((n, 0), 400, dxfattribs=on("OBJECT")) for n in range(5)], most=100)


def test_drawings_too_large_for_a_pool_are_refused():
    with pytest.raises(SurveyError, match="2,100 lines and arcs on the layer DECK"):
        read(lambda s: [s.add_line((n, 0), (n + 0.5, 0), dxfattribs=on("DECK")) for n in range(2100)])
    with pytest.raises(SurveyError, match="the limit is 10,000,000"):
        read_dxf(b"0\nSECTION\n" * 1_100_000, "p.dxf", "metre", TABLE, with_points(100))


def test_an_old_polyline_is_read_like_a_light_one():
    """POLYLINE with VERTEX entities, as drawings before 2000 and many survey programs write them; in space with its heights."""
    pages = []
    for old in (False, True):
        document = ezdxf.new("R2000", units=6)
        corners = [(0, 0, 0.0), (8, 0, 0.5), (8, 4, 0.0), (0, 4, 0.0)]
        if old:
            document.modelspace().add_polyline2d(corners, format="xyb", close=True, dxfattribs={"layer": "WATER"})
        else:
            document.modelspace().add_lwpolyline(corners, format="xyb", close=True, dxfattribs={"layer": "WATER"})
        pages.append(read_dxf(written(document), "p.dxf", "metre", {}, with_points(1000)))
    assert pages[0].points == pages[1].points and pages[1].warnings == ()
    document = ezdxf.new("R2000", units=6)
    document.modelspace().add_polyline3d([(0, 0, 1.0), (0.5, 0, 1.2)], dxfattribs={"layer": "WALL"})
    assert [point.elev for point in read_dxf(written(document), "p.dxf", "metre", {}, with_points(1000)).points] == [1.0, 1.2]


def test_a_drawing_with_nothing_but_what_is_not_read_says_so():
    document = ezdxf.new("R2000", units=6)
    document.modelspace().add_spline([(0, 0, 0), (1, 1, 0), (2, 0, 0)], dxfattribs={"layer": "WATER"})
    (hold,) = answer(default_job("drawn"), {"p.dxf": written(document)}).holds
    assert hold.ref == "no-points" and "1 SPLINE on WATER" in hold.why


def written(document) -> bytes:
    out = io.StringIO()
    document.write(out)
    return out.getvalue().encode()


def test_numbers_that_are_none_are_refused_and_not_guessed(caplog, capsys):
    """A reader that mends files makes 8 of "8;0"; a drawing with decimal commas would lose all that stands behind them."""
    document = ezdxf.new("R2000", units=6)
    document.modelspace().add_line((0.25, 0.5), (8.75, 0.5), dxfattribs={"layer": "WATER"})
    content = written(document).replace(b"8.75", b"8,75")
    with pytest.raises(SurveyError) as refused:
        read_dxf(content, "p.dxf", "metre", {}, with_points(1000))
    assert refused.value.reasons[0].ref == "damaged-drawing" and "'8,75'" in refused.value.reasons[0].what
    assert caplog.records == [] and capsys.readouterr().err == ""


def test_an_entity_of_a_damaged_kind_is_a_reason_and_no_traceback():
    document = ezdxf.new("R2000", units=6)
    document.modelspace().add_point((1, 2, 3), dxfattribs={"layer": "MARK"})
    content = written(document).replace(b"\nPOINT\n", b"\nPO-INT\n")
    try:
        page = read_dxf(content, "p.dxf", "metre", {}, with_points(1000))
    except SurveyError as fault:
        assert fault.reasons[0].ref == "not-dxf"
    else:
        assert page.points == ()
