"""The report of an effect: every file, the answer first, no formulas in tables, the same words on all of them."""

import csv
import io
import json
import math
import sys
from pathlib import Path

import numpy as np
import pytest

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "made"))

from effect_shots import series, shot

from lensbench.effect.effect import find_effect
from lensbench.model.compare import Effect
from lensbench.model.errors import SettingError
from lensbench.report.out.write import write_effect
from lensbench.report.page.document import Answer
from lensbench.report.page.effect import effect_report
from lensbench.report.text.effect import effect_sentences


def done(shots, **options):
    return Effect(findings=find_effect(shots, **options), shots=tuple(shots))


@pytest.fixture(scope="module")
def filter_effect():
    shots = series(["=without", "<with>"] * 3, effect={"=without": 0.0, "<with>": -0.2}, sd=0.004)
    return done(shots, by="condition")


def test_every_file_is_written_and_says_the_same(filter_effect, tmp_path):
    written = write_effect(filter_effect, tmp_path / "out")
    names = {path.relative_to(tmp_path / "out").as_posix() for path in written}
    assert {"report.html", "report.pdf", "effect.json", "effect.csv", "shots.csv"} <= names
    assert written[-1].name == "report.html"
    page = written[-1].read_text(encoding="utf-8")
    assert "<h1>«&lt;with&gt;» is visibly softer than «=without», by 20\N{NO-BREAK SPACE}%.</h1>" in page
    assert "visible" in page
    assert "<with>" not in page
    told = json.loads((tmp_path / "out" / "effect.json").read_text(encoding="utf-8"))
    assert told["reference"] == "=without"
    assert told["rows"][0]["verdict"] == "visible"
    rows = list(csv.DictReader(io.StringIO((tmp_path / "out" / "effect.csv").read_text(encoding="utf-8"))))
    assert {row["reference"] for row in rows} == {"'=without"}
    assert float(rows[0]["difference"]) == pytest.approx(told["rows"][0]["difference"], rel=1e-5)
    assert (tmp_path / "out" / "report.pdf").read_bytes().startswith(b"%PDF")


def test_the_same_shots_give_the_same_bytes(filter_effect, tmp_path):
    first, second = (write_effect(filter_effect, tmp_path / name) for name in "ab")
    assert [path.read_bytes() for path in first] == [path.read_bytes() for path in second]


def test_a_report_is_never_written_among_the_photographs(filter_effect):
    with pytest.raises(SettingError, match="never written to"):
        write_effect(filter_effect, Path("shots/report"))


def test_shutter_speeds_have_a_plot_of_their_own(tmp_path):
    random = np.random.default_rng(6)
    shots = [
        shot(n, 0.25 / math.sqrt(1.0 + (random.normal() * 60.0 * time) ** 2), exposure_s=float(time))
        for n, time in enumerate(np.tile(2.0 ** -np.arange(2.0, 9.0), 3))
    ]
    report = effect_report(find_effect(shots, by="exposure_s"))
    assert [plot.key for plot in report.plots] == ["effect-strips", "effect-shutter"]
    assert report.title == "Effect of the shutter speed"
    (strip,) = report.plots[0].strips
    assert ([line.role for line in strip.lines], len(strip.differences)) == (["frame"], 6)
    assert (tmp_path / "plain").exists() is False


def test_two_conditions_are_two_lines_with_their_difference(filter_effect):
    strips = effect_report(filter_effect.findings).plots[0]
    (strip,) = strips.strips
    first, second = strip.lines
    assert (first.name, [place for place, _ in first.shots]) == ("=without", [1.0, 3.0, 5.0])
    assert (second.name, [place for place, _ in second.shots]) == ("<with>", [2.0, 4.0, 6.0])
    # A loss of 20 % of the reference's mean, each shot strayed by 0.4 %: four sds.
    assert [percent for _, percent in second.shots] == pytest.approx([80.0] * 3, abs=1.6)
    (row,) = [row for row in filter_effect.findings.rows if (row.figure, row.zone) == ("mtf50", "frame")]
    (difference,) = strip.differences
    assert (difference.percent, difference.low, difference.high) == (row.difference, *row.ci95)
    assert (difference.visible_from_percent, strips.equal_percent) == (row.visible_from, 3.0)


def test_many_levels_are_answered_together_what_shows_most_first():
    effect = {"a": 0.0, "b": 0.0, "c": -0.3, "d": -0.2}
    found = find_effect(series([*effect] * 5, effect=effect, sd=0.002), by="condition")
    answer = next(block for block in effect_report(found).blocks if isinstance(block, Answer))
    assert answer.sentences[0].startswith("Visibly softer than «a»: «c» (30 %) and «d» (20 %)")
    assert answer.sentences[1:] == ("As sharp as «a»: «b».",)


@pytest.mark.parametrize(("sd", "told"), [(0.0005, False), (0.02, True)])
def test_scatter_is_told_from_a_tenth_of_what_counts_as_equal_on(sd, told):
    # Both scatter unalike, one by a hundredth of the other's: 0.05 % decides nothing where 3 % counts as equal.
    random = np.random.default_rng(4)
    shots = [
        shot(
            number,
            0.25 * math.exp((sd if number % 2 else 0.01 * sd) * random.normal()),
            condition="ba"[number % 2],
        )
        for number in range(1, 21)
    ]
    said = [
        sentence
        for sentence in effect_sentences(find_effect(shots, by="condition"))
        if "scatters" in sentence
    ]
    assert bool(said) is told
    assert not any("0.0 %" in sentence for sentence in said)


def test_the_answer_stands_first_and_the_limits_last(filter_effect):
    sentences = effect_sentences(filter_effect.findings)
    assert sentences[1].startswith("«<with>» against «=without»: ")
    assert sentences[-1].startswith("This copy of Fennel on Box One at f/5.6, 35 mm")
