"""Edges as finished files hold them: demosaiced, brought to 8 bits, compressed, denoised.

An exact edge with sensor noise goes through everything that makes a file of it, and comes back as linear samples of the
file's green, as the program reads them. Three things can be called true of it: the MTF of optics and pixel before the
file was made; that of the picture that comes of a long edge without noise; and that of the mean picture of a long edge
with noise, for an adaptive step treats a noisy edge otherwise than a clean one.
"""

import itertools
from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import cache

import numpy as np
import numpy.typing as npt
from demosaics import DEMOSAICS, Demosaic
from exact_edges import Profile, samples
from odd_edges import OddEdge, first_crossing, noisy_levels, profile_of

from lensbench.model.shot import Samples

Array = npt.NDArray[np.float64]
Bytes = npt.NDArray[np.uint8]
Random = np.random.Generator

SUBSAMPLING = {"4:2:0": 0x221111, "4:4:4": 0x111111}
"""Of a JPEG's colours, as the encoder names them."""

RED_GREEN_BLUE = (0.5, 1.0, 0.65)
"""How bright neutral grey is on the sensor: red and blue are raised afterwards, and their noise with them."""

_MARGIN_PX = 16
_REACH_PX = 12
_STEPS_A_PX = 8
_TILES = (14, 20)
"""Enough for the reach and the core's own width."""
_NEAR_PX = 10.0
_HALF_A_CODE_SNR = 200.0


@dataclass(frozen=True, kw_only=True)
class Processing:
    """What is done between sensor and file; without a step, the three colours were sampled everywhere."""

    demosaic: Demosaic | None = None
    denoise: Callable[[Bytes], Bytes] | None = None
    """Of 8-bit sRGB codes (rows, columns, 3)."""
    deep: bool = False
    """16 bits, linear; otherwise 8 bits sRGB."""
    quality: int | None = None
    """Of JPEG; None is lossless."""
    subsampling: str = "4:4:4"

    @property
    def truths(self) -> tuple[str, ...]:
        """What can be called true of the picture: see `ProcessedEdge.truth`; the first is what one asks of a method."""
        if self.denoise:
            return "noisy", "optics"
        return ("clean", "noisy") if self.demosaic else ("optics",)

    def picture(self, esf: Array, snr: float | None, rng: Random) -> Array:
        """Linear green of the file made of an edge, 0 to 1."""
        light = self._mosaicked(esf, snr, rng) if self.demosaic else _three_colours(esf, snr, rng)
        if self.deep:
            return np.round(np.clip(light[:, :, 1], 0.0, 1.0) * 65535.0) / 65535.0
        codes = np.round(255.0 * srgb_code(np.clip(light, 0.0, 1.0))).astype(np.uint8)
        if self.denoise:
            codes = self.denoise(codes)
        if self.quality is not None:
            codes = _through_jpeg(codes, self.quality, self.subsampling)
        return srgb_light(codes[:, :, 1] / 255.0)

    def _mosaicked(self, esf: Array, snr: float | None, rng: Random) -> Array:
        """One colour a site, each with the noise of its own light, and what the interpolation makes of it."""
        assert self.demosaic is not None
        row, col = np.indices(esf.shape)
        share = np.array(RED_GREEN_BLUE)[row % 2 + col % 2]  # red at even, blue at odd rows and columns
        # Noise on a share of the light has the root of the share; raised again, it is larger by that root.
        mosaic = np.empty(esf.shape)
        for value in RED_GREEN_BLUE:
            own_snr = None if snr is None else snr * np.sqrt(value)
            own = share == value
            mosaic[own] = noisy_levels(esf[own], own_snr, rng, photons=True)
        return self.demosaic(mosaic)


def _three_colours(esf: Array, snr: float | None, rng: Random) -> Array:
    return np.stack([noisy_levels(esf, snr, rng, photons=True) for _ in range(3)], axis=2)


def srgb_code(light: Array) -> Array:
    """sRGB code, 0 to 1, of linear light (IEC 61966-2-1)."""
    curved = 1.055 * np.power(np.maximum(light, 1e-9), 1.0 / 2.4) - 0.055
    return np.where(light <= 0.0031308, 12.92 * light, curved)


def srgb_light(code: Array) -> Array:
    """Linear light of an sRGB code (IEC 61966-2-1)."""
    return np.where(code <= 0.04045, code / 12.92, np.power((code + 0.055) / 1.055, 2.4))


