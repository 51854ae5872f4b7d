"""One job through the line, in this process."""

from __future__ import annotations

from pipeline.batch.ledger import first_stale, read_ledger, stage_keys
from pipeline.batch.line import built_stages, hold_at_intake, run_stage, write_status
from pipeline.batch.places import Places
from pipeline.batch.receive import Received
from pipeline.model.status import STAGES, Status


def run_line(places: Places, job: str, received: Received, seconds: float) -> tuple[Status, tuple[str, ...]]:
    """Bring one job up to date, with at most `seconds` [s] a stage; returns its status and the stages that ran."""
    place = places.job(job)
    if received.reasons:
        return hold_at_intake(place, received.reasons), ()
    stages = built_stages()
    keys = stage_keys(received.key, stages)
    ledger = read_ledger(place)
    stale = first_stale(place, ledger, keys)
    ran: list[str] = []
    for stage in stages[stages.index(stale[0]) :] if stale else ():
        ledger = run_stage(places, job, stage, keys[stage], ledger, seconds)
        ran.append(stage)
        if ledger.entries[stage].outcome != "done":
            break
    status = write_status(place, ledger, STAGES)
    return status, tuple(ran)
