"""Many shots of lenses: gathered, run, rejected or counted, and decided upon."""

from lensbench.sweep.gather import copies_among, copies_in_words, gather
from lensbench.sweep.read_back import BestRead, SweepLens, bracketed, read_sweep, unreadable
from lensbench.sweep.reject import rejections
from lensbench.sweep.responses import RESPONSES_COLUMNS, read_responses, zone_responses
from lensbench.sweep.run import Running, run, usual_workers
from lensbench.sweep.shots_table import read_shots_table
from lensbench.sweep.sweeping import Sweep, measured_shots, sweep

__all__ = [
    "RESPONSES_COLUMNS",
    "BestRead",
    "Running",
    "Sweep",
    "SweepLens",
    "bracketed",
    "copies_among",
    "copies_in_words",
    "gather",
    "measured_shots",
    "read_responses",
    "read_shots_table",
    "read_sweep",
    "rejections",
    "run",
    "sweep",
    "unreadable",
    "usual_workers",
    "zone_responses",
]
