"""Many shots: gathered, run, and decided upon.

`sweep` goes the whole way: gather, run, sift, find. `compare` takes the folders that sweeps wrote.
"""

from lensbench.study.compare import compare
from lensbench.study.decide import find
from lensbench.study.gather import gather
from lensbench.study.keeping import Shelf
from lensbench.study.reading import read_sweep
from lensbench.study.running import Running, run, usual_workers
from lensbench.study.sifting import sift
from lensbench.study.sweeping import Measuring, Sweep, sweep
from lensbench.study.ties import Tie

__all__ = [
    "Measuring",
    "Running",
    "Shelf",
    "Sweep",
    "Tie",
    "compare",
    "find",
    "gather",
    "read_sweep",
    "run",
    "sift",
    "sweep",
    "usual_workers",
]
