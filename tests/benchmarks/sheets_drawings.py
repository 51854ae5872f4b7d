"""How long the sheets of a job take, and how much memory: `python tests/benchmarks/sheets_drawings.py`.

Each case runs in a process of its own, imports included, as a job alone would.
"""

from __future__ import annotations

import resource
import subprocess
import sys
import time
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent.parent


def once(name: str) -> None:
    start = time.process_time()
    from tests.unit.drawings.cases import case

    it = case(name)
    made = time.process_time()
    from tests.unit.drawings.cases import drawn_anew

    files = drawn_anew(name).files
    done = time.process_time()
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    size = sum(len(content) for content in files.values()) / 1e6
    print(
        f"{name:<10} {len(it.layout.holes):>4} holes  drawn in {done - made:5.2f} s CPU (imports and the made fence {made - start:.2f} s)  {peak:4.0f} MB  {size:.2f} MB of files"
    )


if __name__ == "__main__":
    sys.path.insert(0, str(ROOT))
    if len(sys.argv) > 1:
        once(sys.argv[1])
    else:
        from tests.unit.drawings.cases import NAMES

        for each in NAMES:
            subprocess.run([sys.executable, __file__, each], check=True, cwd=ROOT)
