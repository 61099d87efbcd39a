"""Every sentence of an answer, held against one file: a change of wording changes `answers.txt` and nothing else.

The figures behind the sentences are tested where they are found. `python tests/report/test_answers.py` writes the file
anew; read what changed before keeping it.
"""

import dataclasses
import itertools
import math
import sys
from pathlib import Path

import numpy as np
import pytest

if __name__ == "__main__":
    sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "made"))

from effect_shots import series, shot
from invented_shoot import invented_comparison, invented_lens
from invented_shots import shoot
from measured_lenses import kept_session, sharper

from lensbench.effect.effect import find_effect
from lensbench.effect.levels import no_shake_speed
from lensbench.library import AdviceCaution, Lack, Wanted, advise, plan_picture
from lensbench.model.compare import (
    Caution,
    EffectCaution,
    Seen,
    Sharper,
    StopChoice,
    Verdict,
    Visible,
    VisibleFrom,
    WayOfLooking,
)
from lensbench.model.errors import Note
from lensbench.model.setting import Setting
from lensbench.model.sweep import Basis, Behind, Observed, Refocusing, SeriesRemark, SweepFindings, Unclaimed
from lensbench.report.text.advice import advice_sentences, picture_sentences
from lensbench.report.text.answer import answer_sentences, holds_for, lens_sentences, series_remark
from lensbench.report.text.compare import (
    choice_lines,
    comparison_answer,
    comparison_sentences,
    pair_sentences,
)
from lensbench.report.text.effect import effect_sentences, shutter_sentences, visible_in_words
from lensbench.report.text.words import note_in_words
from lensbench.stats.best_set import Tie
from lensbench.sweep.decide import find
from lensbench.sweep.reject import reject

GOLDEN = Path(__file__).with_name("answers.txt")
CURVE = {2.8: 0.22, 4.0: 0.28, 5.6: 0.30, 8.0: 0.275, 11.0: 0.225, 16.0: 0.165}
FLAT = {2.8: 0.25, 4.0: 0.297, 5.6: 0.30, 8.0: 0.298, 11.0: 0.26, 16.0: 0.2}
SCREEN = WayOfLooking(print_height_mm=1000.0, distance_mm=600.0, pixel_for_pixel=True)
PRINT = WayOfLooking(print_height_mm=100.0, distance_mm=400.0, pixel_for_pixel=False)
CASES = {}


def case(name):
    """Register what makes the sentences of one case."""
    return lambda make: CASES.setdefault(name, make)


def of_sweep(shots, **asked):
    return answer_sentences(find(reject(shots), **asked))


@case("a lens with one best stop")
def _():
    return of_sweep(shoot(CURVE, seed=1))


@case("equally good stops, by each rule")
def _():
    answers = [of_sweep(shoot(FLAT, seed=4, sd=0.002), tie=tie) for tie in Tie]
    return list(dict.fromkeys(itertools.chain(*answers)))


@case("one shot a setting")
def _():
    return of_sweep(shoot(CURVE, seed=3, repeats=1))


@case("one shot at two stops")
def _():
    return of_sweep(shoot({4.0: 0.28, 8.0: 0.27}, seed=6, repeats=1))


@case("one stop")
def _():
    return of_sweep(shoot({4.0: 0.3}, seed=15))


@case("the best stop ends the series")
def _():
    return of_sweep(shoot({2.8: 0.34, 4.0: 0.32, 5.6: 0.27, 8.0: 0.21}, seed=12))


@case("a zoom with a soft end, at unlike magnifications")
def _():
    ends = {focal: {stop: share * value for stop, value in CURVE.items()} for focal, share in ZOOM.items()}
    shots = [
        one
        for focal, curve in ends.items()
        for one in shoot(curve, seed=7, focal_mm=focal, magnification=0.03 if focal == 70.0 else 0.02)
    ]
    return of_sweep(shots)


ZOOM = {24.0: 0.98, 35.0: 1.0, 70.0: 0.75}


