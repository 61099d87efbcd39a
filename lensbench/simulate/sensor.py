"""From the light on the sensor to numbers: photon noise, read noise, levels, and the processing of a picture."""

from collections.abc import Sequence
from itertools import groupby
from typing import Final

import numpy as np
import numpy.typing as npt

from lensbench.model.shot import BoolArray
from lensbench.simulate.camera import Camera
from lensbench.simulate.lens import PointBlur
from lensbench.simulate.render import Spectrum, pixels_of, spectrum_of
from lensbench.simulate.scene import Geometry, Shot

Plane = npt.NDArray[np.float32]


def light_on_sensor(geometry: Geometry, shots: Sequence[Shot], *, finished: bool) -> list[Plane]:
    """Noise-free signal of each shot, 1 at the sensor's white.

    Parameters
    ----------
    geometry : Geometry
        The scene at the focal length of all these shots.
    shots : sequence of Shot
        They are rendered side by side; each takes one plane of memory (three when finished).
    finished : bool
        True: every channel at every pixel, shape (rows, cols, channels), white-balanced. False: each site its
        own channel, shape (rows, cols).
    """
    camera = geometry.scene.camera
    channels = camera.channels
    size = (camera.rows, camera.cols, len(channels)) if finished else (camera.rows, camera.cols)
    planes = [np.zeros(size, np.float32) for _ in shots]
    sites = {channel: None if finished else camera.sites(channel) for channel in channels}
    for shape in geometry.shapes():
        for outward, alike in groupby(channels, geometry.outward):
            spectrum = spectrum_of(shape.drawn(outward))
            for channel in alike:
                number = channels.index(channel)
                views = [plane[..., number] if finished else plane for plane in planes]
                blurs = [geometry.blur(shot, channel, shape.center_mm) for shot in shots]
                _add_blurred(views, spectrum, blurs, sites=sites[channel])
    return [
        _exposed(geometry, shot, plane, finished=finished) for shot, plane in zip(shots, planes, strict=True)
    ]


def _add_blurred(
    planes: Sequence[Plane], spectrum: Spectrum, blurs: Sequence[PointBlur], *, sites: BoolArray | None
) -> None:
    """Add a patch to each plane as that plane's blur shows it; equal blurs are worked out once."""
    done: dict[PointBlur, Plane] = {}
    for plane, blur in zip(planes, blurs, strict=True):
        if blur not in done:
            done[blur] = pixels_of(spectrum, blur)
        _add(plane, done[blur], corner=(spectrum.top, spectrum.left), sites=sites)


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
    rows = ((np.arange(camera.rows) - center_row) / camera.half_diagonal_px) ** 2
    cols = ((np.arange(camera.cols) - center_col) / camera.half_diagonal_px) ** 2
    falloff = np.outer(2.0 ** (-corner_stops * rows), 2.0 ** (-corner_stops * cols))
    down, right = shot.light_slope
    slope = np.add.outer(
        down * (np.arange(camera.rows) - center_row), right * (np.arange(camera.cols) - center_col)
    )
    lamps = 1.0 + slope / camera.half_diagonal_px
    light: Plane = (shot.paper_level * falloff * lamps).astype(np.float32)
    if finished:
        return (plane + np.float32(1.0)) * light[..., None]
    for channel in camera.channels:
        if (response := camera.response(channel)) != 1.0:
            light[camera.sites(channel)] *= np.float32(response)
    return (plane + np.float32(1.0)) * light


SHARPENING_SIGMA_PX: Final = 1.0
"""Width of the Gaussian that the simulated in-camera sharpening subtracts. [px]"""


def raw_numbers(light: Plane, shot: Shot, camera: Camera) -> npt.NDArray[np.uint16]:
    """Numbers of the sensor: signal with noise between the black and the white level.

    Photon noise is drawn from the normal distribution of the same variance, which differs from Poisson's by
    a skewness of 1/sqrt(electrons) only.
    """
    signal = _noisy(light, shot, camera) if shot.noise else light
    numbers = camera.black + signal * np.float32(camera.white - camera.black)
    whole: npt.NDArray[np.uint16] = np.clip(np.rint(numbers), 0, camera.white).astype(np.uint16)
    return whole


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
        from scipy import ndimage  # noqa: PLC0415 - heavy

        sigma = (SHARPENING_SIGMA_PX, SHARPENING_SIGMA_PX, 0.0)
        blurred = ndimage.gaussian_filter(picture, sigma, truncate=6.0, mode="nearest")
        picture = picture + np.float32(sharpening) * (picture - blurred)
    order = [camera.channels.index(name) for name in ("red", "green", "blue") if name in camera.channels]
    picture = picture[..., order] if order else picture[..., 0]
    clipped: Plane = np.clip(picture, 0.0, 1.0)
    return clipped


def srgb_encoded(linear: Plane) -> Plane:
    """Codes in sRGB of linear values, 0 to 1 (IEC 61966-2-1)."""
    low = linear * np.float32(12.92)
    high = np.float32(1.055) * np.maximum(linear, 1e-6) ** np.float32(1.0 / 2.4) - np.float32(0.055)
    encoded: Plane = np.where(linear <= 0.0031308, low, high).astype(np.float32)
    return encoded


def _noisy(light: Plane, shot: Shot, camera: Camera) -> Plane:
    """Add photon and read noise to a signal of 1 at white."""
    full = camera.electrons_at_white * camera.base_iso / shot.iso
    variance = np.maximum(light, 0.0) / np.float32(full) + np.float32(
        (camera.read_noise_electrons / full) ** 2
    )
    random = np.random.default_rng(shot.seed)
    noise = np.sqrt(variance) * random.standard_normal(light.shape, dtype=np.float32)
    return (light + noise).astype(np.float32, copy=False)
