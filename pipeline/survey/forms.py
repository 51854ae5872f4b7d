"""Which form a file is in, told from the file itself, and its reading."""

from __future__ import annotations

from typing import Final

from pipeline.errors import SurveyError
from pipeline.model.job import Job
from pipeline.model.shop import Limits
from pipeline.model.survey import Form
from pipeline.survey.codes import code_table
from pipeline.survey.decoding import decoded, numbered_lines
from pipeline.survey.dxf_files import read_dxf
from pipeline.survey.field_book import Page
from pipeline.survey.landxml_files import read_landxml
from pipeline.survey.observation_files import read_shots
from pipeline.survey.point_files import read_points
from pipeline.survey.refusals import refusal
from pipeline.survey.tape_files import read_ties

LONGEST_HEADER: Final = 4000  # bytes looked at to tell a form
SPARE_LINES: Final = 2  # lines a file may have for each point or observation allowed: comments and blanks go beside them
TAGS_A_POINT: Final = 20  # tags and attributes a LandXML file may have for each point allowed; a point has five or six


def read_page(job: Job, file: str, content: bytes, *, alone: bool) -> Page:
    """Read one survey file in whatever form it is.

    Parameters
    ----------
    job : Job
        For its options and limits.
    file : str
        Name, for what is reported.
    content : bytes
        As on disk.
    alone : bool
        Whether it is the only one, so that the form the job names must be its.

    Raises
    ------
    SurveyError
        When it is too large, no text, or nothing a survey could be.
    """
    options, limits = job.options.survey, job.shop.limits
    if len(content) > limits.file_bytes:
        raise _too_large(file, len(content), limits.file_bytes)
    if not content.strip():
        raise refusal("empty-file", f"{file} is empty", why="it holds no survey", file=file, do="export it again, or take it out of the job")
    form = _form(file, content, options.form if alone else "auto")
    _refuse_marks(file, content, form, limits)
    if form == "points":
        return read_points(decoded(content, file), file, options.unit, options.columns, limits.points)
    if form == "tape":
        return read_ties(decoded(content, file), file, options.unit, limits.observations)
    if form == "observations":
        return read_shots(decoded(content, file), file, options.unit, limits.observations)
    if form == "landxml":
        return read_landxml(content, file, options.unit, limits.points)
    return read_dxf(content, file, options.unit, code_table(job.shop.codes), limits)


def _refuse_marks(file: str, content: bytes, form: Form, limits: Limits) -> None:
    """Refuse a file by its lines or tags before it is taken apart: a hundred bytes of memory go for each, however little it holds."""
    if form == "dxf":
        return
    limit, most = ("points", limits.points) if form in ("points", "landxml") else ("observations", limits.observations)
    if form == "landxml":
        count, allowed, called = content.count(b"<") + content.count(b"="), TAGS_A_POINT * most, "tags and attributes"
    else:
        count, allowed, called = max(content.count(b"\n"), content.count(b"\r")), SPARE_LINES * most, "lines"
    if count > allowed:
        raise refusal(
            f"too-many-{limit}",
            f"{file} holds {count:,} {called}, far more than the {most:,} {limit} that are the limit",
            why="a pool has some hundreds; a file this long is usually a whole tract or a scan",
            file=file,
            do=f"keep what belongs to the pool, or raise [limits] {limit} in shop.toml",
        )


def _form(file: str, content: bytes, asked: str) -> Form:
    """Return the form a file is in; the job's word counts where the file cannot tell."""
    start = content[:LONGEST_HEADER].lstrip(b"\xef\xbb\xbf \t\r\n")
    if start.startswith(b"<"):
        return "landxml"
    if file.lower().endswith(".dxf") or start.startswith(b"AutoCAD Binary DXF") or start[:20].split()[:2] == [b"0", b"SECTION"]:
        return "dxf"
    words = set(_first_words(decoded(content[:LONGEST_HEADER], file)))
    if {"setup", "target"} <= words:
        return "observations"
    if {"from", "to", "dist"} <= words:
        return "tape"
    if asked in ("observations", "tape"):
        raise _no_header(file, asked)
    return "points"


def _first_words(text: str) -> list[str]:
    lines = numbered_lines(text)
    return [word.strip('" ').lower() for word in lines[0][1].replace(";", ",").replace("\t", ",").split(",")] if lines else []


def _no_header(file: str, asked: str) -> SurveyError:
    header = "setup,target,face,hi,ht,hz_deg,zenith_deg,slope_dist,code,remark" if asked == "observations" else "from,to,dist,code,remark"
    return refusal(
        "no-header",
        f"{file} does not begin with the header of the form {asked}",
        why="without it the columns cannot be told",
        file=file,
        line=1,
        do=f"make the first line: {header}",
    )


def _too_large(file: str, size: int, most: int) -> SurveyError:
    return refusal(
        "file-too-large",
        f"{file} is {size / 1e6:.1f} MB, the limit is {most / 1e6:.0f} MB",
        why="a pool's survey has some kilobytes",
        file=file,
        do="keep what belongs to the pool, or raise [limits] file_bytes in shop.toml",
    )
