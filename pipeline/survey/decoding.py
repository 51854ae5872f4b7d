"""From a file's bytes to numbered lines of text: UTF-8 with or without BOM, else Latin-1; what is not text is refused."""

from __future__ import annotations

import codecs
from typing import Final

from pipeline.errors import SurveyError
from pipeline.survey.refusals import refusal

LONGEST_LINE: Final = 20_000  # characters; a survey line has some tens
_CONTROL: Final = frozenset(range(32)) - {9, 10, 12, 13, 26}  # tab, line feed, form feed, return and the old end-of-file mark are text
_CONTROL_BYTES: Final = bytes(sorted(_CONTROL))


def decoded(content: bytes, file: str) -> str:
    """Return the text of a file.

    Raises
    ------
    SurveyError
        When the bytes are no text.
    """
    if content.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)):
        try:
            return content.decode("utf-16")
        except UnicodeDecodeError:
            raise not_text(file) from None
    if len(content) - len(content.translate(None, _CONTROL_BYTES)) > len(content) // 1000:
        raise not_text(file)
    try:
        return content.decode("utf-8-sig")
    except UnicodeDecodeError:
        return content.decode("latin-1")


def numbered_lines(text: str) -> list[tuple[int, str]]:
    """Return (line number from 1, line) of every line that is neither blank nor a comment."""
    lines = []
    for number, line in enumerate(text.replace("\r\n", "\n").replace("\r", "\n").split("\n"), 1):
        bare = line.strip(" \x1a\x0c\x00\ufeff")
        if bare.strip("\t,; ") and not bare.lstrip().startswith("#"):
            lines.append((number, bare[:LONGEST_LINE]))
    return lines


def not_text(file: str) -> SurveyError:
    """Return the refusal of a file that holds something else."""
    return refusal(
        "not-text",
        f"{file} is no text file",
        why="points, observations and tape ties are read from plain text",
        file=file,
        do="export it again as plain text (CSV, UTF-8)",
    )
