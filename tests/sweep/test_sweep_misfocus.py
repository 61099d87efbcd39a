import numpy as np
import pytest
from pupil_shoots import pupil_lenses

from lensbench.sweep.reject import SeriesShots, departures, misfocused, repeat_sd

ZONE_LEVELS = np.log([1.05, 1.0, 0.9, 0.97])


def shots_of(lens, random, *, sd, repeats):
    """Every zone moves with the shot, and a little by itself."""
    frame = np.repeat(lens.log_mtf50, repeats)
    common = sd * random.normal(size=(len(frame), 1))
    own = 0.003 * random.normal(size=(len(frame), 4))
    return np.repeat(lens.stops, repeats), frame[:, None] + ZONE_LEVELS + common + own


@pytest.mark.parametrize("repeats", [2, 3])
def test_misfocused_shot_is_found_and_no_other(repeats):
    random = np.random.default_rng(31)
    found, others = 0, 0
    for lens in pupil_lenses():
        f_number, zones = shots_of(lens, random, sd=0.02, repeats=repeats)
        bad = int(random.integers(repeats, len(f_number) - repeats))
        zones[bad] += np.log(0.7)
        rejected = misfocused(SeriesShots(f_number=f_number, log_zones=zones))
        found += bad in rejected
        others += len(set(rejected) - {bad})
    assert found >= len(pupil_lenses()) - 1
    assert others == 0


@pytest.mark.parametrize(("repeats", "sd"), [(1, 0.02), (2, 0.02), (2, 0.04), (3, 0.01)])
def test_sound_shoots_lose_no_shot(repeats, sd):
    random = np.random.default_rng(32)
    for lens in pupil_lenses():
        f_number, zones = shots_of(lens, random, sd=sd, repeats=repeats)
        assert not misfocused(SeriesShots(f_number=f_number, log_zones=zones))


def test_a_stop_that_departs_is_said_and_not_rejected():
    random = np.random.default_rng(33)
    lens = pupil_lenses()[0]
    f_number, zones = shots_of(lens, random, sd=0.01, repeats=2)
    zones[f_number == 5.6] += np.log(0.8)
    series = SeriesShots(f_number=f_number, log_zones=zones)
    assert not misfocused(series)
    found = departures(series, pixel_pitch_um=lens.pitch_um)
    assert list(found) == [5.6]
    assert found[5.6] == pytest.approx(0.2, abs=0.04)


def test_sound_lenses_have_no_stop_that_departs():
    random = np.random.default_rng(36)
    found = 0
    for lens in pupil_lenses()[:8]:
        f_number, zones = shots_of(lens, random, sd=0.01, repeats=3)
        series = SeriesShots(f_number=f_number, log_zones=zones)
        found += bool(departures(series, pixel_pitch_um=lens.pitch_um))
    assert found <= 1


def test_one_soft_zone_is_no_misfocus():
    random = np.random.default_rng(34)
    lens = pupil_lenses()[1]
    f_number, zones = shots_of(lens, random, sd=0.01, repeats=2)
    zones[5, 2:] += np.log((0.5, 0.8))
    assert not misfocused(SeriesShots(f_number=f_number, log_zones=zones))


@pytest.mark.parametrize(("kept", "told"), [(0.6, "40 %"), (0.896, "10.4 %")])
def test_reason_tells_figure_and_limit(kept, told):
    """A shot just beyond the limit is not said to lie on it."""
    stops = np.repeat([2.8, 4.0, 5.6], 2)
    zones = np.tile(np.log([0.3, 0.28, 0.25, 0.27]), (6, 1))
    zones[3] += np.log(kept)
    reason = misfocused(SeriesShots(f_number=stops, log_zones=zones))[3]
    assert reason == f"the whole picture is softer than its repeats ({told} over the frame, limit 10 %)"


def test_repeat_sd_shrugs_off_a_bad_shot():
    random = np.random.default_rng(35)
    zones = 0.02 * random.normal(size=(400, 1))
    zones[::20] -= 0.5
    series = SeriesShots(f_number=np.repeat(np.arange(1.0, 201.0), 2), log_zones=zones)
    assert np.median(list(repeat_sd(series).values())) == pytest.approx(0.02, rel=0.3)
