"""Frames to be ranked: square pieces of one channel, on the sensor's own lattice, turned to spectra.

Nothing is demosaiced. A full plane (finished picture, monochrome sensor) is taken as it is. Green of a Bayer
sensor stands on a quincunx: the other sites are set to zero after the mean is taken off, which copies the spectrum
to the corner (1/2, 1/2) and leaves |row| + |column| below 1/2 cycle per pixel whole; only that zone is used. Any
other lattice is averaged over its smallest repeating square, which is one cell then: detail finer than half a cycle
per cell is lost to every frame alike.

Frames are laid over one another, the whole frame first, then piece by piece to a fraction of a pixel: a displacement
d of the scene turns a spectrum F(f) into F(f) exp(-2 pi i f d). The whole frame gives the displacement by phase
correlation of a small copy; pieces give it by their correlation's peak, a smooth map (shift, rotation, scale) is laid
through them robustly, and the slope of the phase gives what is left.

References
----------
C. D. Kuglin, D. C. Hines, Proc. IEEE Int. Conf. Cybernetics and Society, 163 (1975): phase correlation (from memory).
"""

from dataclasses import dataclass
from pathlib import Path
from typing import Final

import numpy as np
import numpy.typing as npt
from scipy import fft
from skimage.registration import phase_cross_correlation

from lensbench import photo
from lensbench.model.errors import ImageError
from lensbench.model.shot import BoolArray, Box, IntArray
from lensbench.model.units import FloatArray
from lensbench.photo import Photo

ComplexArray = npt.NDArray[np.complex128]

_LONGEST_PERIOD: Final = 12
_QUINCUNX_ZONE: Final = 0.44
_PLANE_HIGHEST: Final = 0.48
_SMALL_PX: Final = 300_000
_LOW_BAND: Final = (0.02, 0.14)
_SLOPE_HIGHEST: Final = (0.2, 0.3)  # first and second time: the phase must not wrap. [cycles/cell]
_ROUNDS: Final = 6


@dataclass(frozen=True, slots=True, kw_only=True)
class Lattice:
    """Where a channel's sites stand."""

    cell_px: int  # side of a cell: 1, or the smallest square that repeats
    quincunx: bool


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Pieces:
    """Spectra of square pieces, Hann-windowed: shape (pieces, size, size // 2 + 1)."""

    spectra: ComplexArray
    inside: BoolArray  # False where the piece would reach outside the picture; its spectrum is zero
    clipped: FloatArray  # share of samples clipped at white in each piece


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
        """Cells of a piece with the mean taken off, and the share of clipped samples."""
        cell = self.lattice.cell_px
        box = Box(top=top * cell, left=left * cell, height=size * cell, width=size * cell)
        samples = self.photograph.cut(box, self.channel)
        values: FloatArray = np.where(samples.present, samples.values, 0.0)
        count: FloatArray = samples.present.astype(np.float64)
        if cell > 1:
            count = _summed(count, cell)
            values = _summed(values, cell) / np.maximum(count, 1.0)
        known = count > 0.0
        # Noise alone takes dark samples to the black limit; only white hides detail.
        white = samples.clipped & (samples.values > samples.values[samples.present].mean())
        share = white.sum() / max(int(samples.present.sum()), 1)
        return np.where(known, values - float(values[known].mean()), 0.0), float(share)


def _summed(plane: FloatArray, cell: int) -> FloatArray:
    size = plane.shape[0] // cell
    return np.asarray(plane.reshape(size, cell, size, cell).sum(axis=(1, 3)), np.float64)


def open_frame(path: Path) -> Frame:
    """Open a photograph: green of a colour sensor, luminance of a finished colour picture, else grey."""
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


def frequencies(size: int, *, lattice: Lattice) -> tuple[FloatArray, FloatArray, FloatArray, BoolArray]:
    """Row, column, radial frequency [cycles/cell] of a spectrum's bins, and which of them hold the scene whole."""
    rows, columns = np.meshgrid(np.fft.fftfreq(size), np.fft.rfftfreq(size), indexing="ij")
    radius = np.hypot(rows, columns)
    quincunx = np.abs(rows) + np.abs(columns) <= _QUINCUNX_ZONE
    whole = quincunx if lattice.quincunx else radius <= _PLANE_HIGHEST
    return rows, columns, radius, np.asarray(whole, np.bool_)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ReferencePieces:
    """The pieces of the frame that the others are laid over."""

    frame: Frame
    corners: IntArray
    size: int
    spectra: ComplexArray


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Overlaid:
    """A frame's pieces, moved to where the reference has them."""

    spectra: ComplexArray
    shift_cells: FloatArray  # displacement of the scene in each piece (down, right)
    likeness: FloatArray  # coherence of coarse detail with the reference, -1 to 1; 0 outside the picture
    clipped: FloatArray  # share of clipped samples of each piece


