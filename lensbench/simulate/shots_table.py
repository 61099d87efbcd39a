"""The shots table beside simulated photographs: which were bracketed, and which were turned."""

import csv
import io
from collections.abc import Sequence
from pathlib import Path
from typing import Final

from lensbench.outfiles import unwritable, write_whole
from lensbench.simulate.shooting import Job

__all__ = ["SHOTS_TABLE", "write_shots_table"]

SHOTS_TABLE: Final = "shots_table.csv"
_COLUMNS: Final = ("file", "focus_group", "focus_step", "condition")


def write_shots_table(folder: Path, jobs: Sequence[Job]) -> Path | None:
    """Write the table that `sweep --shots` takes; None where no shot is bracketed or turned.

    Raises
    ------
    SettingError
        It cannot be written.
    """
    told = [job for job in jobs if job.shot.focus_group or job.shot.condition]
    if not told:
        return None
    path = folder / SHOTS_TABLE
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(_COLUMNS)
    for job in told:
        step = "" if job.shot.focus_step is None else f"{job.shot.focus_step:g}"
        writer.writerow((job.path.name, job.shot.focus_group, step, job.shot.condition))
    try:
        write_whole(path, text.getvalue().encode())
    except OSError as error:
        raise unwritable(path, error) from error
    return path
