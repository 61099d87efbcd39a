"""The row on the standard's method: its own bias, derived, against what our `iso` shows."""

import numpy as np
import numpy.typing as npt
from exact_edges import Blur, Scene, edge_samples
from standard_bias import HALF_WIDTHS_PX, WINDOW_BIAS_PERCENT, derived_mtf50_cypx
from table_row import Effort, Row

from lensbench.edge import measure_edges

Array = npt.NDArray[np.float64]


def iso_mtf50_cypx(blur: Blur, angle_deg: float, half_width_px: int, *, lines: int, offsets: int) -> Array:
    """What `iso` gives, for edges at even sub-pixel offsets: with few phases in a bin single edges scatter."""
    places = (np.arange(offsets) + 0.5) / offsets - 0.5
    regions = [
        edge_samples(
            blur, Scene(angle_deg=angle_deg, height=lines, width=2 * half_width_px, offset_px=float(place))
        )
        for place in places
    ]
    return np.array([edge.mtf50_cypx for edge in measure_edges(regions, method="iso")])


def iso_rows(effort: Effort) -> list[Row]:
    """Departure from the derivation, the mean of edges over sub-pixel offsets."""
    plain, whole, single = [], [], []
    for q in effort.thinned(tuple(WINDOW_BIAS_PERCENT)):
        blur = Blur(q=q)
        for angle, lines in effort.thinned(((5.0, 58), (2.0, 58), (4.0, 100))):
            for half in HALF_WIDTHS_PX:
                truth = blur.at(0.5, angle)
                found = iso_mtf50_cypx(blur, angle, half, lines=lines, offsets=8)
                short = derived_mtf50_cypx(blur, angle, half, difference=False, bins=True)
                full = derived_mtf50_cypx(blur, angle, half, difference=True, bins=True)
                plain.append((100.0 * abs(found.mean() - short) / truth, half, q))
                whole.append((100.0 * abs(found.mean() - full) / truth, half, q))
                single.append((100.0 * float(np.abs(found - full).max()) / truth, half, q))
    return [
        Row(
            what="`iso`: window's bias times sinc(f/4), half-widths 8 to 32 px, mean over sub-pixel offsets",
            target="within 0.1 percentage points",
            found=f"{_worst(plain)}; from 16 px on {_worst([one for one in plain if one[1] >= 16])}",
            passed=bool(max(plain)[0] <= 0.1),
        ),
        Row(
            what="`iso`: the same, with the difference and its correction on their sides of the window",
            target="within 0.1 percentage points",
            found=f"{_worst(whole)}; a single edge up to {_worst(single)} off, by the phases that a bin holds",
            passed=bool(max(whole)[0] <= 0.1),
        ),
    ]


def _worst(cases: list[tuple[float, int, float]]) -> str:
    apart, half, q = max(cases)
    return f"{apart:.3f} (q {q:g}, {half} px)"
