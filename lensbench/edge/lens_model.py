"""A lens of known f-number before a sensor: its transfer with defocus and spread, and fast tables for its edges.

The transfer along an edge's normal is the product of the exact OTF of a circular pupil out of focus (averaged over a
band of wavelengths), the square pixel and a Gaussian. Sizes of blur come in as squares, because the derivative of a
transfer vanishes where a size is zero.
"""

from dataclasses import dataclass
from functools import cached_property, lru_cache
from typing import Final, Self

import numpy as np
import numpy.typing as npt

from lensbench import optics
from lensbench.model.errors import SettingError
from lensbench.model.units import FloatArray

CHANNEL_BAND_UM: Final = {
    "red": (0.62, 0.07),
    "green": (optics.GREEN_UM, 0.08),
    "blue": (0.46, 0.07),
    "grey": (0.55, 0.16),
    "luminance": (0.55, 0.12),
}
"""Middle and full width of the wavelengths that a colour filter passes: common practice, no source."""

_POSSIBLE_Q: Final = (0.04, 20.0)  # from f/0.9 on pixels of 12 um to f/32 on pixels of 1 um.
_NODES: Final = 144
_FINE: Final = 56  # bins of the finest width on either side; beyond them each bin is wider than the last
_GROWTH: Final = 1.15
_FARTHEST_PX: Final = 110.0
_HIGHEST_CYPX: Final = 6.0
_DISC_STEPS: Final = 160
_FIGURES: Final = 256
_LARGEST_DISC_PX: Final = 40.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Aperture:
    """What is known of the lens and the sensor before an edge is measured."""

    q: float
    """Wavelength times working f-number over pixel pitch, at the middle of the band."""
    relative_band: float = 0.0
    """Full width of the band of wavelengths over its middle."""

    def __post_init__(self) -> None:
        if not (0.0 < self.q < 100.0 and 0.0 <= self.relative_band < 1.0):
            raise ValueError(f"q is {self.q} and the relative band {self.relative_band}: out of range")

    @classmethod
    def of(
        cls, *, f_number: float, pixel_pitch_um: float, channel: str, magnification: float | None = None
    ) -> Self:
        """Take f-number and magnification (they make the working f-number), and the customary band of a channel.

        Raises
        ------
        SettingError
            No camera has such a pixel behind such a lens.

        >>> round(Aperture.of(f_number=8.0, pixel_pitch_um=4.0, channel="green").q, 2)
        1.08
        """
        middle, width = CHANNEL_BAND_UM.get(channel, CHANNEL_BAND_UM["grey"])
        q = optics.working_q(
            f_number, pixel_pitch_um=pixel_pitch_um, magnification=magnification, wavelength_um=middle
        )
        lowest, highest = _POSSIBLE_Q
        if not lowest <= q <= highest:
            raise SettingError(
                f"f/{f_number:g} on pixels of {pixel_pitch_um:g} um makes q {q:.3g}, outside {lowest:g} to "
                f"{highest:g}: check the f-number and the pixel pitch"
            )
        return cls(q=q, relative_band=width / middle)

    def band(self) -> tuple[FloatArray, FloatArray]:
        """Values of q at the Gauss nodes of the band, and their weights."""
        if self.relative_band == 0.0:
            return np.array([self.q]), np.ones(1)
        nodes, weights = np.polynomial.legendre.leggauss(4)
        return self.q * (1.0 + 0.5 * self.relative_band * nodes), 0.5 * weights

    @property
    def cutoff_cypx(self) -> float:
        """Frequency beyond which nothing passes, at the shortest wavelength."""
        return float(1.0 / self.band()[0].min())

    def pupil_otf(self, frequency_cypx: FloatArray, disc_px: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Pupil's OTF and its derivative by the squared disc, shape (discs, frequencies).

        Hopkins' integral for a circular pupil: (4/pi) of sqrt(1 - (x + nu)^2) cos(pi c f x) over x from 0 to 1 - nu,
        with c the geometric blur disc, the same at every wavelength.
        """
        gauss, gauss_weight = np.polynomial.legendre.leggauss(
            32 + int(_LARGEST_DISC_PX * self.cutoff_cypx / 2)
        )
        otf = np.zeros((disc_px.size, frequency_cypx.size))
        slope = np.zeros_like(otf)
        for q, share in zip(*self.band(), strict=True):
            nu = np.minimum(q * frequency_cypx, 1.0)
            reach = np.arccos(nu)[:, None]
            theta = 0.5 * reach * (1.0 + gauss)
            weight = share * (2.0 / np.pi) * reach * np.sin(theta) ** 2 * gauss_weight
            rate = np.pi * frequency_cypx[:, None] * (np.cos(theta) - nu[:, None])
            for index, disc in enumerate(disc_px):
                phase = rate * disc
                otf[index] += np.einsum("fg,fg->f", weight, np.cos(phase))
                slope[index] += np.einsum("fg,fg->f", weight, -0.5 * rate * rate * np.sinc(phase / np.pi))
        return otf, slope


@dataclass(frozen=True, eq=False)
class EdgeTable:
    """All that edges behind one aperture share: frequencies, the pupil's OTF by disc, and sine integrals by distance.

    Distances are bins towards either side, narrow near the edge and wider further out.
    """

    aperture: Aperture
    step_px: float

    @cached_property
    def frequency_cypx(self) -> FloatArray:
        """Gauss-Legendre nodes up to the cutoff."""
        return _nodes_cypx(self.aperture)

    @cached_property
    def borders(self) -> FloatArray:
        """Bins of distances from the edge: where the first, the second... end, in whole steps plus a half."""
        ends, width = list(range(_FINE + 1)), 1.0
        while ends[-1] * self.step_px < _FARTHEST_PX:
            width *= _GROWTH
            ends.append(ends[-1] + round(width))
        return np.asarray(ends, np.float64) + 0.5

    @cached_property
    def half_distance_px(self) -> FloatArray:
        """Middles of the bins at and beyond the edge."""
        starts = np.concatenate([[-0.5], self.borders[:-1]])
        return np.asarray(0.5 * (starts + self.borders) * self.step_px, np.float64)

    @cached_property
    def distance_px(self) -> FloatArray:
        """Middles of all bins, dark side first."""
        half = self.half_distance_px
        return np.concatenate([-half[:0:-1], half])

    @cached_property
    def bin_of(self) -> npt.NDArray[np.intp]:
        """The bin of every whole step from the farthest dark one to the farthest bright one."""
        last = int(self.borders[-1] - 0.5)
        half = np.searchsorted(self.borders, np.arange(last + 1))
        count = self.half_distance_px.size - 1
        return np.asarray(np.concatenate([count - half[:0:-1], count + half]), np.intp)

    @cached_property
    def kernels(self) -> FloatArray:
        """ESF less a half, LSF and its slope in every bin at and beyond the edge, from the OTF at the nodes.

        Product integration: the OTF's Legendre polynomial times sin(2 pi f d) / (pi f), so that few nodes serve far
        distances too. Shape (3, half the bins, nodes).
        """
        top = self._top_cypx
        many = _NODES + int(4.0 * top * self.half_distance_px[-1])
        x, weight = np.polynomial.legendre.leggauss(many)
        spread = _from_nodes(np.asarray(x, np.float64))
        f = 0.5 * top * (1.0 + x)
        turn = 2.0 * np.pi * np.outer(self.half_distance_px, f)
        measure = 0.5 * top * weight
        esf = (np.sin(turn) * (measure / (np.pi * f))) @ spread
        lsf = (np.cos(turn) * (2.0 * measure)) @ spread
        slope = (np.sin(turn) * (-4.0 * np.pi * f * measure)) @ spread
        return np.stack([esf, lsf, slope])

    @cached_property
    def figure_grid(self) -> tuple[FloatArray, FloatArray]:
        """Even frequencies that hold the MTF50 of edges in this table, and the matrix to them from the nodes."""
        top = min(self._top_cypx, 0.16 / self.step_px)
        grid = np.linspace(0.0, top, _FIGURES)
        return grid, _from_nodes(2.0 * grid / self._top_cypx - 1.0)

    @property
    def _top_cypx(self) -> float:
        return min(self.aperture.cutoff_cypx, _HIGHEST_CYPX)

    def pupil(self, disc_px2: float) -> tuple[FloatArray, FloatArray]:
        """Interpolate the pupil's OTF at the nodes and its derivative by the squared disc (Hermite's cubic)."""
        disc_px, otf, slope = _discs(self.aperture)
        disc = min(np.sqrt(disc_px2), _LARGEST_DISC_PX * 0.999)
        low = int((disc / _LARGEST_DISC_PX) ** (1.0 / 1.5) * (_DISC_STEPS - 1))
        start, end = disc_px[low] ** 2, disc_px[low + 1] ** 2
        span = end - start
        t = (disc * disc - start) / span
        pick = slice(low, low + 2)
        value = np.array([(1 + 2 * t) * (1 - t) ** 2, t * t * (3 - 2 * t)]) @ otf[pick]
        value += np.array([t * (1 - t) ** 2 * span, t * t * (t - 1) * span]) @ slope[pick]
        rate = np.array([6 * t * (t - 1) / span, 6 * t * (1 - t) / span]) @ otf[pick]
        rate += np.array([(1 - t) * (1 - 3 * t), t * (3 * t - 2)]) @ slope[pick]
        return value, rate

    def transfer(self, blur_px2: FloatArray, pixel: FloatArray) -> FloatArray:
        """Whole OTF at the nodes and its derivatives by squared disc diameter and variance: shape (3, nodes)."""
        disc2, variance = blur_px2
        pupil, rate = self.pupil(float(disc2))
        other = pixel * np.exp(-2.0 * variance * self._f2)
        total = pupil * other
        return np.stack([total, rate * other, -2.0 * self._f2 * total])

    @cached_property
    def _f2(self) -> FloatArray:
        return np.asarray((np.pi * self.frequency_cypx) ** 2, np.float64)


def _from_nodes(x: FloatArray) -> FloatArray:
    """Matrix from values at the nodes to those of their polynomial at places between -1 and 1."""
    nodes, weight = (np.asarray(part, np.float64) for part in np.polynomial.legendre.leggauss(_NODES))
    order = np.arange(_NODES)
    to_series = np.polynomial.legendre.legvander(nodes, _NODES - 1).T * weight * (order + 0.5)[:, None]
    return np.asarray(np.polynomial.legendre.legvander(x, _NODES - 1) @ to_series, np.float64)


def _nodes_cypx(aperture: Aperture) -> FloatArray:
    top = min(aperture.cutoff_cypx, _HIGHEST_CYPX)
    return np.asarray(0.5 * top * (1.0 + np.polynomial.legendre.leggauss(_NODES)[0]), np.float64)


@lru_cache(maxsize=16)
def _discs(aperture: Aperture) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Disc diameters in growing steps, with the pupil's OTF and its derivative by the squared disc."""
    disc_px = _LARGEST_DISC_PX * np.linspace(0.0, 1.0, _DISC_STEPS) ** 1.5
    return (disc_px, *aperture.pupil_otf(_nodes_cypx(aperture), disc_px))


@lru_cache(maxsize=24)
def edge_table(aperture: Aperture, step_px: float) -> EdgeTable:
    """Tables for an aperture and a finest bin width, made once."""
    return EdgeTable(aperture, step_px)
