"""What lies in the queue and may be a job; nothing in it may point outside."""

from __future__ import annotations

import contextlib
import os
import socket
import stat
from pathlib import Path

import msgspec
import pytest

from pipeline.errors import JobError
from pipeline.intake.files import read_regular
from pipeline.intake.names import name_fault, shown, stand_in
from pipeline.intake.queue import entry_at, scan
from pipeline.intake.resolve import default_limits
from pipeline.intake.snapshot import read_all, store, traces_of

LIMITS = default_limits()


def bytes_at_most(most):
    return msgspec.structs.replace(LIMITS, file_bytes=most)


@pytest.mark.parametrize("name", ["a", "heron-court.12", "A_1", "_x", "0", "a" * 64])
def test_good_names(name):
    assert name_fault(name) is None


@pytest.mark.parametrize(
    "name",
    [
        "-rf",
        "--out",
        ".hidden",
        "",
        "a b",
        "a/b",
        "../x",
        "a\nb",
        "a\x1b[31m",
        "x;y",
        "$(id)",
        "{x}",
        "é",
        "a" * 65,
        "a\udcff",
        "`id`",
        "a\x00b",
        "con:",
    ],
)
def test_refused_names_get_a_stand_in_that_is_safe(name):
    assert name_fault(name).ref == "job-name"
    assert name_fault(stand_in(name)) is None
    assert shown(name).isprintable() or name == ""
    assert stand_in(name) == stand_in(name)


def test_stand_ins_tell_likes_apart():
    assert len({stand_in(name) for name in ("a b", "a\tb", "a;b", "a\nb")}) == 4


def test_folders_and_bare_point_files_are_jobs_in_the_order_of_their_names(tmp_path):
    for name in ("zulu", "alpha", ".git", "rules"):
        (tmp_path / name).mkdir()
    for name in ("mike.csv", "november.TXT", "shop.toml", "confirmed.toml", "offcuts.csv", "city.rules.toml", "notes.pdf", ".DS_Store"):
        (tmp_path / name).write_text("x")
    queue = scan(tmp_path)
    assert [(entry.name, entry.bare) for entry in queue.entries] == [
        ("alpha", False),
        ("mike", True),
        ("november", True),
        ("rules", False),
        ("zulu", False),
    ]
    assert queue.left_aside == ("notes.pdf",)


def test_the_results_folder_is_no_job_even_in_the_queue(tmp_path):
    (tmp_path / "packages").mkdir()
    (tmp_path / "job").mkdir()
    assert [entry.name for entry in scan(tmp_path, not_out=tmp_path / "packages").entries] == ["job"]


def test_links_devices_and_pipes_are_held(tmp_path):
    (tmp_path / "outside").mkdir()
    queue = tmp_path / "queue"
    queue.mkdir()
    (queue / "linked").symlink_to(tmp_path / "outside")
    (queue / "passwords.csv").symlink_to("/etc/passwd")
    os.mkfifo(queue / "pipe.csv")
    with contextlib.suppress(PermissionError):  # root alone makes devices, and not everywhere
        os.mknod(queue / "zeros.csv", stat.S_IFCHR | 0o644, os.makedev(1, 5))
        os.mknod(queue / "disk", stat.S_IFBLK | 0o644, os.makedev(7, 0))
    with socket.socket(socket.AF_UNIX) as listening:
        listening.bind(str(queue / "socket.csv"))
        found = scan(queue).entries
    assert len(found) == len(list(queue.iterdir())) >= 4
    assert {reason.ref for entry in found for reason in entry.reasons} == {"not-a-plain-file"}


def test_jobs_that_differ_in_case_only_or_in_form_only_are_all_held(tmp_path):
    for name in ("Pool", "pool", "other"):
        (tmp_path / name).mkdir()
    (tmp_path / "other.csv").write_text("x")
    found = scan(tmp_path).entries
    assert len({entry.name.casefold() for entry in found}) == 4
    assert [entry.reasons[-1].ref for entry in found] == ["job-name-twice"] * 4


