"""From a job's files to the one record the stages work from."""

from __future__ import annotations

import difflib
import hashlib

from pipeline.errors import JobError, Reason, hold
from pipeline.intake.files import read_toml
from pipeline.intake.names import shown
from pipeline.intake.office import Office
from pipeline.intake.queue import NOT_SURVEYS, SURVEY_FORMS
from pipeline.intake.resolve import chosen_packs, resolve_options
from pipeline.intake.snapshot import is_survey_file
from pipeline.model.drilling import Returned
from pipeline.model.job import InputFile, Job
from pipeline.model.shop import JobOptions, Limits


def job_of(name: str, files: dict[str, bytes], office: Office) -> Job:
    """Resolve a job's options over the office's and name its survey files; `files` is what its folder holds.

    Raises
    ------
    JobError
        When job.toml cannot be used, or no survey file is there.
    """
    depth = office.shop.limits.settings_depth
    table, text = read_toml(files["job.toml"], file="job.toml", depth=depth, limit="settings_depth") if "job.toml" in files else ({}, "")
    try:
        options = resolve_options(office.defaults, table, text=text)
    except RecursionError:
        raise hold(JobError, "toml-depth", "job.toml nests tables too deep", file="job.toml", do="flatten it") from None
    _refuse_counts(options, office)
    packs = chosen_packs(options, office.packs)
    survey = _survey_files(options, files)
    bound = {pack.id for pack in packs}
    confirmations = tuple(one for one in office.confirmations if one.pack in bound)
    own = [office.pack_files[one] for one in sorted(bound & set(office.pack_files))]
    own += [file for name, file in sorted(office.files.items()) if name != "confirmed.toml" or confirmations]
    named = [*survey, *(["job.toml"] if "job.toml" in files else [])]
    return Job(
        name=name,
        options=options,
        shop=office.shop,
        packs=packs,
        confirmations=confirmations,
        survey_files=tuple(_input(one, files) for one in survey),
        inputs=tuple(_input(one, files) for one in sorted(named)) + tuple(own),
    )


def returned_of(files: dict[str, bytes], limits: Limits) -> Returned | None:
    """Return what came back from the site and the shop; None where nothing did.

    Raises
    ------
    JobError
        When a sheet has more lines than the shop allows.
    """
    for name in NOT_SURVEYS:
        _refuse_rows(name, files.get(name, b""), limits.drilled_rows)
    there = {name: _input(name, files) for name in NOT_SURVEYS if name in files}
    return Returned(as_drilled=there.get("as_drilled.csv"), cut=there.get("cut.csv")) if there else None


def _refuse_rows(name: str, content: bytes, most: int) -> None:
    rows = max(content.count(b"\n"), content.count(b"\r"))
    if rows > most:
        raise hold(
            JobError,
            "too-many-rows",
            f"{name} has {rows} lines, at most {most} are read",
            why="no fence has so many holes",
            file=name,
            do="keep one line a hole or panel, or raise drilled_rows under [limits] in shop.toml",
        )


def _refuse_counts(options: JobOptions, office: Office) -> None:
    most = office.shop.limits.gates
    if len(options.gate) > most:
        raise hold(
            JobError,
            "too-many-gates",
            f"job.toml asks for {len(options.gate)} gates, at most {most} are allowed",
            file="job.toml",
            do="take out gates, or raise gates under [limits] in shop.toml",
        )


def _survey_files(options: JobOptions, files: dict[str, bytes]) -> list[str]:
    """Return the names of the survey files, in the order to be read."""
    found = sorted(name for name in files if is_survey_file(name))
    wanted = list(options.survey.files)
    missing = [_missing(name, found) for name in wanted if name not in found]
    if missing:
        raise JobError(missing)
    if not found:
        raise hold(
            JobError,
            "no-survey-file",
            "the job holds no survey file",
            why="without a survey there is nothing to lay out",
            do=f"put the survey into the job's folder; its name ends in {', '.join(SURVEY_FORMS)}",
        )
    return list(dict.fromkeys(wanted)) or found


def _missing(name: str, found: list[str]) -> Reason:
    near = difflib.get_close_matches(name, found, 1, 0.4)
    outside = "/" in name or "\\" in name
    return Reason(
        ref="survey-file-missing",
        what=f"files under [survey] names {shown(name)!r}, which is {'not a file of the job folder itself' if outside else 'not there'}",
        why="only the files of the job's own folder are read" if outside else "a survey read without one of its files would be another survey",
        file="job.toml",
        do=(f"did you mean {near[0]!r}?  " if near else "") + f"survey files here: {', '.join(found) or 'none'}",
    )


def _input(name: str, files: dict[str, bytes]) -> InputFile:
    return InputFile(name=name, sha256=hashlib.sha256(files[name]).hexdigest())
