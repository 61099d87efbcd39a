"""Many shots of lenses: gathered, run, rejected or counted, and decided upon."""

from lensbench.sweep.countable import copy_verdict, measured_lenses, zone_series
from lensbench.sweep.decide import Sweep, find, measured_shots, sweep
from lensbench.sweep.gather import (
    STOP_UNKNOWN,
    beside_raw,
    copies_among,
    copies_in_words,
    gather,
    metadata_kept,
    named_focal_lengths,
    planned_shot,
)
from lensbench.sweep.reject import reject, reject_flagged, rejections
from lensbench.sweep.remote import fetch, folder_name, is_address
from lensbench.sweep.run import Running, run, usual_workers
from lensbench.sweep.shots_table import read_shots_table
