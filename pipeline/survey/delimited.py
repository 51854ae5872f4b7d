"""Delimited text: the delimiter told from the lines themselves, a header from its words."""

from __future__ import annotations

import csv
import re
from collections.abc import Callable, Sequence
from typing import Final

DELIMITERS: Final = (";", "\t", " ", ",")  # in doubt the earlier: a comma may be a decimal comma
SAMPLED_LINES: Final = 200


def split_line(line: str, delimiter: str) -> list[str]:
    """Split one line; quoted fields may hold the delimiter, and a lone quote (18" wall) is only a quote."""
    if delimiter == " ":
        return line.split()
    if line.startswith('"') or f'{delimiter}"' in line or f'{delimiter} "' in line:
        try:
            return [field.strip() for field in next(csv.reader([line], delimiter=delimiter, skipinitialspace=True))]
        except (csv.Error, StopIteration):
            pass
    return [field.strip() for field in line.split(delimiter)]


def sniffed_delimiter(lines: Sequence[tuple[int, str]], well_formed: Callable[[list[str], bool], bool]) -> str:
    """Return the delimiter under which most lines are well formed.

    Parameters
    ----------
    lines : sequence of (number, line)
        The file.
    well_formed : callable
        Of the fields and whether a decimal comma is allowed under this delimiter.
    """

    def score(delimiter: str) -> int:
        return sum(well_formed(split_line(line, delimiter), delimiter != ",") for _, line in sample)

    sample = spread_sample(lines)
    return max(DELIMITERS, key=score)


def spread_sample(lines: Sequence[tuple[int, str]]) -> list[tuple[int, str]]:
    """Return lines from all over a file, so that a long preamble does not decide."""
    step = max(1, len(lines) // SAMPLED_LINES)
    return list(lines[::step])


def header_word(field: str) -> str:
    """Return a header's field in plain lower-case words, without its unit in brackets."""
    bare = re.sub(r"[\[(].*?[\])]", " ", field.lower())
    return " ".join(re.findall(r"[a-z#]+", bare))


def header_places(line: str) -> tuple[str, dict[str, int]]:
    """Return (delimiter, place of each column) of a header whose words are the columns' own names."""
    delimiter = max((",", ";", "\t"), key=line.count)
    places: dict[str, int] = {}
    for place, field in enumerate(split_line(line, delimiter)):
        places.setdefault(field.strip('" ').lower(), place)
    return delimiter, places
