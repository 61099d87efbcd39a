"""Many shots of lenses: gathered, run, rejected or counted, and decided upon."""

from lensbench.sweep.countable import copy_verdict, measured_lenses, zone_series
from lensbench.sweep.decide import Sweep, measured_shots, sweep
from lensbench.sweep.gather import copies_among, copies_in_words, gather, read_shots_table
from lensbench.sweep.reject import rejections
from lensbench.sweep.remote import fetch, folder_name, is_address
from lensbench.sweep.run import Running, run, usual_workers
