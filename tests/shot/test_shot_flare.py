"""The far light of a target's neighbours: against the same target and an endless edge, both blurred by brute force."""

from dataclasses import replace

import numpy as np
import pytest
from chart_pictures import ArrayPicture
from scipy import signal
from test_shot_surroundings import CENTRE_PX, RADIUS_PX, TURN_DEG, is_dark, one_target

from lensbench.shot.flare import subtract_flare
from lensbench.shot.light import light_over

SIDE, FINE = 400, 2
MIDDLE_PX = (199.5, 199.5)
DARK = 0.2


def spread(far):
    """A core, and a part of the light in a fan to the lower right that fades as exp(-r / 25 px); pixels included."""
    at = np.arange(-120 * FINE, 120 * FINE + 1) / FINE
    down, right = at[:, None], at[None, :]
    radius = np.hypot(down, right)
    core = np.exp(-0.5 * (radius / 1.5) ** 2)
    fan = np.exp(-radius / 25.0) / np.maximum(radius, 1.0) * (np.abs(np.arctan2(down, right) - 0.7) < 0.6)
    return (1.0 - far) * core / core.sum() + far * fan / fan.sum()


def blurred(ink, far):
    seen = 1.0 - (1.0 - DARK) * signal.fftconvolve(
        np.pad(ink, 120 * FINE, mode="edge"), spread(far), mode="valid"
    )
    return seen.reshape(SIDE, FINE, SIDE, FINE).mean(axis=(1, 3))


def offsets():
    at = (np.arange(SIDE * FINE) + 0.5) / FINE - 0.5
    return np.stack(np.meshgrid(at - MIDDLE_PX[0], at - MIDDLE_PX[1], indexing="ij"), axis=-1)


def chart_of_one():
    """One target alone on its sheet; eight far away tell that the light is even."""
    chart, moved = one_target(), np.subtract(MIDDLE_PX, CENTRE_PX)
    (target,) = chart.targets
    arms = tuple(
        replace(
            arm,
            box=replace(arm.box, top=arm.box.top + int(moved[0]), left=arm.box.left + int(moved[1])),
            center_px=tuple(np.add(arm.center_px, moved).tolist()),
        )
        for arm in target.arms
    )
    found = replace(target, crossing_px=MIDDLE_PX, arms=arms, dark_level=DARK, bright_level=1.0, blur_px=1.5)
    others = [
        replace(found, target=replace(found.target, name=f"far {n}"), crossing_px=place)
        for n, place in enumerate(
            [(-700.0, 90.0 * k) for k in range(4)] + [(90.0 * k, 900.0) for k in range(4)]
        )
    ]
    layout = replace(chart.layout, targets=(found.target,), markers=(), tones=())
    homography = np.array([[1.0, 0, MIDDLE_PX[0]], [0, 1.0, MIDDLE_PX[1]], [0, 0, 1.0]])
    mapping = replace(chart.mapping, homography=homography, center_px=MIDDLE_PX)
    return replace(chart, layout=layout, mapping=mapping, size_px=(SIDE, SIDE), targets=(found, *others))


def endless(offset, arm):
    """Ink of an edge that goes on for ever along an arm, dark on its own side."""
    along = np.radians(TURN_DEG - 90.0 * (arm - 1))
    clockwise = offset[..., 0] * np.sin(along) + offset[..., 1] * np.cos(along)
    return (clockwise < 0 if arm in (1, 3) else clockwise > 0).astype(float)


def test_what_arms_and_rim_throw_into_a_region_is_taken_out():
    far, offset, chart = 0.2, offsets(), chart_of_one()
    picture = blurred(is_dark(offset, TURN_DEG).astype(float), far)
    grain = 0.02 * np.random.default_rng(4).standard_normal(picture.shape)
    photo = ArrayPicture(picture + grain)
    arms = [(chart.targets[0], arm) for arm in chart.targets[0].arms[1::2]]
    regions = [photo.cut(arm.box) for _, arm in arms]
    before = [region.values.copy() for region in regions]
    taken = set()
    freed = list(subtract_flare(iter(regions), arms, chart=chart, photo=photo, taken=taken))
    assert taken == {"T01"}
    disturbed, left = [], []
    for own, was, (_, arm) in zip(freed, before, arms, strict=True):
        box = arm.box
        window = np.s_[box.top : box.top + box.height, box.left : box.left + box.width]
        alone = blurred(endless(offset, arm.arm), far)[window] + grain[window]
        disturbed.append(np.std(alone - was))
        left.append(np.std(alone - own.values))
    assert len(left) == 2
    assert max(disturbed) > 0.02
    assert max(left) < 0.15 * max(disturbed)


def test_a_picture_that_no_spread_explains_is_left_as_it_is():
    """Something else lies beside the target."""
    offset, chart = offsets(), chart_of_one()
    picture = blurred(is_dark(offset, TURN_DEG).astype(float), 0.0)
    picture[:, : int(MIDDLE_PX[1] - RADIUS_PX) - 8] *= 0.4
    photo = ArrayPicture(picture)
    arm = chart.targets[0].arms[0]
    region, taken = photo.cut(arm.box), set()
    before = region.values.copy()
    (after,) = subtract_flare([region], [(chart.targets[0], arm)], chart=chart, photo=photo, taken=taken)
    assert not taken
    assert np.array_equal(after.values, before)


def test_light_over_the_picture_is_that_of_the_crossings():
    """The levels of the crossings themselves, which lean and fall off as an exponential of a polynomial does."""
    chart = chart_of_one()
    places = [(40.0 * row, 45.0 * col) for row in range(10) for col in range(9)]

    def level_at(row, col):
        down, right = (row - 199.5) / 282.8, (col - 199.5) / 282.8
        return np.exp(
            0.1 * right - 0.05 * down - 0.3 * (down**2 + right**2) - 0.1 * (down**2 + right**2) ** 2
        )

    targets = tuple(
        replace(chart.targets[0], crossing_px=at, bright_level=level_at(*at), dark_level=DARK * level_at(*at))
        for at in places
    )
    rows, cols = np.array([20.0, 31.0, 350.0]), np.array([7.0, 380.0])
    light = light_over(replace(chart, targets=targets))
    true = [[level_at(row, col) / level_at(199.5, 199.5) for col in cols] for row in rows]
    assert light(rows, cols) == pytest.approx(np.array(true), rel=1e-6)
