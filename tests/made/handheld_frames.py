"""Frames of any scene as a camera takes them: blur of a pupil and of a shaking hand, photons, mosaic, developed files.

Light is blurred in Fourier space on a periodic scene, so blur and shift are exact. Nothing here is Gaussian but the
read noise.
"""

from dataclasses import dataclass, replace
from functools import lru_cache

import cv2
import numpy as np
import tifffile
from demosaics import DEMOSAICS
from scipy import fft

from lensbench.simulate.camera import Camera
from lensbench.simulate.files import write_dng
from lensbench.simulate.lenses import INVENTED_LENSES
from lensbench.simulate.scene import Shot

BLACK, WHITE = 512, 16383
RED_BLUE = (0.5, 0.7)
"""What a sensor's red and blue see of white light, green being 1 (common practice, no source)."""
READ_ELECTRONS = 3.0


def pupil_transfer(radius_cypx, *, q, defocus_waves=0.0, spherical_waves=(0.0, 0.0), scale=1.0):
    """Transfer of a round pupil with a wave aberration, of rms size `scale` times its own.

    Autocorrelation of exp(2 pi i W), W = a r^2 + b r^4 + c r^6 waves, counted out on a grid (Goodman, Introduction to
    Fourier Optics, section 6.4); q = wavelength x f-number / pixel pitch, so that it ends at 1 / q cycles per pixel.
    """
    distance, profile = _pupil_profile(defocus_waves, spherical_waves)
    return np.interp(radius_cypx * q * scale * 2.0, distance, profile, right=0.0)


@lru_cache(maxsize=256)
def _pupil_profile(defocus_waves, spherical_waves):
    side = np.linspace(-2.0, 2.0, 512, endpoint=False)
    square = side[:, None] ** 2 + side**2
    first, second = spherical_waves
    waves = defocus_waves * square + first * square**2 + second * square**3
    pupil = np.where(square <= 1.0, np.exp(2j * np.pi * waves), 0.0)
    overlap = np.real(fft.fftshift(fft.ifft2(np.abs(fft.fft2(pupil)) ** 2)))
    return side[256:] - side[256], overlap[256, 256:] / overlap[256, 256]


def shake_path(random, *, length_px):
    """Where the picture wanders during one exposure: a sway that drifts and trembles, of rms length as told."""
    time = np.linspace(0.0, 1.0, 64)
    tremor = np.sin(2.0 * np.pi * (random.uniform(0.5, 2.0) * time + random.random()))
    path = np.outer(time, random.normal(size=2)) + 0.5 * np.outer(tremor, random.normal(size=2))
    path -= path.mean(axis=0)
    return path * length_px / np.sqrt(np.mean(np.sum(path**2, axis=1)))


@dataclass(frozen=True, kw_only=True)
class Blur:
    """What blurs a frame, beside the pixel's own square; `scale` makes all of it larger alike."""

    q: float
    defocus_waves: float
    spherical_waves: tuple[float, float]
    path_px: np.ndarray
    scale: float = 1.0

    def larger(self, factor):
        return replace(self, scale=self.scale * factor)

    def transfer(self, rows_cypx, cols_cypx):
        """Of frequencies of one number of axes; complex, without the pixel's own."""
        radius = np.hypot(rows_cypx, cols_cypx)
        lens = pupil_transfer(
            radius,
            q=self.q,
            defocus_waves=self.defocus_waves,
            spherical_waves=self.spherical_waves,
            scale=self.scale,
        )
        phases = (
            np.exp(-2j * np.pi * self.scale * np.multiply.outer(moved_px, frequencies_cypx))
            for moved_px, frequencies_cypx in zip(self.path_px.T, (rows_cypx, cols_cypx), strict=True)
        )
        return lens * np.einsum("p...,p...->...", *phases) / len(self.path_px)


def drawn_blur(random):
    """A lens somewhat out of focus in a hand that shakes somewhat."""
    return Blur(
        q=random.uniform(0.7, 1.6),
        defocus_waves=random.uniform(-0.8, 0.8),
        spherical_waves=(random.uniform(-0.25, 0.25), random.uniform(-0.1, 0.1)),
        path_px=shake_path(random, length_px=random.uniform(0.1, 0.9)),
    )


def optical_image(scene, blur, *, shift_px):
    """Light on the pixels: scene (rows, columns, 3), values 0 to 1, blurred and moved (down, right)."""
    rows, cols = np.fft.fftfreq(scene.shape[0])[:, None], np.fft.rfftfreq(scene.shape[1])[None]
    moved = np.exp(-2j * np.pi * (rows * shift_px[0] + cols * shift_px[1]))
    total = blur.transfer(rows, cols) * np.sinc(rows) * np.sinc(cols) * moved
    spectrum = fft.rfft2(scene, axes=(0, 1)) * total[..., None]
    return np.clip(fft.irfft2(spectrum, s=scene.shape[:2], axes=(0, 1)), 0.0, 1.0)


def exposed(light, *, random, electrons, stops=0.0):
    """Mosaic, red first: linear, clipped at 1, before white balance; `electrons` make white, `stops` darken."""
    mosaic = light[..., 1].copy()
    mosaic[::2, ::2] = RED_BLUE[0] * light[::2, ::2, 0]
    mosaic[1::2, 1::2] = RED_BLUE[1] * light[1::2, 1::2, 2]
    caught = random.poisson(mosaic * 2.0**-stops * electrons)
    return np.minimum((caught + random.normal(0.0, READ_ELECTRONS, mosaic.shape)) / electrons, 1.0)


def write_raw(path, mosaic):
    codes = np.clip(np.rint(BLACK + mosaic * (WHITE - BLACK)), 0, WHITE).astype(np.uint16)
    camera = Camera(rows=mosaic.shape[0], cols=mosaic.shape[1], cfa="rggb")
    shot = Shot(focal_length_mm=35.0, f_number=5.6)
    write_dng(path, codes, shot, lens=INVENTED_LENSES["sorrel"], camera=camera)
    return path


def developed(mosaic, *, demosaic):
    """Colour picture, sRGB codes 0 to 1 (IEC 61966-2-1)."""
    balanced = mosaic.copy()
    balanced[::2, ::2] /= RED_BLUE[0]
    balanced[1::2, 1::2] /= RED_BLUE[1]
    light = np.clip(DEMOSAICS[demosaic](np.clip(balanced, 0.0, 1.0)), 0.0, 1.0)
    return np.where(light <= 0.0031308, 12.92 * light, 1.055 * np.maximum(light, 1e-9) ** (1 / 2.4) - 0.055)


def write_tiff(path, mosaic, *, demosaic="gradient-corrected"):
    codes = np.rint(developed(mosaic, demosaic=demosaic) * 65535.0).astype(np.uint16)
    tifffile.imwrite(path, codes, photometric="rgb")
    return path


def write_jpeg(path, mosaic, *, demosaic="gradient-corrected", quality=90):
    codes = np.rint(developed(mosaic, demosaic=demosaic) * 255.0).astype(np.uint8)
    cv2.imwrite(str(path), codes[..., ::-1], [cv2.IMWRITE_JPEG_QUALITY, quality])
    return path
