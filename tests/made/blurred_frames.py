"""Frames with known blur for tests of ranking: one scene, each frame with its own noise and sub-pixel shift.

Everything is done in Fourier space on a periodic scene, so blur and shift are exact.
"""

import cv2
import numpy as np
import tifffile
from scipy import fft, special

from lensbench.simulate.camera import Camera
from lensbench.simulate.files import write_dng
from lensbench.simulate.lenses import INVENTED_LENSES
from lensbench.simulate.scene import Shot


def leaves(size, *, seed, smallest_px=1.5, largest_px=60.0, count=9000):
    """A scene of overlapping discs whose sizes follow a power law, as things in nature do; values 0.1 to 0.9.

    Drawn four times as fine and averaged, so that its own spectrum ends softly. D. Mumford, B. Gidas,
    Q. Appl. Math. 59, 85 (2001): such scenes have the spectra of natural ones (from memory).
    """
    random = np.random.default_rng(seed)
    fine = 2 * size
    scene = np.full((fine, fine), 0.5, np.float32)
    share = random.random(count)
    radii = 2.0 / np.sqrt(share / smallest_px**2 + (1.0 - share) / largest_px**2)
    for radius, (row, col), level in zip(
        np.sort(radii)[::-1], random.random((count, 2)) * fine, random.uniform(0.1, 0.9, count), strict=True
    ):
        reach = int(radius) + 1
        span = np.arange(-reach, reach + 1)
        rows, cols = int(row) + span, int(col) + span
        disc = (rows[:, None] - row) ** 2 + (cols - col) ** 2 < radius**2
        place = np.ix_(rows % fine, cols % fine)
        scene[place] = np.where(disc, np.float32(level), scene[place])
    return scene.reshape(size, 2, size, 2).mean(axis=(1, 3)).astype(np.float64)


def transfer(shape, *, sigma_px=0.0, disc_px=0.0, motion_px=(0.0, 0.0)):
    """Gaussian, out-of-focus disc, and even movement along (row, column)."""
    rows, cols = np.meshgrid(np.fft.fftfreq(shape[0]), np.fft.rfftfreq(shape[1]), indexing="ij")
    radius = np.hypot(rows, cols)
    total = np.exp(-2.0 * np.pi**2 * sigma_px**2 * radius**2)
    argument = np.pi * disc_px * radius
    total *= np.where(argument > 1e-9, 2.0 * special.j1(argument) / np.maximum(argument, 1e-9), 1.0)
    return total * np.sinc(rows * motion_px[0] + cols * motion_px[1])


def frame(scene, *, random, snr, shift_px=None, **blur):
    """One frame: blurred, moved by a fraction of a pixel (or as told), with white noise of its own.

    SNR is the scene's contrast (98th less 2nd percentile) over the noise's rms.
    """
    if shift_px is None:
        shift_px = random.uniform(-0.5, 0.5, 2)
    rows, cols = np.fft.fftfreq(scene.shape[0])[:, None], np.fft.rfftfreq(scene.shape[1])
    moved = np.exp(-2j * np.pi * (rows * shift_px[0] + cols * shift_px[1]))
    light = fft.irfft2(fft.rfft2(scene) * transfer(scene.shape, **blur) * moved, s=scene.shape)
    contrast = np.subtract(*np.percentile(scene, (98.0, 2.0)))
    return light + random.normal(0.0, contrast / snr, scene.shape)


def write_tiff(path, light):
    """As 16-bit sRGB TIFF; light from 0 to 1."""
    clipped = np.clip(light, 0.0, 1.0)
    encoded = np.where(
        clipped <= 0.0031308, 12.92 * clipped, 1.055 * np.maximum(clipped, 1e-9) ** (1 / 2.4) - 0.055
    )
    tifffile.imwrite(path, np.rint(encoded * 65535.0).astype(np.uint16), photometric="minisblack")
    return path


def write_jpeg(path, light, *, quality=95):
    clipped = np.clip(light, 0.0, 1.0)
    encoded = np.where(
        clipped <= 0.0031308, 12.92 * clipped, 1.055 * np.maximum(clipped, 1e-9) ** (1 / 2.4) - 0.055
    )
    cv2.imwrite(str(path), np.rint(encoded * 255.0).astype(np.uint8), [cv2.IMWRITE_JPEG_QUALITY, quality])
    return path


def write_raw(path, light, *, cfa="rggb"):
    """As a raw file with a mosaic of one and the same light behind every filter."""
    camera = Camera(rows=light.shape[0], cols=light.shape[1], cfa=cfa)
    codes = np.clip(np.rint(512 + np.clip(light, -0.02, 1.0) * (16383 - 512)), 0, 16383).astype(np.uint16)
    write_dng(
        path, codes, Shot(focal_length_mm=35.0, f_number=5.6), lens=INVENTED_LENSES["sorrel"], camera=camera
    )
    return path
