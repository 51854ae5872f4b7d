"""Coverage-guided fuzzing of the readers, for whoever has atheris (pip install atheris).

Run: python -m tests.benchmarks.fuzz_night_readers KIND CORPUS -runs=10000 -timeout=10 -rss_limit_mb=1500
KIND is one of those in tests/unit/intake/test_mutated_files.py; CORPUS is a folder with sound files to start from.
"""

from __future__ import annotations

import contextlib
import sys
import tempfile
from pathlib import Path

import atheris

with atheris.instrument_imports(include=["pipeline"]):
    from pipeline.errors import SleevelineError
    from pipeline.intake.office import read_office
    from tests.unit.intake.test_mutated_files import KINDS, _read


def main() -> None:
    """Fuzz one kind of file until told to stop."""
    kind = sys.argv.pop(1)
    if kind not in KINDS:
        raise SystemExit(f"name one of {', '.join(KINDS)}")
    folder = Path(tempfile.mkdtemp())
    office = read_office(folder)

    def one(content: bytes) -> None:
        with contextlib.suppress(SleevelineError):  # a reason a person can act on is what bad input gets
            _read(kind, content, folder, office)

    atheris.Setup(sys.argv, one)
    atheris.Fuzz()


if __name__ == "__main__":
    main()