def _through_jpeg(codes: Bytes, quality: int, subsampling: str) -> Bytes:
    import cv2  # noqa: PLC0415  heavy

    options = [cv2.IMWRITE_JPEG_QUALITY, quality, cv2.IMWRITE_JPEG_SAMPLING_FACTOR, SUBSAMPLING[subsampling]]
    done, data = cv2.imencode(".jpg", codes[:, :, ::-1], options)
    assert done
    return np.asarray(cv2.imdecode(data, cv2.IMREAD_COLOR), np.uint8)[:, :, ::-1]


@dataclass(frozen=True, kw_only=True)
class ProcessedEdge:
    """An edge in a file: where it lies in its region, and where the region lies in the picture."""

    edge: OddEdge
    processing: Processing
    pads_px: tuple[int, int]
    """Picture above and to the left of the region: blocks and filter sites may begin anywhere."""

    def samples(self, snr: float | None, rng: Random) -> Samples:
        """Linear samples of the region in the file."""
        scene, (top, left) = self.edge.scene, self.pads_px
        rows = np.arange(-top, scene.height + _MARGIN_PX) - 0.5 * (scene.height - 1)
        cols = np.arange(-left, scene.width + _MARGIN_PX) - 0.5 * (scene.width - 1)
        distance = scene.distance_px(
            np.asarray(rows[:, None], np.float64), np.asarray(cols[None, :], np.float64)
        )
        esf = wide_profile(self.edge)(distance)
        values = self.processing.picture(1.0 - esf if scene.flipped else esf, snr, rng)
        values = values[top : top + scene.height, left : left + scene.width]
        return samples(
            values,
            channel="green",
            is_sensor=False,
            rounding_sd=self._rounding_sd(values),
            clipped=(values <= 0.0) | (values >= 1.0),
            tone_known=self.processing.deep,
        )

    def _rounding_sd(self, values: Array) -> tuple[float, float]:
        """A code's width over the root of twelve, on either side; sRGB's slope: IEC 61966-2-1."""
        if self.processing.deep:
            return (1.0 / 65535.0 / np.sqrt(12.0),) * 2
        dark, bright = np.quantile(values, (0.25, 0.75))
        return tuple(
            float(
                2.4
                / 1.055
                * ((1.055 * level ** (1 / 2.4) - 0.055) + 0.055) ** 1.4
                / 1.055**1.4
                / 255.0
                / np.sqrt(12.0)
            )
            for level in (max(dark, 1e-3), max(bright, 1e-3))
        )

    def truth(self, level: float, asked: str, snr: float | None = None) -> float:
        """True frequency of «optics», before the file was made, or of the picture from a «clean» or a «noisy» edge.

        In 8 bits the clean edge has noise of half a code: a plateau without any would stick to one code, off its level.
        """
        if asked == "optics":
            return self.edge.at(level)
        scene = self.edge.scene
        turned = replace(scene, height=64, width=64, offset_px=0.0)
        edge = replace(self.edge, scene=turned)
        if asked == "clean":
            snr = None if self.processing.deep else _HALF_A_CODE_SNR
        frequency, ratio = made_over_exact(edge, self.processing, snr)

        def mtf(at: Array) -> Array:
            return np.asarray(np.abs(edge.transfer(at)) * np.interp(at, frequency, ratio), np.float64)

        return first_crossing(mtf, level, highest_cypx=float(frequency[-1]))


@cache
def made_over_exact(edge: OddEdge, processing: Processing, snr: float | None) -> tuple[Array, Array]:
    """What making a file does to the MTF along the edge's normal, over frequency up to 1 cy/px.

    A straight edge stands to a pixel by its distance alone, and by the pixel's place in filter array and blocks. So the
    edge is moved past a few pixels in steps of 1/8 px; those of all places count alike. The same sums over the exact
    values cancel whatever the sums themselves do.
    """
    core_px = 4 if snr is None else 16 if snr > 40.0 else 28
    tile_px = core_px + 2 * _MARGIN_PX
    tiles_down, tiles_across = _TILES
    shift = (np.arange(tiles_down * tiles_across) - 0.5 * tiles_down * tiles_across) / _STEPS_A_PX
    at = np.arange(tile_px) - 0.5 * (tile_px - 1)
    moved = replace(edge.scene, offset_px=0.0)
    distance = moved.distance_px(at[:, None], at[None, :]) - shift[:, None, None]
    exact = wide_profile(edge)(distance)

    def sheet(tiles: Array) -> Array:
        whole = tiles.reshape(tiles_down, tiles_across, tile_px, tile_px).swapaxes(1, 2)
        return whole.reshape(tiles_down * tile_px, tiles_across * tile_px)

    rng = np.random.default_rng(0)
    picture = processing.picture(sheet(1.0 - exact if moved.flipped else exact), snr, rng)
    made = picture.reshape(tiles_down, tile_px, tiles_across, tile_px).swapaxes(1, 2).reshape(exact.shape)
    inner = (slice(None), slice(_MARGIN_PX, -_MARGIN_PX), slice(_MARGIN_PX, -_MARGIN_PX))
    return _ratio(distance[inner], made[inner], exact[inner])


