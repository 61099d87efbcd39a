"""What the examples share: an edge drawn by its transfer function, and a plot of what was found beside the truth."""

from collections.abc import Callable, Iterable
from pathlib import Path

import cv2
import numpy as np
import numpy.typing as npt
from matplotlib.figure import Figure

from lensbench import optics

ANGLE_DEG = 5.0
Floats = npt.NDArray[np.float64]
Transfer = Callable[[Floats], Floats]


def edge_picture(transfer: Transfer, *, highest_cypx: float, rows: int = 100, cols: int = 60) -> Floats:
    """Noise-free picture of an edge, 0.2 on its dark side and 0.8 on its bright one."""
    row = np.arange(rows)[:, None] - (rows - 1) / 2
    col = np.arange(cols)[None, :] - (cols - 1) / 2
    angle = np.radians(ANGLE_DEG)
    distance_px = col * np.cos(angle) + row * np.sin(angle)
    grid_px = np.linspace(-60.0, 60.0, 3001)
    spread = optics.esf_from_mtf(grid_px, transfer, highest_cypx=highest_cypx)
    return np.asarray(0.2 + 0.6 * np.interp(distance_px, grid_px, spread))


def write_picture(path: Path, linear: Floats) -> None:
    """Write a linear picture, 0 to 1, with 16 bits."""
    cv2.imwrite(str(path), np.rint(65535.0 * np.clip(linear, 0.0, 1.0)).astype(np.uint16))


def plot(
    picture: Path,
    *,
    axes: tuple[str, str],
    truth: tuple[Iterable[float], Iterable[float]],
    found: tuple[Iterable[float], Iterable[float]],
    sd: Iterable[float] | None = None,
    ticks: list[str] | None = None,
) -> None:
    """Draw the truth as a line and what was measured as dots."""
    figure = Figure(figsize=(6.0, 3.2), layout="constrained")
    axis = figure.add_subplot()
    axis.plot(*map(list, truth), color="#8a8f96", label="truth")
    bars = None if sd is None else [1.96 * each for each in sd]
    axis.errorbar(*map(list, found), yerr=bars, fmt="o", color="#0f6b5c", label="measured")
    axis.set(xlabel=axes[0], ylabel=axes[1])
    if ticks:
        axis.set_xticks(range(len(ticks)), ticks)
    axis.legend(frameon=False)
    axis.spines[["top", "right"]].set_visible(False)
    figure.savefig(picture, dpi=110)
