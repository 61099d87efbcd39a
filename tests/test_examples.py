"""Every example runs, and what it prints agrees with the truth that it prints beside it."""

import re

import make_gallery
import pytest


@pytest.fixture
def printed(tmp_path):
    def run(name):
        picture = tmp_path / "picture.png"
        said = make_gallery.answer(name, picture)
        assert picture.stat().st_size > 5000
        return said

    return run


def pairs(pattern, text):
    return [tuple(map(float, found)) for found in re.findall(pattern, text)]


def test_every_example_is_tested_and_stands_in_the_gallery():
    scripts = {path.stem for path in make_gallery.EXAMPLES.glob("*.py")} - {"drawing"}
    assert scripts == set(make_gallery.NAMES)
    assert {name.removeprefix("test_") for name in globals() if name.startswith("test_")} >= scripts
    page = make_gallery.PAGE.read_text(encoding="utf-8")
    for name in make_gallery.NAMES:
        assert f"## {make_gallery.question_of(name)[0]}\n" in page
        assert (make_gallery.PICTURES / f"{name}.png").exists()


def test_how_true_is_an_edge(printed):
    text = printed("how_true_is_an_edge")
    truth = float(re.search(r"true MTF50: ([\d.]+)", text)[1])
    ((refined, scatter, stated),) = pairs(r"refined *: ([\d.]+) .*scatter ([\d.]+), stated ([\d.]+)", text)
    # The mean of 20 shots: three of its own standard errors.
    assert refined == pytest.approx(truth, abs=3.0 * stated / 20**0.5)
    assert 0.5 < scatter / stated < 1.6


def test_what_a_filter_costs(printed):
    losses = pairs(
        r"px: ([-+.\d]+) % \(true ([-+.\d]+) %, rule of squares ([-+.\d]+) %\)",
        printed("what_a_filter_costs"),
    )
    assert len(losses) == 4
    assert losses == sorted(losses, reverse=True)
    for measured, true, rule in losses:
        assert measured == pytest.approx(true, abs=0.5)  # noise-free: the method's own bias
        assert true == pytest.approx(
            rule, abs=3.0
        )  # the rule holds for Gaussians; diffraction and pixel are not quite


def test_how_far_may_focus_be_off(printed):
    figures = pairs(r"MTF50 ([\d.]+) cy/px \(true ([\d.]+)\)", printed("how_far_may_focus_be_off"))
    assert len(figures) == 7
    for measured, true in figures:
        assert measured == pytest.approx(true, rel=0.01)  # noise-free: the method's own bias


def test_does_sharpening_resolve_more(printed):
    text = printed("does_sharpening_resolve_more")
    figures = pairs(r"MTF50 ([\d.]+) cy/px \(true ([\d.]+)\), overshoot ([\d.]+) % \(true ([\d.]+) %\)", text)
    assert len(figures) == 4
    for measured, true, overshoot, true_overshoot in figures:
        assert measured == pytest.approx(true, rel=0.03)  # a sharpened edge lies outside the lens model
        assert overshoot == pytest.approx(true_overshoot, abs=1.0)  # of the step; read off the fitted edge
    assert figures[-1][0] > 1.4 * figures[0][0]


def test_which_frame_is_sharpest(printed):
    found, truth = re.findall(r"^\w+: (.*)$", printed("which_frame_is_sharpest"), re.MULTILINE)
    assert found == truth


def test_which_side_is_soft(printed):
    text = printed("which_side_is_soft")
    figures = pairs(r"MTF50 ([\d.]+) cy/px \(true ([\d.]+)\)", text)
    assert len(figures) == 5
    for measured, true in figures:
        assert measured == pytest.approx(true, rel=0.03)  # median of the edges seen against that of all
    ((softer, truly),) = pairs(r"right is (\d+) % softer than the left \(true (\d+) %\)", text)
    assert softer == pytest.approx(truly, abs=3.0)


def test_which_stop(printed):
    text = printed("which_stop")
    truth = dict(pairs(r"f/([\d.]+) +([\d.]+) cy/px", text))
    best = max(truth, key=truth.get)
    named = {float(stop) for stop in re.findall(r"f/(\d+(?:\.\d+)?)", text.split("true MTF50")[0])}
    assert best in named
