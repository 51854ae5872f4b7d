"""From job.toml over shop.toml over the default to one record; every fault with its line and what to do."""

from __future__ import annotations

import pytest

from pipeline.errors import JobError, SleevelineError
from pipeline.intake.job_folder import job_of, returned_of
from pipeline.intake.office import read_office
from pipeline.intake.resolve import default_limits, resolve_options, resolve_shop
from pipeline.units import INCH

POINTS = {"points.csv": b"P,N,E,Z,D\n"}


@pytest.fixture(scope="module")
def office(tmp_path_factory):
    return read_office(tmp_path_factory.mktemp("queue"))


def _held(toml: str, office, files=POINTS):
    with pytest.raises(JobError) as held:
        job_of("job", {**files, "job.toml": toml.encode()}, office)
    return held.value.reasons[0]


def test_a_job_without_a_file_of_its_own_takes_the_shops_defaults(office):
    job = job_of("job", POINTS, office)
    assert (job.options.fence.height, job.options.rules) == (pytest.approx(48 * INCH), ("us-ispsc-2021",))
    assert [file.name for file in job.survey_files] == ["points.csv"]


def test_job_lies_over_shop_lies_over_default(tmp_path):
    (tmp_path / "shop.toml").write_text('[defaults.fence]\nheight = "60 in"\nsetback = "36 in"\n[codes]\nEW = "DECK"\n[panel]\njoint = "4 in"\n')
    job = job_of("job", {**POINTS, "job.toml": b'due = 2026-12-04\n[fence]\nsetback = "40 in"\n'}, read_office(tmp_path))
    assert job.options.fence.height == pytest.approx(60 * INCH)
    assert job.options.fence.setback == pytest.approx(40 * INCH)
    assert job.shop.codes["EW"] == "DECK"
    assert job.shop.codes["POOL"] == "WATER"
    assert job.shop.panel.joint == pytest.approx(4 * INCH)
    assert job.options.due == "2026-12-04"
    assert [file.name for file in job.inputs] == ["job.toml", "points.csv", "shop.toml"]


@pytest.mark.parametrize(
    ("toml", "ref", "line", "told"),
    [
        ('[fence]\nhieght = "48 in"', "unknown-key", 2, "did you mean `height`"),
        ("[fence]\nheight = 48", "bad-value", 2, "has no unit"),
        ('[fence]\nheight = "48"', "bad-value", 2, "not a length with its unit"),
        ('[fence]\nheight = "1e999 m"', "bad-value", 2, ""),
        ('[fence]\nheight = "nan mm"', "bad-value", 2, ""),
        ('[fence]\nheight = "1e308 m"', "bad-value", 2, "beyond 100 km"),
        ('[fence]\nheight = "-1e300 mm"', "bad-value", 2, "beyond 100 km"),
        ("title = 3", "bad-value", 1, "title"),
        ("[fence\nx=1", "not-toml", 1, "line 1"),
        ('title = "a"\ntitle = "b"\n[fence]\n', "not-toml", 2, ""),
        ("rules = []", "no-rule-pack", None, ""),
        ('rules = ["us-ispsc-2020"]', "unknown-rule-pack", None, "us-ispsc-2021"),
        ('[survey]\nunit = "feet"', "bad-value", 2, "unit"),
        ('[survey]\nfiles = ["../other/points.csv"]', "survey-file-missing", None, "points.csv"),
        ('[survey]\nfiles = ["/etc/passwd"]', "survey-file-missing", None, "points.csv"),
        ('[survey]\nfiles = ["point.csv"]', "survey-file-missing", None, "did you mean 'points.csv'"),
        ('[survey]\nfiles = ["job.toml"]', "survey-file-missing", None, ""),
        ("[[gate]]\nnear = '1'\n" * 21, "too-many-gates", None, "gates under [limits]"),
        ("[[gate]]\nnear = '1'\n" * 10**5, "too-many-gates", None, "gates under [limits]"),
        ("a" + ".a" * 2000 + " = 1", "toml-depth", None, "30 levels"),
        ("a = " + "[" * 5000 + "]" * 5000, "toml-depth", None, ""),
    ],
)  # fmt: skip  # one case a line reads as the table it is
def test_faults_of_a_job_file_are_named_with_line_and_cure(office, toml, ref, line, told):
    reason = _held(toml, office)
    assert (reason.ref, reason.line) == (ref, line), reason
    assert told in f"{reason.what} {reason.do} {reason.why}"


def test_a_job_file_that_is_no_text_is_refused(office):
    with pytest.raises(JobError) as held:
        job_of("job", {**POINTS, "job.toml": b'title = "\xff"'}, office)
    assert held.value.reasons[0].ref == "not-utf-8"


