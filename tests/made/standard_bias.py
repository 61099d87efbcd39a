"""What the standard's steps do to MTF50, derived; no code of the edge room.

The window's bias alone is tabulated for a perfect lens and square pixels (computed by quadrature for half-widths of
8, 12, 16, 20 and 32 px); the loss by averaging over quarter-pixel bins, sinc(f/4), is left out there.
"""

import numpy as np
from exact_edges import Blur

HALF_WIDTHS_PX = (8, 12, 16, 20, 32)
WINDOW_BIAS_PERCENT = {
    0.55: (2.49, 1.58, 1.16, 0.91, 0.56),
    1.10: (5.46, 3.50, 2.58, 2.04, 1.25),
    1.54: (7.85, 5.04, 3.71, 2.93, 1.81),
    2.20: (11.4, 7.37, 5.40, 4.27, 2.62),
}
"""Hamming window, by q: derived by quadrature apart from this code."""


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
