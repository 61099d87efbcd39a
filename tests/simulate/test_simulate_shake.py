"""Shake and filter of the simulator: the rendered pixels against closed forms, and the truth beside them."""

from dataclasses import replace

import numpy as np
import pytest
from sim_bench import bench_scene

from lensbench.simulate import Shot, photograph
from lensbench.simulate.lens import PointBlur
from lensbench.simulate.truth import rendered_sfr

STILL = Shot(focal_length_mm=50.0, f_number=4.0, noise=False)
TARGET = ((0.0, 0.0), 30.0, 6.0)


def test_even_movement_is_a_running_mean():
    # Closed form: an even path of 2 px along the rows is a running mean, sinc(2 f) in Fourier space. At f/16 the lens
    # passes nothing above 0.46 cycles per pixel (cutoff pitch / (wavelength N)), so the sampled picture holds all.
    scene = bench_scene(TARGET, rows=200)
    stopped = replace(STILL, f_number=16.0)
    still = photograph(scene, stopped).mosaic.astype(float)
    moved = photograph(scene, replace(stopped, motion_um=(0.0, 8.0))).mosaic.astype(float)
    fall = np.sinc(2.0 * np.fft.rfftfreq(still.shape[1]))
    exact = np.fft.irfft(np.fft.rfft(still, axis=1) * fall, n=still.shape[1], axis=1)
    inside = np.s_[20:-20, 30:-30]
    span = np.ptp(still)
    # 0.2 %: the arms leave the picture, where the transform wraps.
    assert np.abs(moved - exact)[inside].max() / span < 0.002
    assert np.abs(moved - still)[inside].max() / span > 0.03


def test_the_truth_holds_the_movement():
    # Closed form: the transfer of an even path of length d is sinc(f d); across the path there is none.
    frequency = np.linspace(0.0, 0.5, 26)
    blur = PointBlur(q=0.5, motion_px=(0.0, 1.5))
    still = PointBlur(q=0.5)
    across_columns = rendered_sfr(frequency, blur=blur, angle_deg=0.0)
    assert across_columns == pytest.approx(
        rendered_sfr(frequency, blur=still, angle_deg=0.0) * np.abs(np.sinc(1.5 * frequency))
    )
    assert rendered_sfr(frequency, blur=blur, angle_deg=-90.0) == pytest.approx(
        rendered_sfr(frequency, blur=still, angle_deg=-90.0), abs=1e-12
    )


def test_a_filter_adds_its_gaussian_everywhere():
    # Closed form: exp(-2 pi^2 s^2 f^2), with 2 um on pixels of 4 um.
    scene = bench_scene(TARGET, rows=200)
    clear, filtered = (photograph(scene, replace(STILL, filter_um=um)).edges for um in (0.0, 2.0))
    frequency = np.arange(81) / 80.0
    fall = np.exp(-2.0 * np.pi**2 * 0.5**2 * frequency**2)
    for one, other in zip(clear, filtered, strict=True):
        assert other.sfr == pytest.approx(one.sfr * fall, abs=1e-9)


def test_the_time_told_stands_in_the_metadata():
    assert replace(STILL, shutter_s=0.004).exposure_s == 0.004
    assert STILL.exposure_s == pytest.approx((4.0 / 5.6) ** 2 / 30.0)
