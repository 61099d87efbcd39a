"""Asked the wrong way, the program says the right one: help in every form, and the nearest command and option."""

import os
import re
import subprocess
import sys

import numpy as np
import pytest
import rawpy
from commands import ROOT, lensbench


def test_the_module_is_the_program():
    done = subprocess.run(
        [sys.executable, "-m", "lensbench", "swep"], cwd=ROOT, capture_output=True, text=True, check=False
    )
    assert done.returncode == 2
    assert done.stderr == "lensbench: there is no command «swep»; did you mean `lensbench sweep`?\n"


@pytest.mark.parametrize(
    "words", [("sweep", "--help"), ("sweep", "-h"), ("help", "sweep")], ids=["long", "short", "command"]
)
def test_help_is_the_same_in_every_form(words):
    assert lensbench(*words) == lensbench("sweep", "--help")


def test_help_of_all_and_of_a_command_within_another():
    assert lensbench("help").stdout == lensbench("-h").stdout
    assert lensbench("help", "library", "advise").stdout.startswith("Usage: lensbench library advise ")
    assert "--near" in lensbench("help", "library", "advise").stdout


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (("swep", "x"), "did you mean `lensbench sweep`?"),
        (("advise", "--focal-length", "50"), "did you mean `lensbench library advise`?"),
        (("library", "advize"), "did you mean `lensbench library advise`?"),
        (("help", "comapre"), "did you mean `lensbench compare`?"),
        (("zzz",), "`lensbench --help` lists them all"),
        (("sweep", "x", "--shot", "y.csv"), "did you mean --shots?"),
        (("sweep", "x", "--worker", "1"), "did you mean --workers?"),
        (("chart", "--pages", "13"), "there is no option --pages"),
        (("sweep", "x", "--library", "y"), "lensbench sweep has no option --library; `lensbench library"),
        (("--library", "y", "sweep", "x"), "--library belongs to `lensbench library`"),
        (("sweep",), "FOLDER is missing"),
        (("effect", "x"), "--by is missing"),
        (("sweep", "x", "--tie", "good"), "--tie: "),
        (("measure", "x.dng", "--f-number", "f/2.8x"), "--f-number: «f/2.8x» is not a number: write 2.8"),
        (
            ("plan", "--focal", "24-70", "--widest", "wide"),
            "--widest: «wide» is neither a number nor a range",
        ),
        (("plan", "--focal", "50", "--widest", "2", "--room-m", "long"), "--room-m: «long» is not a number"),
        (("sweep", "x", "--workers", "two"), "--workers: «two» is not a number: write 3"),
        (("chart", "--wall", "9", "--sensor", "36"), "--sensor: «36» is not two sides: write WIDTHxHEIGHT"),
        (("library", "advise", "--focal-length", "24-70mm"), "is a range: write one number, such as 50"),
    ],
)
def test_wrong_usage_is_one_sentence_that_shows_the_right_form(words, says):
    done = lensbench(*words)
    assert done.returncode == 2
    assert done.stderr.startswith("lensbench: ")
    assert done.stderr.count("\n") == 1
    assert says in done.stderr
    assert "string" not in done.stderr


@pytest.mark.parametrize(
    "words", [("library", "--library", "{}", "list"), ("--library", "{}", "library", "list")]
)
def test_the_library_may_be_named_before_the_subcommand(words, tmp_path):
    place = tmp_path / "mine.sqlite"
    named = lensbench("library", "list", "--library", place)
    assert str(place) in named.stdout
    assert lensbench(*(word.format(place) for word in words)) == named


def test_numbers_as_people_write_them_make_the_same_plan(tmp_path):
    plain = ("plan", "--focal", "24-70", "--widest", "2.8", "--closest-m", "0.45", "--room-m", "5")
    spoken = ("plan", "--focal", "24-70mm", "--widest", "f/2,8", "--closest-m", "45cm", "--room-m", "5 m")
    told = [lensbench(*words, "--out", tmp_path / "plan", "--replace") for words in (plain, spoken)]
    assert told[0].returncode == 0
    assert told[0] == told[1]


def test_a_widest_opening_that_floats_is_planned_for(tmp_path):
    out = tmp_path / "plan"
    done = lensbench(
        "plan", "--focal", "18-55mm", "--widest", "3.5-5.6", "--focal-lengths", "18,35,55", "--out", out
    )
    assert "18-55 mm f/3.5-5.6" in done.stdout
    rows = [line.split(",") for line in (out / "shots.csv").read_text().splitlines()]
    stop, length = rows[0].index("f_number"), rows[0].index("focal_length_mm")
    widest = {}
    for row in rows[1:]:
        widest[row[length]] = min(float(row[stop]), widest.get(row[length], 99.0))
    # The two ends as engraved; between them, by even ratios: 3.5 (5.6 / 3.5)^(ln(35/18) / ln(55/18)) = 4.63 (derived),
    # of which 4.5 is the nearest engraved stop.
    assert (widest["18"], widest["55"]) == (3.5, 5.6)
    assert widest["35"] == 4.5


def test_versions_of_decoder_and_libraries():
    told = lensbench("--version").stdout
    assert re.match(r"lensbench \d+\.\d+", told)
    assert f"LibRaw {'.'.join(map(str, rawpy.libraw_version))}" in told
    assert f"numpy {np.__version__}" in told


def test_completion_knows_commands_and_options():
    for typed, offered in (("swe", "sweep"), ("sweep --pit", "--pitch-um")):
        asked = {
            "_LENSBENCH_COMPLETE": "complete_bash",
            "COMP_WORDS": f"lensbench {typed}",
            "COMP_CWORD": str(len(typed.split())),
        }
        done = subprocess.run(
            [sys.executable, "-m", "lensbench"],
            cwd=ROOT, env=os.environ | asked, capture_output=True, text=True, check=False,
        )  # fmt: skip
        assert done.stdout.split() == [offered]
