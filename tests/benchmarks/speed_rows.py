"""Rows on speed: one core, processor time, the best of several runs."""

import time
from collections.abc import Callable

import numpy as np
from exact_edges import BRIGHT, DARK, Blur, Scene, esf_values, noisy
from table_row import Effort, Row

from lensbench.edge import measure_edge, measure_edges
from lensbench.model.shot import Samples


def frame_edges(count: int = 100) -> list[Samples]:
    """The edges of one photograph: 100 x 60 px, various blur, SNR 100."""
    rng = np.random.default_rng(9)
    regions = []
    for k in range(count):
        blur = Blur(q=1.1, disc_px=float(k % 5), sigma_px=0.3)
        scene = Scene(
            angle_deg=float(rng.uniform(4.0, 11.0)), flipped=bool(k % 2), offset_px=float(rng.uniform(-2, 2))
        )
        clean = DARK + (BRIGHT - DARK) * esf_values(blur, scene)
        regions.append(noisy(clean, 100.0, rng, 1)[0])
    return regions


def best_ms(action: Callable[[], object], *, repeats: int) -> float:
    """Least processor time of several runs."""
    found = []
    for _ in range(repeats):
        start = time.process_time()
        action()
        found.append(time.process_time() - start)
    return 1e3 * min(found)


def speed_rows(effort: Effort) -> list[Row]:
    """Edges of 100 x 60 px with all figures and sd."""
    regions = frame_edges(max(100 // effort.thinning, 10))
    measure_edges(regions)
    together = best_ms(lambda: measure_edges(regions), repeats=max(10 // effort.thinning, 1)) / len(regions)
    single = best_ms(lambda: measure_edge(regions[0]), repeats=20)
    return [
        Row(
            what=f"speed of `refined`, {len(regions)} regions of 100 x 60 px together, one core",
            target="at most 0.4 ms an edge",
            found=f"{together:.2f} ms",
            passed=together <= 0.4,
        ),
        Row(
            what="speed of `refined`, one region alone",
            target="at most 10 ms",
            found=f"{single:.1f} ms",
            passed=single <= 10.0,
        ),
    ]