def test_a_link_within_a_job_holds_it_and_what_is_no_survey_is_left_alone(tmp_path):
    job = tmp_path / "job"
    job.mkdir()
    (job / "points.csv").symlink_to("/etc/passwd")
    with pytest.raises(JobError) as held:
        traces_of(entry_at(job), LIMITS)
    assert held.value.reasons[0].ref == "not-a-plain-file"
    (job / "points.csv").unlink()
    (job / "photo.jpg").symlink_to("/etc/passwd")
    (job / "readme.txt").write_text("no survey")
    (job / "points.csv").write_text("P")
    assert [trace.name for trace in traces_of(entry_at(job), LIMITS)] == ["points.csv"]


def test_too_many_files_and_odd_file_names_hold_the_job(tmp_path):
    job = tmp_path / "job"
    job.mkdir()
    (job / "a\nb.csv").write_text("x")
    with pytest.raises(JobError) as held:
        traces_of(entry_at(job), LIMITS)
    assert held.value.reasons[0].ref == "file-name"
    (job / "a\nb.csv").unlink()
    for number in range(LIMITS.job_files + 1):
        (job / f"{number}.csv").touch()
    with pytest.raises(JobError) as held:
        traces_of(entry_at(job), LIMITS)
    assert held.value.reasons[0].ref == "too-many-files"


def test_files_beyond_the_shops_limit_are_refused_without_being_read(tmp_path):
    big = tmp_path / "job" / "points.csv"
    big.parent.mkdir()
    with big.open("wb") as file:
        file.truncate(10**12)  # a sparse file: a terabyte that takes no room
    with pytest.raises(JobError) as held:
        read_all(entry_at(big.parent), ["points.csv"], bytes_at_most(1000))
    assert held.value.reasons[0].ref == "file-too-large"
    assert "1000 bytes" in held.value.reasons[0].what


def test_many_files_together_are_held_to_the_same_limit(tmp_path):
    job = tmp_path / "job"
    job.mkdir()
    for number in range(5):
        (job / f"{number}.csv").write_bytes(b"x" * 300)
    names = [f"{number}.csv" for number in range(5)]
    assert len(read_all(entry_at(job), names, bytes_at_most(1500))) == 5
    with pytest.raises(JobError) as held:
        read_all(entry_at(job), names, bytes_at_most(1000))
    assert held.value.reasons[0].ref == "job-too-large"


@pytest.mark.parametrize("path", ["/dev/zero", "/dev/random", "/proc/self/mem"])
def test_devices_are_never_read(path):
    with pytest.raises(JobError):
        read_regular(__import__("pathlib").Path(path), shown_as="x", most=10, limit="")


def test_a_stored_copy_holds_exactly_the_files(tmp_path):
    store(tmp_path / "intake", {"a.csv": b"1", "b.csv": b"2"})
    store(tmp_path / "intake", {"b.csv": b"3"})
    assert {path.name: path.read_bytes() for path in (tmp_path / "intake").iterdir()} == {"b.csv": b"3"}


def test_a_queue_that_is_none_is_wrong_use(tmp_path):
    for path in (tmp_path / "absent", tmp_path / "file"):
        (tmp_path / "file").touch()
        with pytest.raises(JobError) as wrong:
            scan(path)
        assert wrong.value.reasons[0].ref == "no-queue"


@pytest.mark.parametrize("name", ["a.csv", "b.txt", "c.asc", "d.xml", "lines.dxf", "LINES.DXF"])
def test_a_person_may_name_a_survey_file_of_any_form(tmp_path, name):
    (tmp_path / name).write_text("1,2,3\n")
    entry = entry_at(tmp_path / name)
    assert entry.bare and entry.name == Path(name).stem
    assert read_all(entry, [trace.name for trace in traces_of(entry, LIMITS)], bytes_at_most(100)) == {name: b"1,2,3\n"}


def test_what_is_no_survey_file_is_refused_with_all_that_are(tmp_path):
    (tmp_path / "notes.pdf").write_text("x")
    with pytest.raises(JobError) as refused:
        entry_at(tmp_path / "notes.pdf")
    assert ".csv, .txt, .asc, .xml, .dxf" in refused.value.reasons[0].do


def test_in_a_queue_a_drawing_by_itself_is_no_job(tmp_path):
    (tmp_path / "lines.dxf").write_text("x")
    assert scan(tmp_path).entries == () and scan(tmp_path).left_aside == ("lines.dxf",)
