"""The command: its words, help, exit codes, and what it prints where."""

from __future__ import annotations

import tomllib
from pathlib import Path

import pytest

from pipeline.cli import main
from pipeline.intake.job_folder import job_of
from pipeline.intake.office import read_office

COMMANDS = ("batch", "job", "check", "new", "rules")


@pytest.mark.parametrize("name", COMMANDS)
def test_help_shows_an_example_and_the_exit_codes(name, capsys):
    with pytest.raises(SystemExit) as left:
        main([name, "--help"])
    told = capsys.readouterr().out
    assert left.value.code == 0
    assert f"sleeveline {name} " in told.split("example", 1)[1]
    assert "130 interrupted" in told


def test_the_help_names_the_commands_and_no_inner_ones(capsys):
    with pytest.raises(SystemExit):
        main(["--help"])
    told = capsys.readouterr().out
    assert all(name in told for name in COMMANDS)
    assert "products" not in told.replace("finished install", "")
    assert "supervision" in told


@pytest.mark.parametrize(
    "words",
    [[], ["bake"], ["batch"], ["batch", "q"], ["batch", "/nowhere", "--out", "{tmp}"], ["job", "/nowhere", "--out", "{tmp}"], ["rules", "nowhere"],
     ["batch", "q", "--out", "{tmp}", "--cores", "0"], ["batch", "q", "--out", "{tmp}", "--keep", "many"], ["check", "/etc/hostname"]],
)  # fmt: skip  # one case a line reads as the list it is
def test_wrong_use_is_exit_code_2_and_told_on_standard_error(words, capsys, tmp_path):
    try:
        code = main([word.replace("{tmp}", str(tmp_path / "out")) for word in words])
    except SystemExit as left:
        code = left.code
    told = capsys.readouterr()
    assert (code, told.out) == (2, "")
    assert told.err
    assert "Traceback" not in told.err


def test_rules_lists_every_pack_and_shows_one(capsys):
    assert main(["rules"]) == 0
    listed = capsys.readouterr().out.splitlines()
    assert len(listed) >= 2
    assert main(["rules", listed[0].split()[0]]) == 0
    assert "[" in capsys.readouterr().out
    assert main(["rules", "us-ispcs-2021"]) == 2
    assert "did you mean 'us-ispsc-2021'" in capsys.readouterr().err


def test_new_lays_out_a_job_whose_every_example_is_read(capsys, tmp_path):
    assert main(["new", str(tmp_path / "queue" / "heron")]) == 0
    folder = tmp_path / "queue" / "heron"
    assert str(folder / "job.toml") in capsys.readouterr().out
    toml = (folder / "job.toml").read_bytes()
    office = read_office(folder.parent)
    examples = [path for path in sorted((folder / "examples").iterdir()) if path.name not in ("shop.toml", "as_drilled.csv", "cut.csv")]
    assert len(examples) == 5
    for example in examples:
        assert job_of("heron", {"job.toml": toml, example.name: example.read_bytes()}, office).name == "heron"
    assert main(["new", str(folder)]) == 2
    assert "not empty" in capsys.readouterr().err
    assert main(["new", str(tmp_path / "a b")]) == 2


def test_the_new_job_file_names_every_key_of_a_job_with_its_default(tmp_path):
    main(["new", str(tmp_path / "heron")])
    text = (tmp_path / "heron" / "job.toml").read_text()
    uncommented = "\n".join(
        line.removeprefix("# ") if line.startswith("# ") and (" = " in line or line.startswith("# [[")) else line for line in text.splitlines()
    )
    table = tomllib.loads(uncommented)
    office = read_office(tmp_path)
    assert job_of("heron", {"points.csv": b"", "job.toml": uncommented.replace('crs = "EPSG:2236"', 'crs = ""').encode()}, office)
    from pipeline.model.shop import FenceOptions, GateOptions, JobOptions, SiteOptions, SurveyOptions

    left_out = {"temperature", "pressure", "best_setback"}  # set by the observer's file, and by `setback = "best"`
    for record, keys in (
        (JobOptions, table),
        (SurveyOptions, table["survey"]),
        (FenceOptions, table["fence"]),
        (SiteOptions, table["site"]),
        (GateOptions, table["gate"][0]),
    ):
        assert set(record.__struct_fields__) - set(keys) - left_out == set(), record


@pytest.mark.parametrize("form", ["points.csv", "observations.csv", "tape.csv", "landxml.xml", "lines.dxf"])
def test_check_reads_every_example_form_in_a_moment(form, capsys, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    main(["new", str(tmp_path / "heron")])
    capsys.readouterr()
    job = tmp_path / "job"
    job.mkdir()
    (job / form).write_bytes((tmp_path / "heron" / "examples" / form).read_bytes())
    code = main(["check", str(job)])
    told = capsys.readouterr()
    assert code in (0, 3), told.err
    assert ("good to leave" if code == 0 else "not yet") in told.out.lower()
    assert told.out.splitlines()[-1] == "picture: job-check.svg"
    assert (tmp_path / "job-check.svg").read_text().startswith("<svg")


def test_check_says_not_yet_for_a_survey_without_water(capsys, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    (tmp_path / "points.csv").write_text("P,N,E,Z,D\n1,0,0,0,MARK\n")
    assert main(["check", "points.csv", "--picture", str(tmp_path / "p.svg")]) == 3
    assert "not yet" in capsys.readouterr().out.lower()
    assert (tmp_path / "p.svg").exists()


def test_a_fault_of_ours_is_told_in_a_line_and_its_traceback_put_aside(capsys, monkeypatch):
    monkeypatch.setattr("pipeline.intake.rule_listing.list_packs", lambda packs: 1 / 0)
    assert main(["rules"]) == 1
    told = capsys.readouterr().err
    assert "Traceback" not in told
    aside = Path(told.rsplit("report it with ", 1)[1].strip())
    assert "ZeroDivisionError" in aside.read_text()
    aside.unlink()


def test_a_wish_to_stop_while_a_library_is_loaded_is_no_fault(monkeypatch, capsys, tmp_path):
    """A compiled library whose loading is interrupted says ImportError, with the interruption as its cause."""

    def loading(options):
        try:
            raise KeyboardInterrupt
        except KeyboardInterrupt as stop:
            raise ImportError("initialization failed") from stop

    monkeypatch.setattr("pipeline.cli._job", loading)
    assert main(["job", str(tmp_path), "--out", str(tmp_path / "out")]) == 130
    told = capsys.readouterr().err
    assert "interrupted" in told
    assert "fault" not in told