@case("a zoom's position that can't be told from the best in doubtful shots")
def _():
    lens = invented_lens(condition=())
    best = dataclasses.replace(lens.by_focal_length[1].best_by_zone["frame"], focal_length_mm=35.0)
    tied = tuple(
        Setting(focal_length_mm=focal.focal_length_mm, f_number=8.0) for focal in lens.by_focal_length
    )
    softer = {24.0: (1.2, -0.4, 2.8), 35.0: (-1.2, -2.8, 0.4), 70.0: (12.0, -1.0, 24.0)}
    behind = tuple(
        Behind(focal_length_mm=length_mm, f_number=8.0, percent=percent, ci95_percent=(low, high))
        for length_mm, (percent, low, high) in softer.items()
    )
    own = dataclasses.replace(best, tied=tied, as_good=tied[:2], behind=behind)
    surely = dataclasses.replace(behind[2], ci95_percent=(9.0, 15.0))
    weak = dataclasses.replace(own, tied=tied[:2], behind=(*behind[:2], surely))
    focals = tuple(
        dataclasses.replace(focal, as_good_f_numbers=focal.tied_f_numbers[:1])
        for focal in lens.by_focal_length
    )
    lenses = (
        dataclasses.replace(lens, zoom_at_own_best=own),
        dataclasses.replace(lens, zoom_at_own_best=weak, by_focal_length=focals),
    )
    return [sentence for one in lenses for sentence in lens_sentences(one)]


@case("nothing measured, no best, and why no winner is claimed")
def _():
    lens = invented_lens(by_focal_length=(), condition=(), basis=None)
    values = {Unclaimed.CREEP: (12.0,)}
    reservations = tuple(
        Note(reason, values.get(reason, (0.02, 0.03)), ("assumed",))
        for reason in Unclaimed
        if reason is not Unclaimed.FILE_KIND  # which leaves nothing else to say
    )
    kinds = dataclasses.replace(lens.best, reservations=(Note(Unclaimed.FILE_KIND, (9.0, 6.0)),))
    (focal,) = invented_lens().by_focal_length[:1]
    reserved = dataclasses.replace(
        lens, best=dataclasses.replace(lens.best, reservations=reservations), by_focal_length=(focal,)
    )
    return [
        *answer_sentences(SweepFindings(lenses=())),
        *lens_sentences(dataclasses.replace(lens, best=None)),
        *lens_sentences(reserved),
        *lens_sentences(dataclasses.replace(lens, best=kinds)),
    ]


@case("what findings hold for")
def _():
    jpeg = {"sensor_data": False, "channels": ("luminance",), "bracketed": False}
    return [
        holds_for(Basis(sensor_data=True, channels=("green",), shots_a_setting=(1, 1), bracketed=True)),
        holds_for(Basis(**jpeg, shots_a_setting=(1, 3), distance_mm=(1400.0, 4100.0))),
        holds_for(
            Basis(**jpeg, shots_a_setting=(2, 2), distance_mm=(2e3, 2e3), distance_focal_lengths=(57.0, 57.0))
        ),
        *(holds_for(Basis(**jpeg, shots_a_setting=(1, 1), refocusing=told)) for told in Refocusing),
    ]


@case("targets that leave the corners out")
def _():
    lens = invented_lens(by_focal_length=(), condition=())
    basis = dataclasses.replace(lens.basis, covered_percent=72.0, refocusing=Refocusing.AGREED)
    return lens_sentences(dataclasses.replace(lens, best=None, basis=basis))


@case("remarks on a series")
def _():
    seen = {
        Observed.ISO: (100, 1600),
        Observed.FILE_KIND: (7, 1),
        Observed.PICTURE_SIZE: (2000, 3000, 4000, 6000),
        Observed.SHARPENED: (1, 8),
        Observed.LIGHT: (2.0,),
        Observed.POSITION: (5.04,),
        Observed.SCALE: (-0.2,),
        Observed.TURN: (0.6,),
        Observed.CREEP: (12.0,),
        Observed.PRINT_RISE: (0.51, 1.3, 8.0),
        Observed.BRACKET_END: (2.8, 6.0),
        Observed.BRACKET_FLAT: (4.0, math.nan),
        Observed.CHARTS: (4.0,),
        Observed.DISTANCES: (4.0, 0.03, 0.02),
        Observed.ASKEW: (2, 8, 4.1),
        Observed.FRAMELESS: (2.8,),
        Observed.STOP_DEPARTS: (2.0, 9.4),
    }
    assert set(seen) == set(Observed)
    observations = tuple(Note(what, seen[what], ("b1",), limit=1.0) for what in seen)
    drift = SeriesRemark(
        flag="drift", observations=observations[5:7], focal_length_mm=50.0, condition="upright", shots=6
    )
    mixed = SeriesRemark(flag="mixed_settings", observations=observations)
    return [series_remark(one).message for one in (SeriesRemark(flag="few_shots"), drift, mixed)]


@case("two lenses")
def _():
    return comparison_sentences(invented_comparison())


def judged(verdicts, **changes):
    """The pair of the invented comparison with what is given (verdict, sharper, seen) over its stops."""
    (pair,) = invented_comparison().pairs
    frame = [row for row in pair.rows if row.zone == "frame"]
    rows = [
        dataclasses.replace(row, verdict=verdict, sharper=sharper, seen=seen)
        for row, (verdict, sharper, seen) in zip(frame, itertools.cycle(verdicts), strict=False)
    ]
    return dataclasses.replace(pair, rows=tuple(rows if verdicts else ()), **changes)


