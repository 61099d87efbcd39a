"""From the chart's shapes to the sensor's numbers: optics, pixels, noise, levels, and the processing of a picture.

In Fourier space a patch is multiplied by the exact optical transfer function and by the square pixel's, the
Gaussian that its edges were drawn with is divided out, and the spectrum is folded down to one sample a pixel,
as sampling at the pixel centres does. The small inverse transform gives the pixels' values.
"""

from collections.abc import Sequence
from functools import lru_cache
from itertools import groupby
from typing import Final

import numpy as np
import numpy.typing as npt
from scipy import fft, ndimage

from lensbench.model.shot import BoolArray
from lensbench.simulate.camera import Camera
from lensbench.simulate.lens import PointBlur
from lensbench.simulate.pattern import FINE_SIGMA_PX, OVERSAMPLING
from lensbench.simulate.scene import Geometry, Shot

_TABLE: Final = 32_768  # entries of the radial transfer: 1e-4 cycles per pixel apart at most, exact to 5e-5
_NODES: Final = (
    1450  # frequencies of the closed forms up to the cutoff; between them the table is linear, exact to 2e-6
)

Plane = npt.NDArray[np.float32]
SingleComplex = npt.NDArray[np.complex64]


def pixels_of(spectrum: SingleComplex, blur: PointBlur) -> Plane:
    """Pixels of a patch seen through a blur, integrated over squares, shape (size, size).

    The spectrum holds all rows' frequencies, the columns' from zero up; it serves every stop and focus.
    """
    size = len(spectrum) // OVERSAMPLING
    copies = min(OVERSAMPLING, max(1, int(np.ceil(2.0 / blur.q))))
    filtered = _cropped(spectrum, size * copies) * _transfer(size, copies, blur)
    folded = _folded(filtered, size, copies) / np.float32(OVERSAMPLING**2)
    return np.asarray(fft.irfft2(folded, s=(size, size)))


def _transfer(size: int, copies: int, blur: PointBlur) -> Plane | SingleComplex:
    """Transfer of optics and pixel over that of the fine Gaussian, on a patch's frequencies."""
    radius, rows, cols = _frequencies(size, copies)
    transfer: Plane | SingleComplex
    if blur.pupil is None:
        highest = np.sqrt(0.5) * copies
        nodes = np.linspace(0.0, min(highest, 1.0 / blur.q), _NODES)
        places = np.linspace(0.0, highest, _TABLE)
        table = np.interp(places, nodes, blur.radial(nodes), right=0.0).astype(np.float32)
        transfer = table.take(radius)
    else:
        transfer = blur.pupil.at(rows[:, None], cols).astype(np.complex64)
    transfer *= np.sinc(rows).astype(np.float32)[:, None]
    transfer *= np.sinc(cols).astype(np.float32)
    row_row, row_col, col_col = -2.0 * np.pi**2 * np.array(blur.spread_px2)
    fine = -2.0 * np.pi**2 * FINE_SIGMA_PX**2
    exponent = np.outer(2.0 * row_col * rows, cols).astype(np.float32)
    exponent += ((row_row - fine) * rows**2).astype(np.float32)[:, None]
    exponent += ((col_col - fine) * cols**2).astype(np.float32)
    transfer *= np.exp(exponent, out=exponent)
    if blur.motion_px != (0.0, 0.0):
        down, right = blur.motion_px
        transfer *= np.sinc(np.add.outer(down * rows, right * cols)).astype(np.float32)
    return transfer


@lru_cache(maxsize=12)
def _frequencies(
    size: int, copies: int
) -> tuple[npt.NDArray[np.int32], npt.NDArray[np.float64], npt.NDArray[np.float64]]:
    """Each frequency's place in the radial table, and the row and column frequencies in cy/px."""
    fine = size * copies
    rows = np.fft.fftfreq(fine) * copies
    cols = np.fft.rfftfreq(fine) * copies
    radius = np.hypot(rows[:, None], cols)
    place: npt.NDArray[np.int32] = np.rint(radius * ((_TABLE - 1) / (np.sqrt(0.5) * copies))).astype(np.int32)
    return place, rows.astype(np.float64), cols.astype(np.float64)


def _cropped(values: SingleComplex, fine: int) -> SingleComplex:
    """Keep the frequencies that the lens can pass: the lowest `fine` of each axis."""
    half = fine // 2
    if fine == values.shape[0]:
        return values
    return np.concatenate([values[:half, : half + 1], values[-half:, : half + 1]])


