"""The ten-minute test: recognised by its shots, and answered no further than a dozen shots can tell."""

from dataclasses import replace

import numpy as np
import pytest
from seen_shots import seen_shot

from lensbench import simulate
from lensbench.chart.layout.sheet import sheet
from lensbench.condition.quick import is_quick
from lensbench.report.out.json_form import findings_as_json
from lensbench.report.text.answer import answer_sentences, lens_sentences
from lensbench.sweep.decide import find

SHEET = sheet("A2")


def taken(*, stops=(2.0, 8.0), repeats=3, turned=True, told=False, print_sigma_mm=0.03, **optics):
    """The shots of the plan: every stop upright, then with the camera turned (its roll) or by the table's word."""
    position = simulate.ZoomPosition(focal_length_mm=50.0, **optics)
    scene = simulate.Scene(
        layout=replace(SHEET, targets=SHEET.targets[::2]),
        lens=simulate.prime("Invented", position, widest_f_number=2.0),
        camera=simulate.Camera(rows=4000, cols=6000, pitch_um=5.0),
        print_sigma_mm=print_sigma_mm,
    )
    random, shots = np.random.default_rng(3), []
    for over in (False, True) if turned else (False,):
        here = replace(scene, pose=simulate.Pose(roll_deg=180.0 if over and not told else 0.0))
        word = ("chart turned 180" if over else "upright") if told else ""
        for stop in stops:
            for _ in range(repeats):
                shot = simulate.Shot(
                    focal_length_mm=50.0, f_number=stop, focus_error_um=float(random.normal(0.0, 2.0))
                )
                shots.append(seen_shot(random, here, shot, len(shots), condition=word))
    return shots


@pytest.fixture(scope="module")
def sound():
    return taken()


def test_it_is_recognised_by_the_chart_on_its_head_or_by_the_table(sound):
    assert is_quick(sound)
    assert is_quick(taken(told=True, repeats=2))


@pytest.mark.parametrize(
    "otherwise", [{"turned": False}, {"stops": (2.0, 4.0, 8.0), "repeats": 2}, {"repeats": 4}]
)
def test_other_shoots_are_not_taken_for_it(otherwise):
    """Not turned, three stops, and sixteen shots."""
    shots = taken(**otherwise)
    assert not is_quick(shots)
    assert find(shots).lenses[0].quick is None


def test_a_sound_copy_is_called_sound_and_no_stop_the_best(sound):
    (lens,) = find(sound).lenses
    assert lens.best is None
    assert lens.quick.grossly_uneven == lens.quick.grossly_soft == "not seen"
    words = " ".join(answer_sentences(find(sound)))
    assert "no reason to send this copy back" in words
    assert "not which stop is best" in words
    assert "set f/" not in words
    form = findings_as_json(find(sound))["lenses"][0]
    assert form["best"] is None
    assert form["quick"]["turned_shots"] == 6
    assert form["by_focal_length"][0]["best_f_number"] is None
    assert {point["f_number"] for point in form["by_focal_length"][0]["curve"]} == {2.0, 8.0}


def test_an_uneven_copy_is_told_with_its_side():
    """Aberrations that grow by 0.9 over a half-diagonal to the right."""
    (lens,) = find(taken(decentring=(0.0, 0.9), residual_um=2.0)).lenses
    assert lens.quick.grossly_uneven == "seen"
    assert "grossly uneven" in " ".join(lens_sentences(lens))
    assert "softer at the right" in " ".join(lens_sentences(lens))


def test_a_soft_copy_is_told():
    """8 um of sigma leave 23 lp/mm at MTF50; diffraction at f/8 alone leaves 92 (closed forms: Gaussian, pupil)."""
    (lens,) = find(taken(residual_um=8.0)).lenses
    assert lens.quick.grossly_soft == "seen"
    assert "grossly soft" in " ".join(lens_sentences(lens))
    assert "blurred edges would do the same" in " ".join(lens_sentences(lens))