def test_a_job_without_a_survey_is_held(office):
    assert _held("", office, {}).ref == "no-survey-file"
    assert _held("", office, {"as_drilled.csv": b"hole,to_next\n"}).ref == "no-survey-file"


def test_survey_files_are_read_in_the_order_named_else_by_name(office):
    files = {"b.csv": b"1", "a.txt": b"2", "c.dxf": b"3", "cut.csv": b"4"}
    assert [file.name for file in job_of("job", files, office).survey_files] == ["a.txt", "b.csv", "c.dxf"]
    job = job_of("job", {**files, "job.toml": b'[survey]\nfiles = ["c.dxf", "a.txt", "c.dxf"]'}, office)
    assert [file.name for file in job.survey_files] == ["c.dxf", "a.txt"]


def test_the_plan_does_not_hang_on_what_came_back_after_drilling(office):
    files = {"points.csv": b"1", "as_drilled.csv": b"hole,to_next\n", "cut.csv": b"panel,length\n"}
    assert job_of("job", files, office) == job_of("job", {"points.csv": b"1"}, office)
    returned = returned_of(files, default_limits())
    assert [file.name for file in returned.files] == ["as_drilled.csv", "cut.csv"]
    assert returned_of({"points.csv": b"1"}, default_limits()) is None
    assert returned_of({"cut.csv": b"x"}, default_limits()).as_drilled is None


_PACK = """
id = "{id}"
jurisdiction = "a town"
document = "Town code"
edition = "2026"
kind = "law"
[[limits]]
id = "height"
clause = "1.1"
quantity = "height-outside"
comparator = "min"
value = {value}
unit = "in"
certainty = "read"
"""


def _own_pack(folder, id_="town", value=50):
    from pipeline.intake.resolve import shipped_packs

    limit = next(limit for pack in shipped_packs().values() for limit in pack.limits if limit.unit == "in" and limit.comparator == "min")
    (folder / f"{id_}.rules.toml").write_text(_PACK.format(id=id_, value=value).replace("height-outside", limit.quantity))


def test_a_towns_own_pack_in_the_queue_can_be_named(tmp_path):
    _own_pack(tmp_path)
    job = job_of("job", {**POINTS, "job.toml": b'rules = ["us-ispsc-2021", "town"]'}, read_office(tmp_path))
    assert [pack.id for pack in job.packs] == ["us-ispsc-2021", "town"]
    assert "town.rules.toml" in [file.name for file in job.inputs]
    other = job_of("job", POINTS, read_office(tmp_path))
    assert [file.name for file in other.inputs] == ["points.csv"]  # a pack it does not name does not make it stale


@pytest.mark.parametrize("when", ["2026-11-20", '"2026-11-20"'])
def test_the_day_of_a_confirmation_may_be_a_date_or_text(tmp_path, when):
    _own_pack(tmp_path)
    (tmp_path / "confirmed.toml").write_text(
        f'[[confirmed]]\npack = "town"\nlimit = "height"\nclause = "1.1"\nvalue = "50 in"\nwho = "R. Alder"\nwhen = {when}\nedition = "2026"\n'
    )
    assert read_office(tmp_path).confirmations[0].when == "2026-11-20"


def test_a_pack_with_a_shipped_ones_id_is_refused(tmp_path):
    _own_pack(tmp_path, "us-ispsc-2021")
    with pytest.raises(JobError) as wrong:
        read_office(tmp_path)
    assert wrong.value.reasons[0].ref == "rule-pack-twice"


@pytest.mark.parametrize("name", ["shop.toml", "confirmed.toml", "town.rules.toml"])
@pytest.mark.parametrize("content", [b"[", b"\xff", b"nonsense = 1", b"x = 1e400", b"a = " + b"[" * 4000])
def test_a_broken_office_file_is_refused_as_a_whole(tmp_path, name, content):
    (tmp_path / name).write_bytes(content)
    with pytest.raises(SleevelineError):
        read_office(tmp_path)


def test_an_office_file_that_is_a_link_is_refused(tmp_path):
    (tmp_path / "real.toml").write_text("")
    (tmp_path / "shop.toml").symlink_to(tmp_path / "real.toml")
    with pytest.raises(JobError) as wrong:
        read_office(tmp_path)
    assert wrong.value.reasons[0].ref == "not-a-plain-file"


def test_a_word_that_is_not_known_names_the_ones_that_are():
    _, defaults = resolve_shop()
    with pytest.raises(JobError) as held:
        resolve_options(defaults, {"survey": {"unit": "feet"}}, text='[survey]\nunit = "feet"')
    reason = held.value.reasons[0]
    assert reason.line == 2
    assert reason.do == "did you mean `foot`?  allowed here: metre, millimetre, foot, us-survey-foot, inch"
