"""Laying frames over one another: the whole frame first, then piece by piece to a fraction of a pixel.

A displacement d of the scene turns a spectrum F(f) into F(f) exp(-2 pi i f d). The whole frame gives the
displacement by phase correlation of a small copy; pieces give it by their correlation's peak, a smooth map (shift,
rotation, scale) is laid through them robustly, and the slope of the phase gives what is left.

References
----------
C. D. Kuglin, D. C. Hines, Proc. IEEE Int. Conf. Cybernetics and Society, 163 (1975): phase correlation (from memory).
"""

from dataclasses import dataclass
from typing import Final

import numpy as np
from scipy import fft
from skimage.registration import phase_cross_correlation

from lensbench.study.rank_frames import ComplexArray, Frame, IntArray, frequencies
from lensbench.units import FloatArray

__all__ = ["Overlaid", "ReferencePieces", "lay_over"]

_SMALL_PX: Final = 300_000
_LOW_BAND: Final = (0.02, 0.14)
_SLOPE_HIGHEST: Final = (0.2, 0.3)
"""Highest frequency at which the phase is read, first and second time: it must not wrap. [cycles/cell]"""
_ROUNDS: Final = 6


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
    shift_cells: FloatArray
    """Displacement of the scene in each piece (down, right)."""
    likeness: FloatArray
    """Coherence of the coarse detail with the reference, -1 to 1; 0 where the piece left the picture."""


def lay_over(frame: Frame, reference: ReferencePieces) -> Overlaid:
    """Find a frame's pieces that show the same places as the reference's."""
    centers = reference.corners.astype(np.float64) + reference.size / 2.0
    guess: FloatArray = np.tile(_frame_shift(reference.frame, frame), (len(centers), 1))
    for _ in range(2):
        found = frame.pieces(reference.corners + np.rint(guess).astype(np.int64), reference.size)
        seen: FloatArray = np.asarray(np.rint(guess) + _peaks(reference.spectra, found.spectra), np.float64)
        rest: FloatArray = np.asarray(seen - np.rint(guess), np.float64)
        guess = _smooth_map(centers, seen, _likeness(reference, found.spectra, rest))
    whole = np.rint(guess)
    found = frame.pieces(reference.corners + whole.astype(np.int64), reference.size)
    rest = _slopes(reference, found.spectra)
    return Overlaid(
        spectra=_moved(found.spectra, -rest),
        shift_cells=whole + rest,
        likeness=np.where(found.inside, _likeness(reference, found.spectra, rest), 0.0),
    )


def _frame_shift(reference: Frame, frame: Frame) -> FloatArray:
    """Give the displacement (down, right) of a whole frame in cells, to about a cell of the small copy."""
    small = [one.photograph.overview(_SMALL_PX) for one in (reference, frame)]
    size = np.minimum(small[0].grey.shape, small[1].grey.shape)
    window = np.outer(np.hanning(size[0]), np.hanning(size[1]))
    planes = [one.grey[: size[0], : size[1]].astype(np.float64) for one in small]
    first, second = ((plane - plane.mean()) * window for plane in planes)
    # What would move the second onto the first: the displacement with its sign turned.
    back, _, _ = phase_cross_correlation(first, second, normalization="phase")  # type: ignore[no-untyped-call]
    return np.asarray(-back * small[0].factor / reference.lattice.cell_px, np.float64)


def _peaks(reference: ComplexArray, spectra: ComplexArray) -> FloatArray:
    """Give each piece's displacement to a whole cell, by the peak of the half-whitened correlation."""
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
    """Give what is left of each piece's displacement, from the slope of the phase."""
    rows, columns, whole = frequencies(reference.size, lattice=reference.frame.lattice)
    rest = np.zeros((len(spectra), 2))
    for highest in _SLOPE_HIGHEST:
        use = whole & (np.hypot(rows, columns) < highest) & ((rows != 0.0) | (columns != 0.0))
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
    rows, columns, _ = frequencies(reference.size, lattice=reference.frame.lattice)
    radius = np.hypot(rows, columns)
    use = (radius > _LOW_BAND[0]) & (radius < _LOW_BAND[1])
    own, other = reference.spectra[:, use], _moved(spectra, -shift)[:, use]
    power = np.sqrt(np.sum(np.abs(own) ** 2, axis=1) * np.sum(np.abs(other) ** 2, axis=1))
    return np.asarray(np.real(np.sum(np.conj(own) * other, axis=1)) / np.maximum(power, 1e-30), np.float64)
