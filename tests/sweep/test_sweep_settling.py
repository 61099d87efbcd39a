"""Focus brackets read back from a sweep's table count as one shot each, with their peak."""

import math

import numpy as np
import pytest
from test_compare_compare import CURVE, read_lens

from lensbench import optics
from lensbench.compare.compare import compare_lenses
from lensbench.model.compare import Caution
from lensbench.model.sweep import SHOTS_COLUMNS
from lensbench.sweep.read_back import bracketed, settled

ZONE_LEVEL = {"inner": 1.05, "middle": 0.98, "outer": 0.88, "frame": 0.97}


def exact_mtf50(focus_um, *, f_number=4.0, pitch_um=4.0):
    """Hopkins (1955): a circular pupil out of focus, with a square pixel."""
    q = 0.55 * f_number / pitch_um
    waves = abs(focus_um) / (8.0 * 0.55 * f_number**2)
    frequency = np.linspace(0.0, 1.0, 2001)
    sfr = np.abs(optics.defocused_diffraction_otf(np.minimum(frequency * q, 1.0), waves)) * np.sinc(frequency)
    after = int(np.argmax(sfr < 0.5))
    return float(np.interp(0.5, sfr[[after, after - 1]], frequency[[after, after - 1]]))


def row(step, **cells):
    known = {"f_number": "4", "exact_f_number": "4", "focal_length_mm": "50", "pixel_pitch_um": "4"}
    figures = {
        f"{zone}_mtf50_cypx": f"{level * exact_mtf50(step - 7.0):.6f}" for zone, level in ZONE_LEVEL.items()
    }
    told = known | figures | {"focus_step": f"{step:g}", "magnification": "0.02", "file": f"{step:g}.dng"}
    return dict.fromkeys(SHOTS_COLUMNS, "") | told | cells


def test_a_bracket_becomes_one_row_with_its_peak():
    # The focus is best at 7, between the steps: truth by the exact integral.
    bracket = [row(step, focus_group="first") for step in (-30.0, -15.0, 0.0, 15.0, 30.0, 45.0)]
    alone = row(0.0, focus_step="", focus_group="")
    found = settled([*bracket, alone])
    assert found[0] is alone
    (peak,) = found[1:]
    for zone, level in ZONE_LEVEL.items():
        # 1.5 %: the peak lies up to half a step beside every frame.
        assert float(peak[f"{zone}_mtf50_cypx"]) == pytest.approx(level * exact_mtf50(0.0), rel=0.015)
    assert peak["file"] == "0.dng"
    mean = np.mean([math.log(float(one["frame_mtf50_cypx"])) for one in bracket])
    assert math.exp(mean) < 0.8 * float(peak["frame_mtf50_cypx"])


def test_two_brackets_and_two_stops_stay_apart():
    rows = [row(step, focus_group=group) for group in ("a", "b") for step in (-20.0, 0.0, 20.0)]
    rows += [row(step, focus_group="a", f_number="8", exact_f_number="8") for step in (-20.0, 0.0, 20.0)]
    assert len(settled(rows)) == 3
    assert bracketed(rows)


def test_shots_without_steps_stay_as_they_are():
    rows = [row(0.0, focus_step="", focus_group=group) for group in ("a", "a", "")]
    assert settled(rows) == rows
    assert not bracketed(rows)


def test_a_bracketed_lens_against_an_unbracketed_one_is_warned_of():
    first = read_lens("Fennel", CURVE, seed=1, rows=(row(0.0, focus_group="a"),))
    pair = compare_lenses([first, read_lens("Sorrel", CURVE, seed=2)]).pairs[0]
    assert {one.kind: one.names for one in pair.cautions}[Caution.ONE_BRACKETED] == ("Fennel",)