def _ratio(distance: Array, made: Array, exact: Array) -> tuple[Array, Array]:
    """Of the spectra of two edges, from values at the same distances.

    Far from the edge they agree but for black and white: only how they differ near it is transformed, which leaves the
    noise of the rest out.
    """
    bins = 2 * _REACH_PX * _STEPS_A_PX
    place = np.floor((distance + _REACH_PX) * _STEPS_A_PX).astype(np.intp)
    own = (place >= 0) & (place < bins)
    count = np.bincount(place[own], minlength=bins)
    esf_made, esf_exact = (np.bincount(place[own], values[own], bins) / count for values in (made, exact))
    apart = np.abs((np.arange(bins) + 0.5) / _STEPS_A_PX - _REACH_PX)
    step, black = np.polyfit(esf_exact[apart > _NEAR_PX], esf_made[apart > _NEAR_PX], 1)
    fading = np.clip((apart - 0.5 * _NEAR_PX) / (0.5 * _NEAR_PX), 0.0, 1.0)
    difference = ((esf_made - black) / step - esf_exact) * np.square(np.cos(0.5 * np.pi * fading))
    frequency = np.linspace(0.0, 1.0, 201)
    waves = np.exp(-2j * np.pi * np.outer(frequency, np.arange(1, bins) / _STEPS_A_PX - _REACH_PX))
    spectra = [np.abs(waves @ np.diff(esf)) for esf in (esf_exact + difference, esf_exact)]
    return frequency, spectra[0] / np.maximum(spectra[1], 1e-9)


def wide_profile(edge: OddEdge) -> Profile:
    """ESF over the whole picture, margins and all."""
    reach = float(np.hypot(edge.scene.height, edge.scene.width)) + 6.0 * _MARGIN_PX
    return profile_of(edge.transfer, edge.spread.highest_cypx, reach)


def processed(edge: OddEdge, processing: Processing, rng: Random) -> ProcessedEdge:
    """An edge at a random place among blocks and filter sites."""
    top, left = (int(pad) for pad in _MARGIN_PX + rng.integers(0, 16, 2))
    return ProcessedEdge(edge=edge, processing=processing, pads_px=(top, left))


def _gaussian(codes: Bytes) -> Bytes:
    import cv2  # noqa: PLC0415  heavy

    return np.asarray(cv2.GaussianBlur(codes, (0, 0), 0.6), np.uint8)


def _bilateral(codes: Bytes) -> Bytes:
    import cv2  # noqa: PLC0415  heavy

    return np.asarray(cv2.bilateralFilter(codes, 5, 20.0, 1.5), np.uint8)


def _non_local_means(codes: Bytes) -> Bytes:
    import cv2  # noqa: PLC0415  heavy

    return np.asarray(cv2.fastNlMeansDenoising(codes, None, 6.0, 5, 11), np.uint8)


PROCESSINGS: dict[str, Processing] = {
    **{
        f"demosaic {name}, 16-bit linear": Processing(demosaic=way, deep=True)
        for name, way in DEMOSAICS.items()
    },
    "demosaic AHD, 8-bit sRGB": Processing(demosaic=DEMOSAICS["AHD"]),
    "demosaic AHD, JPEG 90 4:2:0": Processing(demosaic=DEMOSAICS["AHD"], quality=90, subsampling="4:2:0"),
    "8-bit sRGB": Processing(),
    **{
        f"JPEG {quality} {subsampling}": Processing(quality=quality, subsampling=subsampling)
        for quality, subsampling in itertools.product((60, 75, 85, 95, 98), SUBSAMPLING)
    },
    "denoised gaussian, 8-bit sRGB": Processing(denoise=_gaussian),
    "denoised bilateral, 8-bit sRGB": Processing(denoise=_bilateral),
    "denoised non-local means, 8-bit sRGB": Processing(denoise=_non_local_means),
    "denoised bilateral, JPEG 85 4:2:0": Processing(denoise=_bilateral, quality=85, subsampling="4:2:0"),
}
"""What is done between sensor and file, by name."""
