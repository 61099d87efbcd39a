"""From light to numbers: photon noise, read noise, levels, and the processing of a finished picture."""

from typing import Final

import numpy as np
import numpy.typing as npt

from lensbench.simulate.camera import Camera
from lensbench.simulate.exposing import Plane
from lensbench.simulate.scene import Shot

__all__ = ["SHARPENING_SIGMA_PX", "finished_picture", "raw_numbers", "srgb_encoded"]

SHARPENING_SIGMA_PX: Final = 1.0
"""Width of the Gaussian that the simulated in-camera sharpening subtracts. [px]"""


def raw_numbers(light: Plane, shot: Shot, camera: Camera) -> npt.NDArray[np.uint16]:
    """Give the sensor's numbers: signal with noise between the black and the white level.

    Photon noise is drawn from the normal distribution of the same variance, which differs from Poisson's by
    a skewness of 1/sqrt(electrons) only.
    """
    signal = _noisy(light, shot, camera) if shot.noise else light
    numbers = camera.black + signal * np.float32(camera.white - camera.black)
    whole: npt.NDArray[np.uint16] = np.clip(np.rint(numbers), 0, camera.white).astype(np.uint16)
    return whole


def finished_picture(light: Plane, shot: Shot, camera: Camera, *, sharpening: float) -> Plane:
    """Give a finished linear picture, 0 to 1, shape (rows, cols, channels) or (rows, cols) for grey.

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
    """Give the sRGB encoding of linear values, 0 to 1 (IEC 61966-2-1)."""
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
