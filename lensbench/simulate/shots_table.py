"""The shots table beside simulated photographs: which were bracketed, and which were turned."""

import csv
from collections.abc import Sequence
from pathlib import Path
from typing import Final

from lensbench.simulate.shooting import Job

__all__ = ["SHOTS_TABLE", "write_shots_table"]

SHOTS_TABLE: Final = "shots_table.csv"
_COLUMNS: Final = ("file", "focus_group", "focus_step", "condition")


def write_shots_table(folder: Path, jobs: Sequence[Job]) -> Path | None:
    """Write the table that `sweep --shots` takes; None where no shot is bracketed or turned."""
    told = [job for job in jobs if job.shot.focus_group or job.shot.condition]
    if not told:
        return None
    path = folder / SHOTS_TABLE
    with path.open("w", encoding="utf-8", newline="") as stream:
        writer = csv.writer(stream, lineterminator="\n")
        writer.writerow(_COLUMNS)
        for job in told:
            step = "" if job.shot.focus_step is None else f"{job.shot.focus_step:g}"
            writer.writerow((job.path.name, job.shot.focus_group, step, job.shot.condition))
    return path
