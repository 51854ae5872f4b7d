"""What a blunder's size says of its cause: a foot, ten feet, 6 for 9, two digits swapped, the wrong end of the tape."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

from pipeline.survey.field_book import Tie
from pipeline.survey.quantities import tape_length
from pipeline.units import FOOT, INCH

WHOLE_FEET: Final = (1, 2, 3, 5, 10, 20)
_TAKEN_FOR: Final = {"6": "9", "9": "6", "1": "7", "7": "1", "3": "8", "8": "3", "5": "6"}


def likely_cause(tie: Tie, size: float, tolerance: float, tape: float) -> str:
    """Return how a tie may have been misread, in words; empty when its size is nothing typical.

    Parameters
    ----------
    tie : Tie
        As read.
    size : float
        Reading less what it should be [m].
    tolerance : float
        How well that is known [m].
    tape : float
        The tape's length [m].
    """
    right = tie.dist - size
    found = [(abs(length - right), cause) for length, cause in _explanations(tie, size, tape) if abs(length - right) <= tolerance]
    return min(found, key=lambda entry: round(entry[0] / (tolerance / 4)))[1] if found else ""  # of those as near, the first


def _explanations(tie: Tie, size: float, tape: float) -> Iterator[tuple[float, str]]:
    """Yield (what the tie would be [m], how it was misread), the likeliest first."""
    for text, cause in _misreadings(tie.text):
        length = _length(text, tie)
        if length is not None:
            yield length, f"{cause}: {text} was written as {tie.text}"
    if "." in tie.text and tie.unit == "foot":
        length = _length(tie.text.replace(".", "-"), tie)
        if length is not None:
            yield length, f"feet and inches written as decimals of a foot: {tie.text.replace('.', ' ft ')} in"
    yield tape - tie.dist, "read from the wrong end of the tape"
    sign = 1 if size > 0 else -1
    for feet in WHOLE_FEET:
        yield tie.dist - sign * feet * FOOT, f"{feet} ft misread"
    yield tie.dist - sign * INCH, "an inch misread, or the hook of the tape"


def _misreadings(text: str) -> Iterator[tuple[str, str]]:
    """Yield what may have stood on the tape instead of `text`, with the slip's name."""
    for place, sign in enumerate(text):
        taken = _TAKEN_FOR.get(sign)
        if taken:
            yield text[:place] + taken + text[place + 1 :], f"{sign} for {taken}"
    for place in range(len(text) - 1):
        first, second = text[place], text[place + 1]
        if first.isdigit() and second.isdigit() and first != second:
            yield text[:place] + second + first + text[place + 2 :], "two digits swapped"


def _length(text: str, tie: Tie) -> float | None:
    try:
        return tape_length(text, tie.unit)
    except ValueError:
        return None
