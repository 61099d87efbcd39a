"""Edges through a wavefront lens, exact to its own complex transfer, made without any of the edge room.

    cases = wavefront_edge_regions(lens_described("borage"), 2.8, (-0.3, 0.6), [5.0, -12.0], 40.0, draws=3)
    cases[0].regions, cases[0].truth_cypx[50]

A sample is the edge after the lens, integrated over a square pixel: for a straight edge the integral of
Im(T(f) exp(2 pi i f x)) / (pi f), with T the transfer of lens and pixel along the normal. Its phase makes the edge's
two sides unlike, as coma does.
"""

from dataclasses import dataclass

import numpy as np
from exact_edges import BRIGHT, DARK, Scene, grid, noisy, samples, sites
from scipy.interpolate import CubicSpline

from lensbench import optics
from lensbench.simulate.wavefront import WavefrontLens

MAGNIFICATION = 0.02
LEVELS = (50, 30, 20, 10)
STEP_CYPX = 1.0 / 2048.0
"""Of the integral: edges stay exact up to 1000 px from the middle."""


@dataclass(frozen=True, kw_only=True)
class EdgeCase:
    """One edge at one place of the picture."""

    angle_deg: float
    regions: list
    """Samples of the edge room's kind, one a draw of the noise; a single clean one where `snr` is None."""
    truth_cypx: dict
    """Frequencies at which the modulus of lens and pixel falls to 50, 30, 20 and 10 %."""
    sfr: object
    """Modulus of lens and pixel as a function of the frequency along the normal."""


def transfer_along(lens, stop, field, angle_deg, *, channel="green", pitch_um=4.0, focus_um=0.0):
    """Complex transfer of lens and pixel along an edge's normal; focus from where the middle is sharpest."""
    blur = lens.point_blur(
        field,
        channel=channel,
        focal_length_mm=lens.focal_range_mm[0],
        f_number=stop,
        working_f_number=stop * (1.0 + MAGNIFICATION),
        focus_um=focus_um - lens.focus_shift_um(lens.focal_range_mm[0], stop),
        pitch_um=pitch_um,
    )
    turn = np.radians(angle_deg)
    normal = (float(np.sin(turn)), float(np.cos(turn)))
    return lambda frequency: blur.along(frequency, normal) * optics.pixel_mtf(frequency, angle_deg)


def esf_of(transfer, distance_px):
    """Edge spread function of a complex transfer at any distances."""
    frequency = (np.arange(round(2.0 / STEP_CYPX)) + 0.5) * STEP_CYPX
    measure = transfer(frequency) / frequency * STEP_CYPX / np.pi
    at = np.arange(np.floor(distance_px.min()) - 1.0, np.ceil(distance_px.max()) + 1.0, 1.0 / 16.0)
    waves = np.exp(2j * np.pi * np.outer(at, frequency))
    return CubicSpline(at, 0.5 + (waves @ measure).imag)(distance_px)


def wavefront_edge_regions(
    lens: WavefrontLens,
    stop,
    field,
    angles_deg,
    snr,
    *,
    draws=1,
    sensor="bayer green",
    channel="green",
    pitch_um=4.0,
    focus_um=0.0,
    height=100,
    width=60,
    flipped=False,
    seed=1,
):
    """Regions of edges with their truth, one case an angle.

    `field` is (down, right) in half-diagonals; `angles_deg` from the vertical, up to 45 either way; `snr` is the step
    over the rms noise of its plateaus, None for no noise; `sensor` names sites as `exact_edges.sites`; `focus_um`
    sets the sensor off the best focus of the middle.
    """
    rng = np.random.default_rng(seed)
    present = None if sensor == "all" else sites(sensor, height, width)
    row, col = grid(height, width)
    cases = []
    for angle_deg in angles_deg:
        transfer = transfer_along(
            lens, stop, field, angle_deg, channel=channel, pitch_um=pitch_um, focus_um=focus_um
        )
        scene = Scene(angle_deg=angle_deg, height=height, width=width, offset_px=rng.uniform(-0.5, 0.5))
        esf = esf_of(transfer, scene.distance_px(row, col).ravel()).reshape(height, width)
        clean = DARK + (BRIGHT - DARK) * (1.0 - esf if flipped else esf)

        def sfr(frequency, transfer=transfer):
            return np.abs(transfer(frequency))

        cases.append(
            EdgeCase(
                angle_deg=angle_deg,
                regions=[samples(clean, present=present)]
                if snr is None
                else noisy(clean, snr, rng, draws, present),
                truth_cypx={
                    level: optics.frequency_at(sfr, level / 100.0, highest_cypx=2.0) for level in LEVELS
                },
                sfr=sfr,
            )
        )
    return cases