def _folded(values: SingleComplex, size: int, copies: int) -> SingleComplex:
    """Add up the frequencies that sampling once a pixel cannot tell apart."""
    if copies == 1:
        return values
    rows = values.reshape(copies, size, -1).sum(axis=0)
    mirrored = np.conj(np.concatenate([rows[:1], rows[:0:-1]]))
    low = np.arange(size // 2 + 1)
    total = np.zeros((size, low.size), dtype=np.complex64)
    for copy in range(copies):
        column = low + copy * size
        upper = column > copies * size // 2
        total[:, ~upper] += rows[:, column[~upper]]
        total[:, upper] += mirrored[:, copies * size - column[upper]]
    return total


def light_on_sensor(geometry: Geometry, shots: Sequence[Shot], *, finished: bool) -> list[Plane]:
    """Noise-free signal of each shot at this focal length, 1 at the sensor's white, rendered side by side.

    When finished, every channel at every pixel, shape (rows, cols, channels), white-balanced; else each site its own
    channel, shape (rows, cols).
    """
    camera = geometry.scene.camera
    channels = camera.channels
    size = (camera.rows, camera.cols, len(channels)) if finished else (camera.rows, camera.cols)
    planes = [np.zeros(size, np.float32) for _ in shots]
    sites = {channel: None if finished else camera.sites(channel) for channel in channels}
    for shape in geometry.shapes():
        for outward, alike in groupby(channels, geometry.outward):
            patch = geometry.drawn(shape, outward)
            corner, spectrum = (patch.top, patch.left), fft.rfft2(patch.fine)
            del patch  # as large as its spectrum
            for channel in alike:
                number = channels.index(channel)
                blurred: dict[PointBlur, Plane] = {}  # equal blurs are worked out once
                for shot, plane in zip(shots, planes, strict=True):
                    blur = geometry.blur(shot, channel, shape.center_mm)
                    if blur not in blurred:
                        blurred[blur] = pixels_of(spectrum, blur)
                    view = plane[..., number] if finished else plane
                    _add(view, blurred[blur], corner=corner, sites=sites[channel])
    return [
        _exposed(geometry, shot, plane, finished=finished) for shot, plane in zip(shots, planes, strict=True)
    ]


def _add(plane: Plane, pixels: Plane, *, corner: tuple[int, int], sites: BoolArray | None) -> None:
    """Add a patch to a plane, as far as it lies within and where the sensor has sites."""
    top, left = max(corner[0], 0), max(corner[1], 0)
    bottom = min(corner[0] + pixels.shape[0], plane.shape[0])
    right = min(corner[1] + pixels.shape[1], plane.shape[1])
    if bottom <= top or right <= left:
        return
    inside = pixels[top - corner[0] : bottom - corner[0], left - corner[1] : right - corner[1]]
    window = np.s_[top:bottom, left:right]
    plane[window] += inside if sites is None else inside * sites[window]


def _exposed(geometry: Geometry, shot: Shot, plane: Plane, *, finished: bool) -> Plane:
    """Turn the deviation from paper white into signal: exposure, vignetting, each channel's response."""
    camera = geometry.scene.camera
    opening = geometry.scene.lens.stopped_down(shot.f_number)
    corner_stops = geometry.optics_here.vignetting_stops * opening**2
    center_row, center_col = camera.center_px
    rows_px, cols_px = np.arange(camera.rows) - center_row, np.arange(camera.cols) - center_col
    falling = [2.0 ** (-corner_stops * (away / camera.half_diagonal_px) ** 2) for away in (rows_px, cols_px)]
    falloff = np.outer(*falling)
    down, right = shot.light_slope
    lamps = 1.0 + np.add.outer(down * rows_px, right * cols_px) / camera.half_diagonal_px
    light: Plane = (shot.paper_level * falloff * lamps).astype(np.float32)
    if finished:
        return (plane + np.float32(1.0)) * light[..., None]
    for channel in camera.channels:
        if (response := camera.response(channel)) != 1.0:
            light[camera.sites(channel)] *= np.float32(response)
    return (plane + np.float32(1.0)) * light


SHARPENING_SIGMA_PX: Final = 1.0  # of the Gaussian that the simulated in-camera sharpening subtracts


def raw_numbers(light: Plane, shot: Shot, camera: Camera) -> npt.NDArray[np.uint16]:
    """Numbers of the sensor: signal with noise between the black and the white level.

    Photon noise is drawn from the normal distribution of the same variance, which differs from Poisson's by
    a skewness of 1/sqrt(electrons) only.
    """
    signal = _noisy(light, shot, camera) if shot.noise else light
    numbers = camera.black + signal * np.float32(camera.white - camera.black)
    return np.asarray(np.clip(np.rint(numbers), 0, camera.white).astype(np.uint16))


def finished_picture(light: Plane, shot: Shot, camera: Camera, *, sharpening: float) -> Plane:
    """Finished linear picture, 0 to 1, shape (rows, cols, channels) or (rows, cols) for grey.

    Every channel is rendered at every pixel, so no demosaicing takes part. Sharpening adds back `sharpening`
    times the difference from a Gaussian-blurred copy, in linear light, so that its transfer is known exactly.
    """
    picture = light
    if shot.noise:
        gains = np.array([camera.response(channel) for channel in camera.channels], np.float32)
        picture = _noisy(light * gains, shot, camera) / gains
    if sharpening:
        sigma = (SHARPENING_SIGMA_PX, SHARPENING_SIGMA_PX, 0.0)
        blurred = ndimage.gaussian_filter(picture, sigma, truncate=6.0, mode="nearest")
        picture = picture + np.float32(sharpening) * (picture - blurred)
    order = [camera.channels.index(name) for name in ("red", "green", "blue") if name in camera.channels]
    picture = picture[..., order] if order else picture[..., 0]
    return np.asarray(np.clip(picture, 0.0, 1.0))


def srgb_encoded(linear: Plane) -> Plane:
    """Codes in sRGB of linear values, 0 to 1 (IEC 61966-2-1)."""
    low = linear * np.float32(12.92)
    high = np.float32(1.055) * np.maximum(linear, 1e-6) ** np.float32(1.0 / 2.4) - np.float32(0.055)
    return np.asarray(np.where(linear <= 0.0031308, low, high).astype(np.float32))


def _noisy(light: Plane, shot: Shot, camera: Camera) -> Plane:
    """Add photon and read noise to a signal of 1 at white."""
    full = camera.electrons_at_white * camera.base_iso / shot.iso
    variance = np.maximum(light, 0.0) / np.float32(full) + np.float32(
        (camera.read_noise_electrons / full) ** 2
    )
    random = np.random.default_rng(shot.seed)
    noise = np.sqrt(variance) * random.standard_normal(light.shape, dtype=np.float32)
    return (light + noise).astype(np.float32, copy=False)