def lay_over(frame: Frame, reference: ReferencePieces) -> Overlaid:
    """Find a frame's pieces that show the same places as the reference's."""
    centers = reference.corners.astype(np.float64) + reference.size / 2.0
    guess: FloatArray = np.tile(_frame_shift(reference.frame, frame), (len(centers), 1))
    for _ in range(2):
        whole = np.rint(guess)
        pieces = frame.pieces(reference.corners + whole.astype(np.int64), reference.size)
        rest = _peaks(reference.spectra, pieces.spectra)
        guess = _smooth_map(centers, whole + rest, _likeness(reference, pieces.spectra, rest))
    whole = np.rint(guess)
    pieces = frame.pieces(reference.corners + whole.astype(np.int64), reference.size)
    rest = _slopes(reference, pieces.spectra)
    return Overlaid(
        spectra=_moved(pieces.spectra, -rest),
        shift_cells=whole + rest,
        likeness=np.where(pieces.inside, _likeness(reference, pieces.spectra, rest), 0.0),
        clipped=pieces.clipped,
    )


def _frame_shift(reference: Frame, frame: Frame) -> FloatArray:
    """Displacement (down, right) of a whole frame in cells, to about a cell of the small copy."""
    small = [each.photograph.overview(_SMALL_PX) for each in (reference, frame)]
    size = np.minimum(small[0].grey.shape, small[1].grey.shape)
    window = np.outer(np.hanning(size[0]), np.hanning(size[1]))
    planes = [view.grey[: size[0], : size[1]].astype(np.float64) for view in small]
    first, second = ((plane - plane.mean()) * window for plane in planes)
    if not (first.any() and second.any()):  # one tone all over: it lies anywhere
        return np.zeros(2)
    # What would move the second onto the first: the displacement with its sign turned.
    back, _, _ = phase_cross_correlation(first, second, normalization="phase")  # type: ignore[no-untyped-call]
    return np.asarray(-back * small[0].factor / reference.lattice.cell_px, np.float64)


def _peaks(reference: ComplexArray, spectra: ComplexArray) -> FloatArray:
    """Each piece's displacement to a whole cell, by the peak of the half-whitened correlation."""
    cross = np.conj(reference) * spectra
    correlation = fft.irfft2(cross / np.sqrt(np.maximum(np.abs(cross), 1e-30)), s=(cross.shape[1],) * 2)
    size = cross.shape[1]
    flat = correlation.reshape(len(cross), -1).argmax(axis=1)
    peak = np.stack(np.unravel_index(flat, (size, size)), axis=1).astype(np.float64)
    return np.where(peak > size / 2, peak - size, peak)


def _smooth_map(places: FloatArray, shifts: FloatArray, likeness: FloatArray) -> FloatArray:
    """Lay shift = a + B place through the pieces, those that stray from it losing their weight."""
    middle = places - places.mean(axis=0)
    design = np.column_stack([np.ones(len(places)), middle / np.abs(middle).max()])
    weight = np.clip(likeness, 0.0, 1.0) ** 2 + 1e-6
    value = np.tile(np.median(shifts, axis=0), (len(places), 1))
    for _ in range(_ROUNDS):
        away = np.linalg.norm(shifts - value, axis=1)
        robust = weight / (1.0 + (away / max(1.0, 2.0 * float(np.median(away)))) ** 2) ** 2
        root = np.sqrt(robust)[:, None]
        fit, *_ = np.linalg.lstsq(design * root, shifts * root, rcond=None)
        value = design @ fit
    return value


def _slopes(reference: ReferencePieces, spectra: ComplexArray) -> FloatArray:
    """Rest of each piece's displacement, from the slope of the phase."""
    rows, columns, radius, whole = frequencies(reference.size, lattice=reference.frame.lattice)
    rest = np.zeros((len(spectra), 2))
    for highest in _SLOPE_HIGHEST:
        use = whole & (radius < highest) & (radius > 0.0)
        axes = np.column_stack([rows[use], columns[use]])
        cross = np.conj(reference.spectra[:, use]) * _moved(spectra, -rest)[:, use]
        weight = np.abs(cross)
        normal = np.einsum("tk,ka,kb->tab", weight, axes, axes) + 1e-30 * np.eye(2)
        right = np.einsum("tk,ka->ta", weight * np.angle(cross), axes)
        rest = rest - np.linalg.solve(normal, right[..., None])[..., 0] / (2.0 * np.pi)
    return rest


def _moved(spectra: ComplexArray, shift: FloatArray) -> ComplexArray:
    """Move the scene of each piece by (down, right) cells."""
    size = spectra.shape[1]
    rows = np.exp(-2j * np.pi * shift[:, 0, None] * np.fft.fftfreq(size))
    columns = np.exp(-2j * np.pi * shift[:, 1, None] * np.fft.rfftfreq(size))
    return np.asarray(spectra * rows[:, :, None] * columns[:, None, :], np.complex128)


def _likeness(reference: ReferencePieces, spectra: ComplexArray, shift: FloatArray) -> FloatArray:
    _, _, radius, _ = frequencies(reference.size, lattice=reference.frame.lattice)
    use = (radius > _LOW_BAND[0]) & (radius < _LOW_BAND[1])
    own, other = reference.spectra[:, use], _moved(spectra, -shift)[:, use]
    power = np.sqrt(np.sum(np.abs(own) ** 2, axis=1) * np.sum(np.abs(other) ** 2, axis=1))
    return np.asarray(np.real(np.sum(np.conj(own) * other, axis=1)) / np.maximum(power, 1e-30), np.float64)
