"""The vocabulary: each figure spelled one way; names from outside are shown as they are and never obeyed."""

import math
from pathlib import Path

import pytest
from invented_shoot import invented_findings, invented_lens

from lensbench.model.setting import f_stop, focal_length, listed, shutter_speed
from lensbench.report.text import words as words_module
from lensbench.report.text.answer import answer_sentences, lens_sentences
from lensbench.report.text.words import borne, stop_range, with_doubt
from lensbench.storage.text import words_of


def test_the_answer_comes_first_and_its_limits_last():
    sentences = answer_sentences(invented_findings())
    assert ": set 35 mm and f/5.6" in sentences[0]
    assert sentences[-1].startswith("Holds for this copy on this body")


def test_a_name_is_not_cut_at_its_own_full_stops():
    assert lens_sentences(invented_lens(lens="Dr. Ash No. Five"))[0].startswith("Dr. Ash No. Five: set ")


def test_hidden_characters_never_reach_the_terminal():
    sentences = lens_sentences(invented_lens(lens="Zoom\x1b[2J\u202e"))
    assert sentences[0].startswith("Zoom[2J: set ")
    assert not {"\x1b", "\u202e"} & set("".join(sentences))


def test_shutter_speeds_are_the_dials_own():
    # 1/120 s, 1/128 s and 1/125 s are one speed; the dial is in thirds of a stop (common practice, no source).
    names = [shutter_speed(time) for time in (1 / 120, 1 / 128, 1 / 31, 0.26, 7.7, 1 / 16000, 95.0, 0.0)]
    assert names == ["1/125 s", "1/125 s", "1/30 s", "1/4 s", "8 s", "1/16000 s", "95 s", "0 s"]


def test_stops_are_named_as_a_range_only_without_gaps():
    tested = (2.8, 4.0, 5.6, 8.0, 11.0)
    assert stop_range((4.0, 5.6, 8.0), tested) == "f/4 to f/8"
    assert stop_range((2.8, 5.6, 8.0), tested) == "f/2.8, f/5.6 and f/8"
    assert stop_range((8.0,), tested) == "f/8"
    assert stop_range((), tested) == ""


@pytest.mark.parametrize(
    ("f_number", "text"),
    [
        (5.656854, "f/5.6"),
        (11.3137, "f/11"),
        (0.95, "f/0.95"),
        (0.0, "f/0"),
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
    assert [listed(["a", "b", "c"][:count]) for count in range(4)] == ["", "a", "a and b", "a, b and c"]


@pytest.mark.parametrize(
    ("value", "sd", "most", "text"),
    [
        (0.293146, 0.00014, 4, "0.2931"),  # never more than before
        (0.293146, 0.0021, 4, "0.2931"),
        (0.293146, 0.0099, 4, "0.2931"),
        (0.293146, 0.00996, 4, "0.293"),  # an sd of 0.010
        (0.293146, 0.021, 4, "0.293"),
        (0.293146, 0.21, 4, "0.29"),
        (3.4567, 1.2, 2, "3.5"),
        (3127.4, 41.0, 0, "3127"),
        (3127.4, 410.0, 0, "3130"),
        (3127.4, 4100.0, 0, "3100"),
        (-0.0004, 0.02, 3, "0.000"),
        (0.293146, 0.0, 3, "0.293"),
        (0.293146, math.nan, 3, "0.293"),
        (0.293146, None, 3, "0.293"),
        (math.nan, 0.01, 3, "–"),
    ],
)
def test_a_figure_shows_the_digits_that_its_sd_bears(value, sd, most, text):
    """Down to the sd's second significant digit (GUM, JCGM 100:2008, 7.2.6: two at most; from memory)."""
    assert borne(value, sd, most) == text


def test_doubt_and_interval_have_the_digits_of_their_figure():
    assert with_doubt(0.29312, 0.0213, 4) == "0.293 ± 0.042"
    assert with_doubt(3.4567, math.nan, 2) == "3.46"


ROOM = Path(words_module.__file__).parents[1]


def leaves(table, path=()):
    for name, value in table.items():
        if isinstance(value, dict):
            yield from leaves(value, (*path, name))
        else:
            yield (*path, name)


@pytest.mark.parametrize("path", sorted(leaves(words_of("report.text"))), ids=".".join)
def test_no_text_stands_there_that_nothing_says(path):
    # Named whole, by the table that it stands in, or by a table and what is filled in behind it.
    code = "".join(file.read_text(encoding="utf-8") for file in sorted(ROOM.rglob("*.py")))
    tables = [".".join(path[:depth]) for depth in range(1, len(path) + 1)]
    asked = {f"{quote}{name}{end}" for name in tables[1:] for quote in "\"'" for end in (quote, ".{")}
    asked |= {f'texts("{path[0]}")', f'(f"{path[0]}.{{'}
    asked |= {f'method("{path[0]}", '} if path[1] == "method" else set()
    assert any(words in code for words in asked)
