"""Print the accuracy table: every target of the measuring methods against what exact edges show.

The whole table takes some minutes on one core.
"""

from collections.abc import Callable, Iterator

import pages
from bias_rows import curved_row, light_row, sites_rows, small_row, specks_row, straight_rows
from iso_rows import iso_rows
from noise_rows import noise_rows, sites_noise_rows
from physical_rows import physical_rows
from small_rows import small_sites_rows
from speed_rows import speed_rows
from table_row import Effort, Row

SECTIONS: tuple[Callable[[Effort], Row | list[Row]], ...] = (
    straight_rows,
    noise_rows,
    physical_rows,
    curved_row,
    sites_rows,
    sites_noise_rows,
    small_row,
    small_sites_rows,
    iso_rows,
    light_row,
    specks_row,
    speed_rows,
)


def page(*, draws: int, thinning: int, sections: int, seed: int) -> Iterator[str]:
    """The page, rows that fall short first; the first `sections` of them, on grids thinned so many times."""
    effort = Effort(draws=draws, thinning=thinning)
    rows: list[Row] = []
    for section in SECTIONS[:sections]:
        found = section(effort)
        rows += pages.shown(found if isinstance(found, list) else [found])
    counts = [sum(row.passed is verdict for row in rows) for verdict in (True, False, None)]
    yield from HEAD.splitlines()
    yield f"{counts[0]} rows pass, {counts[1]} fall short, {counts[2]} were not measured."
    yield ""
    yield from pages.head("what", "target", "found", "")
    merit = {False: 0.0, None: 1.0, True: 2.0}
    yield from pages.worst_first(
        (merit[row.passed], pages.row(row.what, row.target, row.found, row.verdict)) for row in rows
    )


HEAD = """# Accuracy of the edge methods

Not solved, of what this page and its neighbours show, the worst first: double images of 3 % at SNR 20 and 50 and triple
ones at 20; narrow and round haloes at SNR 20 to 50, and two round ones at 600
([odd edges](odd-edges.md#where-it-falls-short)); blurs wider than their region, as in a fast lens's far corner
([charts](wavefront-charts.md#where-it-falls-short)); JPEGs of quality 60, which read 1 to 2 % low; drawings in 8 bits
without any noise of Gaussian edges alone, 85 to 90 % within 1.96 stated sd; and the rows that fall short below.

All edges are exact: sampled from closed forms, the square pixel included, with the truth along the edge's normal.
Noise is photon noise; SNR is bright less dark over the rms noise of the two plateaus. Sites of a colour filter array
are taken alone.

"""

TABLE = pages.Table(
    page=page,
    full={"draws": 200, "thinning": 1, "sections": 99, "seed": 0},
    tiny={"draws": 2, "thinning": 40},
)
