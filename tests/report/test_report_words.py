"""The plain answer, as sentences."""

import dataclasses

import pytest
from invented_shoot import best_setting, invented_comparison, invented_findings, invented_lens

from lensbench.model.sweep import SweepFindings
from lensbench.report.text.figures import (
    Scale,
    answer_sentences,
    comparison_sentences,
    f_stop,
    focal_length,
    in_words,
    lens_sentences,
    with_interval,
)


def test_the_answer_comes_first_and_its_limits_last():
    sentences = answer_sentences(invented_findings())
    assert sentences[0] == "Larkmoor Zoom 24-70 mm f/2.8: set 35 mm and f/5.6 for the sharpest whole frame."
    assert sentences[2] == "At 35 mm f/4 to f/8 can't be told apart."
    assert sentences[-1].startswith("This copy, on this body")


def test_a_name_is_not_cut_at_its_own_full_stops():
    name = "Dr. Ash No. Five"
    sentences = lens_sentences(
        invented_lens(lens=name, answer=f"{name}: set f/8. At 24 mm f/8 stands alone.", holds_for="")
    )
    assert sentences == [f"{name}: set f/8.", "At 24 mm f/8 stands alone."]


def test_hidden_characters_never_reach_the_terminal():
    name = "Zoom\x1b[2J\u202e"
    (sentence,) = lens_sentences(invented_lens(lens=name, answer=f"{name}: set f/8.", holds_for=""))
    assert sentence == "Zoom[2J: set f/8."


def test_an_answer_that_nobody_worded_still_names_the_setting():
    best = best_setting(35.0, 5.6, "frame", ())
    assert lens_sentences(invented_lens(answer="", holds_for="", best=best)) == ["Set f/5.6 at 35 mm."]
    assert lens_sentences(invented_lens(answer="", holds_for="", best=None)) == [
        "No setting could be measured."
    ]
    unknown = dataclasses.replace(best, focal_length_mm=None)
    assert lens_sentences(invented_lens(answer="", holds_for="", best=unknown)) == ["Set f/5.6."]


def test_nothing_measured_is_said_in_a_sentence():
    assert answer_sentences(SweepFindings(lenses=())) == ["No photograph could be measured."]


def test_a_comparison_says_its_answer_and_its_cautions():
    answer, caution = comparison_sentences(invented_comparison())
    assert answer == "Fennick Prime 35 mm f/1.8 is sharper at every stop but f/2.8."
    assert caution == "Both lenses were shot at one distance only."


@pytest.mark.parametrize(
    ("f_number", "text"),
    [
        (5.656854, "f/5.6"),
        (11.3137, "f/11"),
        (0.95, "f/0.95"),
        (float("nan"), "unknown f-stop"),
        (None, "unknown f-stop"),
    ],
)
def test_f_stops_are_named_as_engraved(f_number, text):
    assert f_stop(f_number) == text


def test_focal_lengths_have_no_needless_digits():
    assert [focal_length(each) for each in (35.0, 10.5, 23.98, None)] == [
        "35 mm",
        "10.5 mm",
        "24 mm",
        "unknown focal length",
    ]


def test_lists_are_read_aloud():
    assert [in_words(["a", "b", "c"][:count]) for count in range(4)] == ["", "a", "a and b", "a, b and c"]


def test_a_figure_without_interval_stands_alone():
    nan = float("nan")
    assert with_interval(0.25, (nan, nan)) == "0.250"
    assert with_interval(nan, (nan, nan)) == "–"


def test_other_units_are_given_where_they_are_known():
    # lp/mm = 1000 f / pitch, LW/PH = 2 f x height: 0.25 at 4 um and 4000 px.
    assert Scale(pixel_pitch_um=4.0, picture_height_px=4000).also(0.25) == "62 lp/mm, 2000 LW/PH"
    assert Scale(picture_height_px=4000).also(0.25) == "2000 LW/PH"
    assert Scale().also(0.25) == ""
    assert Scale(pixel_pitch_um=4.0).also(float("nan")) == ""
