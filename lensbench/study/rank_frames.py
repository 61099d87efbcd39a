"""Frames to be ranked: square pieces of one channel, on the sensor's own lattice, turned to spectra.

Nothing is demosaiced. A full plane (finished picture, monochrome sensor) is taken as it is. Green of a Bayer
sensor stands on a quincunx: the other sites are set to zero after the mean is taken off, which copies the spectrum
to the corner (1/2, 1/2) and leaves |row| + |column| below 1/2 cycle per pixel whole; only that zone is used. Any
other lattice is averaged over its smallest repeating square, which is one cell then: detail finer than half a cycle
per cell is lost to every frame alike.
"""

from dataclasses import dataclass
from pathlib import Path
from typing import Final

import numpy as np
import numpy.typing as npt
from scipy import fft

from lensbench import photo
from lensbench.errors import ImageError
from lensbench.photo import Photo
from lensbench.records import BoolArray, Box
from lensbench.units import FloatArray

__all__ = ["Frame", "Lattice", "Pieces", "frequencies", "open_frame"]

ComplexArray = npt.NDArray[np.complex128]
IntArray = npt.NDArray[np.int64]

_LARGE_PX: Final = 390
"""Pictures with both sides above this are read in pieces of 128 cells, smaller ones in pieces of 64."""
_LONGEST_PERIOD: Final = 12
_QUINCUNX_ZONE: Final = 0.44
_PLANE_HIGHEST: Final = 0.48


@dataclass(frozen=True, slots=True, kw_only=True)
class Lattice:
    """Where a channel's sites stand."""

    cell_px: int
    """Side of a cell: 1, or the smallest square that repeats."""
    quincunx: bool


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Pieces:
    """Spectra of square pieces, Hann-windowed: shape (pieces, size, size // 2 + 1)."""

    spectra: ComplexArray
    inside: BoolArray
    """False where the piece would reach outside the picture; its spectrum is zero."""
    clipped: FloatArray
    """Share of clipped samples of each piece."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Frame:
    """One opened photograph."""

    photograph: Photo
    channel: str
    lattice: Lattice

    @property
    def path(self) -> Path:
        """The file."""
        return self.photograph.path

    @property
    def size_cells(self) -> tuple[int, int]:
        """Rows and columns in cells."""
        rows, columns = self.photograph.size_px
        return rows // self.lattice.cell_px, columns // self.lattice.cell_px

    @property
    def piece_cells(self) -> int:
        """Side of a piece."""
        return 128 if min(self.size_cells) > _LARGE_PX else 64

    def pieces(self, corners: IntArray, size: int) -> Pieces:
        """Cut pieces of size x size cells at upper left corners (row, column) and transform them."""
        window = np.hanning(size + 1)[:size]
        spectra = np.zeros((len(corners), size, size // 2 + 1), np.complex128)
        inside, clipped = np.zeros(len(corners), np.bool_), np.zeros(len(corners))
        rows, columns = self.size_cells
        for index, (top, left) in enumerate(corners):
            if 0 <= top <= rows - size and 0 <= left <= columns - size:
                plane, clipped[index] = self._plane(int(top), int(left), size)
                spectra[index] = fft.rfft2(plane * window[:, None] * window)
                inside[index] = True
        return Pieces(spectra=spectra, inside=inside, clipped=clipped)

    def _plane(self, top: int, left: int, size: int) -> tuple[FloatArray, float]:
        """Give the cells of a piece with the mean taken off, and the share of clipped samples."""
        cell = self.lattice.cell_px
        box = Box(top=top * cell, left=left * cell, height=size * cell, width=size * cell)
        samples = self.photograph.cut(box, self.channel)
        values: FloatArray = np.where(samples.present, samples.values, 0.0)
        count: FloatArray = samples.present.astype(np.float64)
        if cell > 1:
            count = _summed(count, cell)
            values = _summed(values, cell) / np.maximum(count, 1.0)
        known = count > 0.0
        share = samples.clipped.sum() / max(int(samples.present.sum()), 1)
        return np.where(known, values - float(values[known].mean()), 0.0), float(share)


def _summed(plane: FloatArray, cell: int) -> FloatArray:
    size = plane.shape[0] // cell
    return np.asarray(plane.reshape(size, cell, size, cell).sum(axis=(1, 3)), np.float64)


def open_frame(path: Path) -> Frame:
    """Open a photograph: green of a colour sensor, luminance of a finished colour picture, else grey.

    Raises
    ------
    ImageError
        It cannot be read, or is too small to be looked at in pieces.
    """
    opened = photo.open_photo(path)
    if min(opened.size_px) < 4 * 64:
        raise ImageError(
            f"{path.name}: {opened.size_px[0]} x {opened.size_px[1]} pixels are too few; ranking needs 256 each way"
        )
    channel = "luminance" if "luminance" in opened.channels else opened.default_channel
    sites = opened.cut(Box(top=0, left=0, height=24, width=24), channel).present
    return Frame(photograph=opened, channel=channel, lattice=_lattice(sites))


def _lattice(sites: BoolArray) -> Lattice:
    """Tell the lattice of a channel from a corner of its sites.

    >>> checkers = np.indices((24, 24)).sum(axis=0) % 2 == 1
    >>> _lattice(checkers).quincunx, _lattice(np.ones((24, 24), dtype=bool)).cell_px
    (True, 1)
    """
    if sites.all():
        return Lattice(cell_px=1, quincunx=False)
    if not (sites[1:] & sites[:-1]).any() and (sites[1:] | sites[:-1]).all():
        return Lattice(cell_px=1, quincunx=True)
    for period in range(2, _LONGEST_PERIOD + 1):
        across, down = sites[:, period:] == sites[:, :-period], sites[period:] == sites[:-period]
        if across.all() and down.all():
            return Lattice(cell_px=period, quincunx=False)
    return Lattice(cell_px=_LONGEST_PERIOD, quincunx=False)


def frequencies(size: int, *, lattice: Lattice) -> tuple[FloatArray, FloatArray, BoolArray]:
    """Give row and column frequency of every bin of a piece's spectrum, and which bins hold the scene whole.

    Cycles per cell; shapes (size, size // 2 + 1).
    """
    rows, columns = np.meshgrid(np.fft.fftfreq(size), np.fft.rfftfreq(size), indexing="ij")
    if lattice.quincunx:
        whole = np.abs(rows) + np.abs(columns) <= _QUINCUNX_ZONE
    else:
        whole = np.hypot(rows, columns) <= _PLANE_HIGHEST
    return rows, columns, np.asarray(whole, np.bool_)