BETTER = (Verdict.VISIBLE, Sharper.FIRST, Seen.FIRST)
OTHER = (Verdict.VISIBLE, Sharper.SECOND, Seen.SECOND)
HIDDEN = (Verdict.NOT_VISIBLE, Sharper.SECOND, Seen.NONE)
OPEN = (Verdict.CANNOT_TELL, Sharper.SECOND, Seen.CANNOT_TELL)
EQUAL = (Verdict.EQUAL, Sharper.NEITHER, Seen.NONE)
EQUAL_THOUGH = (Verdict.EQUAL, Sharper.FIRST, Seen.NONE)
UNSEEN = (Verdict.CANNOT_TELL, Sharper.NEITHER, Seen.NONE)
UNTOLD = (Verdict.CANNOT_TELL, Sharper.NEITHER, Seen.CANNOT_TELL)


@case("two lenses: who is sharper, and what one sees")
def _():
    (pair,) = invented_comparison().pairs
    row = dataclasses.replace(pair.rows[0], sharper=Sharper.SECOND)
    beside = tuple(row for row in pair.rows if row.zone == "frame")
    own = [
        dataclasses.replace(row, verdict=verdict, sharper=sharper, seen=seen)
        for verdict, sharper, seen in (OTHER, HIDDEN, EQUAL, UNSEEN, UNTOLD)
    ]
    pairs = [
        judged([BETTER]),
        judged([HIDDEN]),
        judged([BETTER, OTHER, EQUAL]),
        judged([BETTER, BETTER, OPEN, UNTOLD]),
        judged([HIDDEN, OPEN, UNSEEN]),
        judged([EQUAL, EQUAL_THOUGH]),
        judged([UNSEEN, EQUAL]),
        judged([UNTOLD, EQUAL]),
        judged([OPEN], unit="lwph", rows_lpmm=beside[1:3]),
        judged([OPEN], unit="lwph", rows_lpmm=(dataclasses.replace(row, first=2.0), row)),
        *(judged([], best_row=best) for best in own),
        dataclasses.replace(pair, rows=tuple(row for row in pair.rows if row.zone == "inner")),
        judged([], best_row=None, cautions=(Note(Caution.RAW_AGAINST_FINISHED, names=("A", "B")),)),
    ]
    return [sentence for pair in pairs for sentence in ("", *pair_sentences(pair))][1:]


@case("two zooms")
def _():
    pair = judged([BETTER, OPEN, UNTOLD])
    rows = [dataclasses.replace(row, focal_length_mm=focal) for focal in (24.0, 70.0) for row in pair.rows]
    return pair_sentences(dataclasses.replace(pair, rows=tuple(rows)))


@case("cautions on a comparison")
def _():
    names = dict.fromkeys(Caution, ("A", "B")) | {Caution.ONE_BRACKETED: ("A",)}
    return [note_in_words(Note(caution, (1.5,), names[caution])) for caution in Caution]


@case("three lenses, in a print")
def _():
    pair = judged([BETTER, OPEN], first="A", second="B")
    pairs = (pair, dataclasses.replace(pair, second="C"), dataclasses.replace(pair, first="B", second="C"))
    names = ("A", "B", "C")
    kept = [("A",), ("A", "B"), ("A", "B", "C"), ("C",), ("A", "B")]
    looks = [Seen.VISIBLE, Seen.NONE, Seen.CANNOT_TELL, Seen.UNKNOWN, Seen.SOME]
    choices = tuple(
        StopChoice(
            focal_length_mm=35.0,
            f_number=stop,
            zone="frame",
            lenses=lenses,
            photographed=("C",) if lenses == ("C",) else names,
            seen=seen,
        )
        for stop, lenses, seen in zip((2.8, 4.0, 5.6, 8.0, 11.0), kept, looks, strict=True)
    )
    found = invented_comparison()
    lens = dataclasses.replace(found.lenses[0], label="C", sensor_data=False, distance_focal_lengths=(52, 57))
    lenses = tuple(dataclasses.replace(lens, label=name, sensor_data=True) for name in "AB")
    found = dataclasses.replace(found, lenses=(*lenses, lens), pairs=pairs, choices=choices, looking=PRINT)
    mixed = [
        dataclasses.replace(each, cautions=(Note(Caution.RAW_AGAINST_FINISHED),))
        if each.second == "C"
        else each
        for each in pairs
    ]
    answer = comparison_answer(dataclasses.replace(found, pairs=tuple(mixed)))
    return [*comparison_sentences(found), *choice_lines(found), "", *answer]


