"""How long a night's cutting takes, how far it stays from its bound, and what pooling saves.

``python -m tests.benchmarks.cutting_nights 120 500 60`` makes a night of 120 jobs with 500 custom pieces and 60 offcuts from a seed,
cuts it pooled and each job alone, and prints a line a group.
"""

from __future__ import annotations

import sys
import time

from pipeline.batch.order import pooled_order
from pipeline.batch.pooled_cutting import pooled_cutting
from pipeline.model.night import PooledCutting
from tests.unit.fabrication.made_nights import made_night


def timed_night(seed: int, jobs: int, pieces: int, offcuts: int) -> tuple[PooledCutting, float, str]:
    """Cut one night; returns the cutting, its seconds of one core, and the figures in words."""
    night, shelf = made_night(seed, jobs, pieces, offcuts)
    began = time.process_time()
    cutting = pooled_cutting(night, shelf)
    seconds = time.process_time() - began
    order = pooled_order(night, cutting)
    lines = [f"{jobs} jobs, {pieces} pieces, {offcuts} offcuts (seed {seed}): {seconds:.1f} s of one core"]
    for group in cutting.groups:
        cost, waste, sources = group.proof.objective
        lines.append(
            f"  {group.height * 1000:.0f} mm {group.colour}: {len(group.tickets)} sources, cost {cost:.2f}, bound {group.proof.bound[0]:.2f}, "
            f"gap {group.proof.gap:.2f}; waste {waste:.3f} m; sources over jobs {sources:.0f}; alone {group.alone_cost:.2f} and {group.alone_waste:.3f} m"
        )
    lines.append(f"  saved by pooling: {cutting.saving:.2f} on the cutting, {order.saving:.2f} on the order of {order.total:.2f} {order.currency}")
    return cutting, seconds, "\n".join(lines)


if __name__ == "__main__":
    sizes = [int(size) for size in sys.argv[1:]] or [120, 500, 60]
    print(timed_night(1, *sizes)[2])
