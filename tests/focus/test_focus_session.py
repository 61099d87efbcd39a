"""Were the shots focused anew, and did the focus creep: sessions whose focus is known, blurred by the geometric disc.

Blurs of lens and defocus disc add as squares, the disc's MTF50 being 0.705 / diameter: 2 J1(a) / a is one half at
a = 2.215 (tables of Bessel functions), and 2.215 / pi = 0.705. The lens is diffraction and a constant blur alike.
"""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from invented_shots import edge, planned, result

from lensbench.focus import session_focus
from lensbench.focus.creep import Creep, crept
from lensbench.model.shot import ZoneFigure
from lensbench.model.sweep import Refocusing, SweepShot
from lensbench.sweep import find, reject

STOPS = np.repeat([2.8, 4.0, 5.6, 8.0, 11.0], 3)
PITCH_UM = 4.0
CURVED_UM = np.array([0.0, 8.0, 20.0])
"""Focus of the thirds, apart by a curved field."""


def log_thirds(focus_um, random, *, noise=0.005):
    # Diffraction alone: MTF50 at 0.404 of the cutoff (Goodman); the pixel and the lens: 0.35 cycles/pixel.
    sharp = 1.0 / np.hypot(1.0 / 0.35, 0.55 * STOPS / PITCH_UM / 0.404)
    disc_px = (focus_um[:, None] - CURVED_UM) / STOPS[:, None] / PITCH_UM
    exact = 1.0 / np.hypot(1.0 / sharp[:, None], disc_px / 0.705)
    return np.log(exact) + noise * random.normal(size=exact.shape), np.log(exact)


def found(focus_um, *, seed=1):
    random = np.random.default_rng(seed)
    figures, exact = log_thirds(focus_um, random)
    setting = np.searchsorted(np.unique(STOPS), STOPS)
    order = np.linspace(0.0, 1.0, len(STOPS))
    return crept(STOPS, figures, setting=setting, ways=order[None]), exact


def test_a_focus_that_creeps_is_found_with_what_it_costs():
    still = found(np.zeros(15))[1]
    seen = []
    for seed in range(20):
        creep, exact = found(-45.0 * np.linspace(0.0, 1.0, 15), seed=seed)
        seen.append(creep is not None)
        if creep is not None:
            cost = 1.0 - np.exp((exact - still).reshape(5, 3, 3).mean(axis=(1, 2))).min()
            # The most that any stop lost, by the discs: a half, by a parabola through a tenth of the way.
            assert creep.largest == pytest.approx(cost, rel=0.5)
    assert sum(seen) >= 18  # nine in ten


def test_a_focus_found_anew_does_not_creep():
    random = np.random.default_rng(3)
    alarms = [found(random.standard_t(3, 15) * 4.0, seed=seed)[0] is not None for seed in range(60)]
    # One in twenty at most; with 60 sessions more than 7 come by chance in one of a hundred (binomial).
    assert sum(alarms) <= 7


def creep_of(*, chance, largest, signal):
    return Creep(chance=chance, loss=np.full((1, 3), largest), signal=signal)


@pytest.mark.parametrize(("chance", "least"), [(0.01, 0.125), (0.001, 0.0188)])
def test_a_creep_is_believed_as_far_as_its_chance_speaks_for_it(chance, least):
    """Least Bayes factors for none against some: Sellke, Bayarri and Berger's table (from memory)."""
    believed = creep_of(chance=chance, largest=0.02, signal=1e9).believed
    odds = 0.2 / least
    assert believed**2 == pytest.approx(odds / (1.0 + odds), rel=0.01)


@pytest.mark.parametrize(("largest", "signal"), [(0.02, 25.0), (0.10, 9.0), (0.45, 6.0)])
def test_losses_that_scatter_could_make_are_drawn_towards_none(largest, signal):
    """Brute force: mean of a loss that is normal beforehand, sd 3 %, seen with the sd that the signal tells."""
    loss = np.linspace(-1.0, 1.0, 200_001)
    after = np.exp(-0.5 * ((loss / 0.03) ** 2 + ((largest - loss) * np.sqrt(signal) / largest) ** 2))
    share = np.average(loss, weights=after) / largest
    sure = creep_of(chance=0.02, largest=largest, signal=1e12).believed
    assert creep_of(chance=0.02, largest=largest, signal=signal).believed == pytest.approx(
        share * sure, rel=1e-3
    )


