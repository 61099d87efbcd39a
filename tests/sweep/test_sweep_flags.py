"""Flags of a series: for each a simulated case that must raise it, and clean ones that must not."""

from dataclasses import replace

import numpy as np
import pytest
from seen_shots import seen_shot

from lensbench import simulate
from lensbench.chart.layout.sheet import sheet
from lensbench.model.errors import remark
from lensbench.model.sweep import Observed
from lensbench.sweep.reject import reject
from lensbench.sweep.remarks import drift_remarks, mixed_remarks, print_remarks

SHEET = sheet("A2")
STOPS = (2.8, 4.0, 5.6, 8.0)


def a_scene(*, print_sigma_mm=0.03, **optics):
    """A full-frame camera that an A2 sheet fills, some 20 focal lengths away."""
    position = simulate.ZoomPosition(focal_length_mm=50.0, **optics)
    return simulate.Scene(
        layout=replace(SHEET, targets=SHEET.targets[::3]),
        lens=simulate.prime("Invented", position, widest_f_number=2.8),
        camera=simulate.Camera(rows=4000, cols=6000, pitch_um=5.0),
        print_sigma_mm=print_sigma_mm,
    )


SCENE = a_scene()


def a_shot(**changes):
    return simulate.Shot(**({"focal_length_mm": 50.0, "f_number": 5.6, "paper_level": 0.6} | changes))


def burst(count=6, *, shifts_px=None, focus_um=None):
    random = np.random.default_rng(4)
    return [
        seen_shot(
            random,
            SCENE,
            a_shot(focus_error_um=0.0 if focus_um is None else float(focus_um[n])),
            n,
            shift_px=(0.0, 0.0) if shifts_px is None else tuple(shifts_px[n]),
        )
        for n in range(count)
    ]


def swept(scene=SCENE, *, seed=5):
    """Every stop twice, focused anew with a spread of 4 um."""
    random = np.random.default_rng(seed)
    shots = [
        a_shot(f_number=stop, focus_error_um=float(random.normal(0.0, 4.0)))
        for stop in STOPS
        for _ in range(2)
    ]
    return [seen_shot(random, scene, shot, n) for n, shot in enumerate(shots)]


def steps(last, count=6):
    return np.outer(np.arange(count) / (count - 1.0), last)


@pytest.mark.parametrize(
    ("drifting", "what"),
    [
        ({"shifts_px": steps((3.0, 4.0))}, Observed.POSITION),
        ({"focus_um": 60.0 * np.arange(6) / 5.0}, Observed.CREEP),
    ],
)
def test_drift_is_told_with_what_drifts(drifting, what):
    """Moved by hand from shot to shot: 5 px, 60 um of focus (a disc of 2 px at f/5.6, geometric)."""
    shots = burst(**drifting)
    (raised,) = drift_remarks(shots)
    assert (raised.flag, raised.shots, raised.focal_length_mm) == ("drift", 6, 50.0)
    (drift,) = [one for one in raised.observations if one.kind == what]
    logs = np.array([shot.log_mtf50("frame") for shot in shots])
    # The simulator's own sharpness tells what the creep cost on average; a third: by a parabola for the exact fall.
    figure, within = (
        (5.0, 0.02) if what is Observed.POSITION else (-100.0 * np.expm1(np.mean(logs) - logs[0]), 0.33)
    )
    assert drift.values[0] == pytest.approx(figure, rel=within)


@pytest.mark.parametrize("seed", range(4))
def test_a_sweep_focused_anew_does_not_drift(seed):
    assert drift_remarks(swept(seed=seed)) == []


@pytest.mark.parametrize("first", [0, -3, 1])
def test_the_shots_of_a_focus_bracket_are_no_drift(first):
    """Two shots in focus at each stop, then a bracket from 90 um before to 90 um behind, all stops at each step; the
    picture grows by 0.3 % as the lens is focused nearer. It does not matter from which number the steps are counted."""
    random = np.random.default_rng(4)
    taken = [(stop, 0.0, None) for stop in STOPS for _ in range(2)]
    taken += [(stop, -90.0 + 30.0 * step, first + step) for step in range(7) for stop in STOPS]
    shots = []
    for number, (stop, focus_um, step) in enumerate(taken):
        shot = seen_shot(random, SCENE, a_shot(f_number=stop, focus_error_um=focus_um), number)
        group = "" if step is None else "b"
        planned = replace(shot.planned, focus_group=group, focus_step=None if step is None else float(step))
        grown = shot if step is None else magnified(shot, 1.0 + 0.0005 * (step - first))
        shots.append(replace(grown, planned=planned))
    assert drift_remarks(shots) == []