def of_effect(conditions, effect, **asked):
    return effect_sentences(find_effect(series(conditions, effect=effect, **asked), by="condition"))


@case("effects: visible, too small to see, and doubtful")
def _():
    turns = ["without", "with"] * 4
    return [
        *of_effect(turns, {"without": 0.0, "with": -0.25}, sd=0.005),
        *of_effect(turns, {"without": 0.0, "with": -0.003}, sd=0.005),
        *of_effect(turns[:4], {"without": 0.0, "with": 0.0}, sd=0.1, seed=3),
    ]


@case("an effect of sharpening")
def _():
    shots = [
        shot(n, 0.25, condition=("plain", "crisp")[n % 2], overshoot_percent=(1.0, 18.0)[n % 2])
        for n in range(8)
    ]
    return effect_sentences(find_effect(shots, by="condition"))


@case("shutter speeds")
def _():
    def limit(path_px_a_s):
        random, shots = np.random.default_rng(6), []
        for number, time in enumerate(np.tile(2.0 ** -np.arange(2.0, 9.0), 4)):
            path_px = abs(random.normal()) * path_px_a_s * time
            shots.append(shot(number, 0.25 / math.sqrt(1.0 + path_px**2), exposure_s=float(time)))
        return effect_sentences(find_effect(shots, by="exposure_s"))

    times_s = np.repeat(2.0 ** -np.arange(2.0, 10.0), 2)
    return [
        *limit(20.0),
        *limit(120.0),
        *shutter_sentences(no_shake_speed(times_s, np.zeros(16), shows_from=0.08)),
    ]


@case("from where a difference is visible")
def _():
    return [
        visible_in_words(Visible(percent=7.0, rests_on=VisibleFrom.RULER, looking=SCREEN)),
        visible_in_words(Visible(percent=50.0, rests_on=VisibleFrom.BEYOND_RULER, looking=PRINT)),
        visible_in_words(Visible(percent=5.0, rests_on=VisibleFrom.HABIT)),
    ]


@case("cautions on an effect")
def _():
    return [note_in_words(Note(caution, (3.0, 1.0), ("a", "b"))) for caution in EffectCaution]


@case("which lens, which stop")
def _():
    sessions = [
        kept_session(seed=1),
        kept_session("Sorrel", sharper(0.15), seed=2),
        kept_session("Tansy", sharper(0.145), sd=0.002),
        kept_session("Slow", {8.0: 0.27, 11.0: 0.22}),
    ]
    asked = [{}, {"f_number": 4.0, "zone": "outer"}, {"zone": "inner"}]
    advices = [advise(sessions, focal_length_mm=50.0, **one) for one in asked]
    advices += [advise(sessions[:1], focal_length_mm=50.0), advise(sessions, focal_length_mm=85.0)]
    return [sentence for advice in advices for sentence in ("", *advice_sentences(advice))][1:]


@case("a picture with depth")
def _():
    sessions = [kept_session(), kept_session("Sorrel", sharper(0.10), seed=2)]
    wanted = {"focal_length_mm": 50.0, "near_m": 2.5, "far_m": 8.0}
    asked = [{}, {"near_m": 6.0}, {"near_m": 10.0, "far_m": math.inf, "handheld": True, "ev": 12.0}]
    plans = [plan_picture(sessions, Wanted(**(wanted | one))) for one in asked]
    return [sentence for plan in plans for sentence in ("", *picture_sentences(plan))][1:]


@case("why a lens can't answer")
def _():
    values = {Lack.STOP_TOO_WIDE: (4.0, 5.6), Lack.FOCAL_LENGTH_OUTSIDE: (24.0, 70.0)}
    return [note_in_words(Note(lack, values.get(lack, (4.0,)))) for lack in Lack]


@case("what an advice does not rest on")
def _():
    return [note_in_words(Note(caution, (24.0, 70.0, 41.0), ("Fennel",))) for caution in AdviceCaution]


def told():
    return {name: "\n".join(make()) for name, make in CASES.items()}


def golden():
    blocks = GOLDEN.read_text(encoding="utf-8").strip().split("\n\n\n")
    return dict(block.removeprefix("# ").split("\n", 1) for block in blocks)


def test_every_case_stands_in_the_file():
    assert list(golden()) == list(CASES)


@pytest.mark.parametrize("name", CASES)
def test_sentences_are_as_written_down(name):
    assert "\n".join(CASES[name]()) == golden()[name]


if __name__ == "__main__":
    GOLDEN.write_text(
        "\n\n\n".join(f"# {name}\n{text}" for name, text in told().items()) + "\n", encoding="utf-8"
    )
