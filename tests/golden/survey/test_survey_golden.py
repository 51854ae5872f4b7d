"""One small survey, tied by tape with errors and one blunder: its table of points and what is said of it, kept as they should be.

To renew after a change that is meant: run this file as a module, ``python -m tests.golden.survey.test_survey_golden``, and look at the difference.
"""

from __future__ import annotations

from pathlib import Path

from pipeline.intake.resolve import default_job
from pipeline.survey.answer import read_and_adjust
from pipeline.survey.points_table import points_csv
from tests.unit.survey.made_surveys import errors, made_site, tape_file

FOLDER = Path(__file__).parent


def answers() -> dict[str, bytes]:
    text = tape_file(made_site(42), errors(42))
    wrong = next(line for line in text.splitlines() if line.startswith("C,W4,"))
    cells = wrong.split(",")
    blunder = text.replace(wrong, ",".join([*cells[:2], f"{float(cells[2]) + 0.3048:.10f}", *cells[3:]]))
    survey = read_and_adjust(default_job("golden", survey={"unit": "metre"}), {"ties.csv": blunder.encode()})
    said = [f"{reason.ref}: {reason.what}; {reason.why}" for reason in survey.warnings]
    return {"points.csv": points_csv(survey), "said.txt": ("\n".join(said) + "\n").encode()}


def test_points_and_words_are_as_kept():
    assert answers() == {name: (FOLDER / name).read_bytes() for name in ("points.csv", "said.txt")}


if __name__ == "__main__":
    for name, content in answers().items():
        (FOLDER / name).write_bytes(content)