def test_intervals_of_a_session_whose_focus_crept_reach_up_to_what_it_took():
    focus_um = -45.0 * np.linspace(0.0, 1.0, 15)
    (lens,) = find(reject(session(focus_um, groups=""))).lenses
    (focal,) = lens.by_focal_length
    still = log_thirds(np.zeros(15), np.random.default_rng(1), noise=0.0)[1]
    assert lens.spread_from == "the creep of the focus"
    assert not lens.basis.bracketed
    assert not any(smooth.fits for smooth in focal.smooth.values())
    for point in focal.curve:
        if point.zone == "frame":
            below, above = np.log(point.mtf50_cypx / np.array(point.ci95_cypx))
            sharp = np.mean(np.exp(still[point.f_number == STOPS]))
            assert below < -0.5 * above
            assert point.ci95_cypx[0] <= sharp <= point.ci95_cypx[1]


def test_a_bracket_beside_shots_whose_focus_crept_is_told_of():
    shots = session(-45.0 * np.linspace(0.0, 1.0, 15), groups="")
    for step in range(-2, 3):
        shot = planned(Path(f"shots/b{step}.dng"), 16.0, focus_group="b", focus_step=float(step))
        steps = result(shot.path, 0.3 - 0.02 * step**2)
        shots.append(SweepShot(planned=shot, result=steps))
    (lens,) = find(reject(shots)).lenses
    assert lens.spread_from == "the creep of the focus"
    assert lens.basis.bracketed


def session(focus_um, *, groups, seed=2, edges=0):
    figures, _ = log_thirds(focus_um, np.random.default_rng(seed), noise=0.0 if edges else 0.005)
    shots = []
    for number, (stop, row) in enumerate(zip(STOPS, np.exp(figures), strict=True)):
        path = Path(f"shots/{number:02d}.dng")
        values = dict(zip(("inner", "middle", "outer", "frame"), (*row, float(row.mean())), strict=True))
        figure = {"ci95_cypx": (0.1, 0.5), "edges": 4, "sagittal_cypx": 0.3, "tangential_cypx": 0.3}
        measured = result(path, 0.3)
        measured.summary.update(
            {zone: ZoneFigure(mtf50_cypx=float(value), **figure) for zone, value in values.items()}
        )
        if edges:
            measured = replace(measured, edges=tuple(noisy_edges(row, edges, np.random.default_rng(number))))
        group = {"": "", "shot": f"{number}", "stop": f"{stop:g}"}[groups]
        shots.append(SweepShot(planned=planned(path, float(stop), focus_group=group), result=measured))
    return shots


def noisy_edges(thirds, count, random):
    """So many edges of each third, each with 1 % of noise, as it says."""
    for height, level in zip((0.2, 0.55, 0.85), thirds, strict=True):
        for number in range(count):
            value = float(level * np.exp(0.01 * random.normal()))
            seen = edge(value, height)
            told = replace(seen.edge, mtf50_sd_cypx=0.01 * value)
            yield replace(seen, target=f"T{height}{number}", edge=told)


ONCE_A_STOP_UM = np.repeat([0.0, 24.0, -20.0, 32.0, -10.0], 3)
ANEW_UM = 8.0 * np.random.default_rng(4).normal(size=15)


@pytest.mark.parametrize(
    ("focus_um", "groups", "told"),
    [
        (ONCE_A_STOP_UM, "", Refocusing.CONTRADICTED),
        (ANEW_UM, "", Refocusing.AGREED),
        (np.zeros(15), "", Refocusing.OPEN),
        (ANEW_UM, "shot", Refocusing.SAID_ANEW),
        (ANEW_UM, "stop", Refocusing.SAID_ONE),
    ],
)
def test_the_table_says_or_the_figures_show_who_was_refocused(focus_um, groups, told):
    assert session_focus(session(focus_um, groups=groups)).refocusing is told


def test_thirds_that_change_against_each_other_between_frames_were_refocused():
    """The field is curved: what moves the focus sharpens one third and softens another; noise of the edges does not."""
    strayed_um = 4.0 * np.random.default_rng(6).normal(size=15)
    shifting_um = ONCE_A_STOP_UM + strayed_um
    assert session_focus(session(shifting_um, groups="", edges=20)).refocusing is Refocusing.AGREED
    assert session_focus(session(ONCE_A_STOP_UM, groups="", edges=20)).refocusing is Refocusing.CONTRADICTED
