"""The ten-minute test: asked for by the shots table, and answered no further than a dozen shots can tell."""

from dataclasses import replace

import numpy as np
import pytest
from seen_shots import seen_shot

from lensbench import simulate
from lensbench.chart.layout.sheet import sheet
from lensbench.model.condition import QUICK_TEST, Verdict
from lensbench.report.out.json_form import findings_as_json
from lensbench.report.text.answer import answer_sentences
from lensbench.sweep.decide import find

SHEET = sheet("A2")


def taken(*, stops=(2.0, 8.0), repeats=3, asked=True, print_sigma_mm=0.03, **optics):
    """Every stop upright, then with the camera turned; `asked` by the table's words."""
    position = simulate.ZoomPosition(focal_length_mm=50.0, **optics)
    scene = simulate.Scene(
        layout=replace(SHEET, targets=SHEET.targets[::2]),
        lens=simulate.prime("Invented", position, widest_f_number=2.0),
        camera=simulate.Camera(rows=4000, cols=6000, pitch_um=5.0),
        print_sigma_mm=print_sigma_mm,
    )
    random, shots = np.random.default_rng(3), []
    for over in (False, True):
        here = replace(scene, pose=simulate.Pose(roll_deg=180.0 if over else 0.0))
        word = "camera turned 180" if over else "upright"
        word = f"{QUICK_TEST}, {word}" if asked else word
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


@pytest.mark.parametrize("repeats", [2, 3])
def test_turned_shots_alone_do_not_ask_for_it(repeats):
    """Six or three shots at two stops and the same with the camera turned: an ordinary sweep with a best setting."""
    (lens,) = find(taken(asked=False, repeats=repeats)).lenses
    assert lens.quick is None
    assert lens.best.f_number in {2.0, 8.0}


def test_a_shot_that_no_row_marks_makes_it_an_ordinary_sweep(sound):
    first = replace(sound[0], planned=replace(sound[0].planned, condition=""))
    assert find([first, *sound[1:]]).lenses[0].quick is None


def test_more_shots_or_stops_than_a_dozen_are_answered_when_it_is_asked_for():
    (lens,) = find(taken(stops=(2.0, 4.0, 8.0))).lenses
    assert lens.quick is not None
    assert lens.best is None


def test_a_sound_copy_is_called_sound_and_no_stop_the_best(sound):
    (lens,) = find(sound).lenses
    assert lens.best is None
    assert lens.quick.grossly_uneven is lens.quick.grossly_soft is Verdict.WITHIN_LIMITS
    words = " ".join(answer_sentences(find(sound)))
    assert "no reason to return this copy" in words
    assert "not which stop is best" in words
    assert "set f/" not in words
    form = findings_as_json(find(sound))["lenses"][0]
    assert form["best"] is None
    assert form["quick"]["turned_shots"] == 6
    assert "no reason to return this copy" in form["quick"]["text"]
    assert form["by_focal_length"][0]["best_f_number"] is None
    assert {point["f_number"] for point in form["by_focal_length"][0]["curve"]} == {2.0, 8.0}


def test_an_uneven_copy_is_told_with_its_side():
    """Aberrations that grow by 0.9 over a half-diagonal to the right."""
    findings = find(taken(decentring=(0.0, 0.9), residual_um=2.0))
    assert findings.lenses[0].quick.grossly_uneven is Verdict.MATTERS
    headline = answer_sentences(findings)[0]
    assert "grossly uneven: the right is" in headline
    assert "turning the camera or chart did not move it" in headline  # no table says which


def test_a_soft_copy_is_told():
    """8 um of sigma leave 23 lp/mm at MTF50; diffraction at f/8 alone leaves 92 (closed forms: Gaussian, pupil)."""
    findings = find(taken(residual_um=8.0))
    assert findings.lenses[0].quick.grossly_soft is Verdict.MATTERS
    words = " ".join(answer_sentences(findings))
    assert "grossly soft" in words
    assert "blurred print would do the same" in words