def magnified(shot, factor):
    """The shot with its edges moved away from the picture's centre."""
    centre = (np.array(shot.result.size_px) - 1.0) / 2.0
    edges = tuple(
        replace(
            edge,
            edge=replace(
                edge.edge, point_px=tuple(centre + factor * (np.array(edge.edge.point_px) - centre))
            ),
        )
        for edge in shot.result.edges
    )
    return replace(shot, result=replace(shot.result, edges=edges))


def test_a_camera_bumped_once_does_not_drift():
    shifts = np.zeros((6, 2))
    shifts[3:] = (5.0, -8.0)
    assert drift_remarks(burst(shifts_px=shifts)) == []


def test_the_order_is_that_of_the_clock():
    shots = burst(shifts_px=steps((0.0, 6.0)))
    assert drift_remarks(shots[::-1]) == drift_remarks(shots)
    # The chart was moved in between: every set-up counts for itself, and three shots tell no trend.
    parted = [
        replace(shot, planned=replace(shot.planned, condition="upright" if n < 3 else "chart turned 180"))
        for n, shot in enumerate(shots)
    ]
    assert drift_remarks(parted) == []


def test_a_blurred_print_is_suspected_and_a_sharp_one_is_not():
    # 0.2 mm of sigma is 0.51 mm from 10 to 90 %: five times a home printer's.
    (raised,) = print_remarks(swept(a_scene(print_sigma_mm=0.2)))
    assert raised.flag == "print_blurred"
    ((rise_mm, _, photographs),) = [one.values for one in raised.observations]
    assert rise_mm == pytest.approx(0.51, abs=0.1)
    assert photographs == 8
    assert print_remarks(swept()) == []
    # A lens that is soft outside, and no less at any stop, is no print.
    soft_outside = a_scene(residual_um=1.0, residual_corner_um=9.0)
    assert print_remarks(swept(soft_outside)) == []


def test_a_print_divided_out_is_not_suspected():
    shots = swept(a_scene(print_sigma_mm=0.2))
    freed = [replace(s, result=replace(s.result, quality=(remark("print_divided"),))) for s in shots]
    assert print_remarks(freed) == []


def test_everything_alike_is_not_mixed():
    assert mixed_remarks(swept()) == []


def with_first(change):
    first, *others = swept()
    return [change(first), *others]


def in_result(**fields):
    return lambda shot: replace(shot, result=replace(shot.result, **fields))


@pytest.mark.parametrize(
    ("change", "what", "values"),
    [
        (
            lambda s: replace(s, planned=replace(s.planned, metadata=replace(s.planned.metadata, iso=1600))),
            Observed.ISO,
            (100, 1600),
        ),
        (in_result(sensor_data=False), Observed.FILE_KIND, (7, 1)),
        (in_result(size_px=(2000, 3000)), Observed.PICTURE_SIZE, (2000, 3000, 4000, 6000)),
        (in_result(quality=(remark("sharpened"),)), Observed.SHARPENED, (1, 8)),
        (
            lambda _: seen_shot(np.random.default_rng(1), SCENE, a_shot(f_number=2.8, paper_level=0.15), 0),
            Observed.LIGHT,
            (2.0,),
        ),
    ],
)
def test_what_was_not_the_same_is_told(change, what, values):
    (raised,) = mixed_remarks(with_first(change))
    assert raised.flag == ("sharpened" if what is Observed.SHARPENED else "mixed_settings")
    (seen,) = [one for one in raised.observations if one.kind == what]
    assert seen.values == pytest.approx(values, abs=0.05)


def test_a_misfocused_shot_is_rejected_and_no_other():
    """150 um at f/4 is a geometric disc of 37 um, 7.5 px."""
    shots = swept()
    assert not any(shot.reason for shot in reject(shots))
    far_off = seen_shot(np.random.default_rng(2), SCENE, a_shot(f_number=4.0, focus_error_um=150.0), 2)
    judged = reject([*shots[:2], far_off, *shots[3:]])
    assert [bool(shot.reason) for shot in judged] == [False, False, True] + [False] * 5
    assert judged[2].reason.count("softer") == 1
