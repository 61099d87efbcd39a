"""The row on the standard's method: its own bias, derived, against what our `iso` shows."""

import numpy as np
import numpy.typing as npt
from exact_edges import Blur, Scene, edge_samples
from table_row import Effort, Row

from lensbench.edge import measure_edges

Array = npt.NDArray[np.float64]

HALF_WIDTHS_PX = (8, 12, 16, 20, 32)
QS = (0.55, 1.1, 1.54, 2.2)


def derived_mtf50_cypx(
    blur: Blur, angle_deg: float, half_width_px: float, *, difference: bool, bins: bool
) -> float:
    """MTF50 of a perfectly sampled edge through the standard's steps.

    The LSF along the normal times a Hamming window of that half-width along the lines, transformed and divided by its
    value at zero; bins of a quarter pixel along the lines take sinc(f/4), f along the lines. Without `difference` that
    loss multiplies the windowed transfer; with it, bins and the difference [-1/2, 0, 1/2] come before the window and
    the correction after it, as the steps have it, and the two do not commute quite.
    """
    cosine = np.cos(np.radians(angle_deg))
    half = half_width_px * cosine
    nodes, weights = np.polynomial.legendre.leggauss(700)
    x, dx = half * nodes, half * weights
    f, df = 0.5 * blur.highest_cypx * (nodes + 1.0), 0.5 * blur.highest_cypx * weights
    transfer = blur.transfer(f, angle_deg)
    if difference:
        transfer = transfer * np.sinc(f * cosine / 4.0) * np.sinc(f * cosine / 2.0)
    window = 0.54 + 0.46 * np.cos(np.pi * x / half)
    seen = dx * window * (2.0 * np.cos(2.0 * np.pi * np.outer(x, f)) @ (df * transfer))
    frequency = np.linspace(0.0, 1.0, 4001)
    sfr = np.abs(np.cos(2.0 * np.pi * np.outer(frequency, x)) @ seen) / seen.sum()
    if difference:
        sfr = sfr / np.sinc(frequency * cosine / 2.0)
    elif bins:
        sfr = sfr * np.sinc(frequency * cosine / 4.0)
    last = int(np.argmax(sfr < 0.3))
    return float(np.interp(-0.5, -sfr[:last], frequency[:last]))


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
    for q in QS:
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
