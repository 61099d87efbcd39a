"""Effects of invented shots: what is found, how it is judged, and what is refused."""

import dataclasses
import math

import numpy as np
import pytest
from effect_shots import series, shot

from lensbench.effect.effect import find_effect, noise_percent, visible_from
from lensbench.model.compare import EffectCaution
from lensbench.model.errors import SettingError, SweepError
from lensbench.model.shot import RejectedShot, Veil, VeilBound

AB = ["without", "with"] * 4


def row(findings, *, level=None, figure="mtf50", zone="frame"):
    return next(
        one
        for one in findings.rows
        if (one.figure, one.zone) == (figure, zone) and level in (None, one.level)
    )


def test_a_good_clean_filter_costs_next_to_nothing():
    # Common practice, no source.
    findings = find_effect(series(AB, effect={"without": 0.0, "with": -0.003}, sd=0.005), by="condition")
    found = row(findings)
    assert (findings.reference, found.level) == ("without", "with")
    assert found.ci95[0] < -0.3 < found.ci95[1]
    assert found.verdict == "equal"


def test_a_bad_filter_is_visible_in_every_zone():
    findings = find_effect(series(AB, effect={"without": 0.0, "with": -0.25}, sd=0.005), by="condition")
    assert [row(findings, zone=zone).verdict for zone in ("inner", "middle", "outer", "frame")] == [
        "visible"
    ] * 4
    assert row(findings).difference == pytest.approx(-25.0, abs=1.0)


def test_much_scatter_can_not_tell():
    findings = find_effect(
        series(AB[:4], effect={"without": 0.0, "with": 0.0}, sd=0.1, seed=3), by="condition"
    )
    assert row(findings).verdict == "cannot_tell"


def test_drift_is_not_taken_for_an_effect():
    # Focus creeps: each shot 1 % softer than the one before, the filter does nothing.
    findings = find_effect(
        series(AB, effect={"without": 0.0, "with": 0.0}, sd=0.002, drift=-0.01, seed=1), by="condition"
    )
    assert row(findings).difference == pytest.approx(0.0, abs=0.5)
    assert findings.drift.percent_per_shot == pytest.approx(-1.0, abs=0.1)
    assert row(findings).drift_removed
    in_a_row = find_effect(
        series(sorted(AB), effect={"without": 0.0, "with": 0.0}, sd=0.002, drift=-0.01), by="condition"
    )
    assert EffectCaution.IN_A_ROW in {one.kind for one in in_a_row.cautions}


def test_a_stabiliser_on_a_tripod_can_add_shake():
    # Common practice, no source. One kind scatters; the interval must be wide for it and still find the loss.
    steady = series(["off"] * 8, effect={"off": 0.0}, sd=0.005)
    random = np.random.default_rng(2)
    on = [shot(20 + n, 0.25 * (1.0 - 0.3 * random.random()), condition="on") for n in range(8)]
    mixed = [one for pair in zip(steady, on, strict=True) for one in pair]
    timed = [
        dataclasses.replace(
            one,
            planned=dataclasses.replace(
                one.planned,
                metadata=dataclasses.replace(one.planned.metadata, taken_at=f"2026-03-14T11:00:{number:02d}"),
            ),
        )
        for number, one in enumerate(mixed)
    ]
    found = row(find_effect(timed, by="condition"))
    assert found.ci95[1] < 0.0
    assert found.ci95[0] < -15.0 < found.ci95[1]


def test_iso_adds_noise_and_levels_stand_by_number():
    # Common practice, no source; a stop of ISO multiplies the noise by the square root of two (photon noise).
    shots = [
        shot(3 * repeat + place, 0.25, iso=iso, snr=80.0 / math.sqrt(iso / 100.0))
        for repeat in range(4)
        for place, iso in enumerate((400, 100, 200))
    ]
    findings = find_effect(shots, by="iso")
    assert [one.level for one in findings.levels] == ["ISO 100", "ISO 200", "ISO 400"]
    assert row(findings, level="ISO 200", figure="noise").difference == pytest.approx(41.4, abs=0.1)
    assert row(findings, level="ISO 400", figure="noise").verdict == "visible"


def test_oversharpening_shows_as_overshoot():
    # Common practice, no source.
    shots = [
        shot(
            number, 0.25, condition=("plain", "crisp")[number % 2], overshoot_percent=(1.0, 18.0)[number % 2]
        )
        for number in range(8)
    ]
    findings = find_effect(shots, by="condition")
    found = row(findings, figure="overshoot")
    assert (found.unit, found.verdict) == ("percentage points", "visible")
    assert found.difference == pytest.approx(17.0)
    assert row(findings).processed


def test_a_lens_hood_shows_as_less_veil():
    """A veil of 6 % without and 2.5 % with the hood, each strayed by 0.1: 3.5 points less."""
    random = np.random.default_rng(6)
    shots = [
        shot(
            number,
            0.25,
            condition=("bare", "hood")[number % 2],
            veil=Veil(percent=(6.0, 2.5)[number % 2] + 0.1 * random.normal(), bound=VeilBound.INK),
        )
        for number in range(12)
    ]
    found = row(find_effect(shots, by="condition", against="bare"), level="hood", figure="veil")
    assert (found.unit, found.verdict) == ("percentage points", "visible")
    assert found.ci95[0] < -3.5 < found.ci95[1]
    assert found.ci95[1] - found.ci95[0] < 0.6
    # Where one shot shows no veil, or one with the whole printed dark in it, there is nothing to compare.
    for other in (Veil(), Veil(percent=25.0, bound=VeilBound.PRINT)):
        unlike = [*shots[:-1], shot(11, 0.25, condition="hood", veil=other)]
        assert "veil" not in {told.figure for told in find_effect(unlike, by="condition").rows}


def test_a_teleconverter_against_a_crop_counts_detail_on_the_subject():
    # Twice the size at 0.7 of the MTF50 in cycles per pixel: 40 % more detail on the subject.
    random = np.random.default_rng(4)
    shots = [
        shot(
            number,
            (0.25, 0.175)[number % 2] * math.exp(0.003 * random.normal()),
            condition=("crop", "converter")[number % 2],
            f_number=(4.0, 8.0)[number % 2],
            magnification=(0.02, 0.04)[number % 2],
        )
        for number in range(8)
    ]
    findings = find_effect(shots, by="condition")
    assert findings.on_subject
    assert row(findings).difference == pytest.approx(40.0, abs=1.5)
    assert findings.shots[0].setting == "35 mm"


def seeing(measured, levels):
    """The same shot with one edge for each target that it sees, {target: MTF50}."""
    first = measured.result.edges[0]
    edges = tuple(
        dataclasses.replace(first, target=name, edge=dataclasses.replace(first.edge, mtf50_cypx=value))
        for name, value in levels.items()
    )
    return dataclasses.replace(measured, result=dataclasses.replace(measured.result, edges=edges))


def test_a_converter_and_a_crop_are_compared_where_both_see_the_subject():
    # The crop's frame shows soft places of the subject that the converter's does not reach: they must not count. Twice
    # the size at 0.6 of the MTF50: 20 % more detail on what both show.
    random = np.random.default_rng(8)
    sharp = {f"T{number:02d}": 0.30 for number in range(1, 6)}
    soft = {f"T{number:02d}": 0.15 for number in range(6, 12)}
    shots = []
    for number in range(8):
        strayed = math.exp(0.003 * random.normal())
        with_converter = bool(number % 2)
        levels = {name: 0.6 * one for name, one in sharp.items()} if with_converter else sharp | soft
        told = shot(
            number,
            np.mean(list(levels.values())),
            condition="converter" if with_converter else "crop",
            magnification=0.04 if with_converter else 0.02,
        )
        shots.append(seeing(told, {name: strayed * one for name, one in levels.items()}))
    findings = find_effect(shots, by="condition")
    assert row(findings, level="converter").difference == pytest.approx(20.0, abs=1.0)
    assert {one.zone for one in findings.rows if one.figure == "mtf50"} == {"frame"}


def test_equal_settings_are_compared():
    # At f/4 all is sharper; the kinds are unevenly spread over the stops, which must not count.
    order = [("with", 4.0), ("without", 4.0), ("with", 8.0), ("without", 8.0), ("without", 8.0)] * 2
    shots = [
        shot(
            number,
            {4.0: 0.325, 8.0: 0.25}[stop] * {"with": 0.9, "without": 1.0}[kind],
            condition=kind,
            f_number=stop,
        )
        for number, (kind, stop) in enumerate(order)
    ]
    found = row(find_effect(shots, by="condition", against="without"))
    assert found.difference == pytest.approx(-10.0, abs=0.01)


@pytest.mark.parametrize(("path_px_a_s", "beyond_the_fastest"), [(20.0, False), (120.0, True)])
def test_shutter_speeds_tell_from_where_shake_no_longer_shows(path_px_a_s, beyond_the_fastest):
    random = np.random.default_rng(6)
    shots = []
    for number, time in enumerate(np.tile(2.0 ** -np.arange(2.0, 9.0), 4)):
        path_px = abs(random.normal()) * path_px_a_s * time
        shots.append(shot(number, 0.25 / math.sqrt(1.0 + path_px**2), exposure_s=float(time)))
    findings = find_effect(shots, by="exposure_s")
    assert findings.levels[0].level == "1/250 s"
    assert (findings.shutter.exposure_s < 1.0 / 256.0) is beyond_the_fastest
    # Closed form: shake shows where 1 - 1 / sqrt(1 + path^2) is above the limit; one normal draw in ten lies beyond
    # 1.645 standard deviations.
    loss = findings.shutter.shows_from_percent / 100.0
    tenth_s = math.sqrt((1.0 - loss) ** -2 - 1.0) / (1.645 * path_px_a_s)
    assert findings.shutter.ci95_s[0] < tenth_s < findings.shutter.ci95_s[1]


def test_folders_may_name_the_conditions_but_their_order_is_unknown_without_times():
    shots = [shot(number, 0.25, folder=("with", "without")[number % 2]) for number in range(6)]
    findings = find_effect(shots, by="condition")
    assert {one.level for one in findings.levels} == {"with", "without"}
    timeless = [
        dataclasses.replace(
            one,
            planned=dataclasses.replace(
                one.planned, metadata=dataclasses.replace(one.planned.metadata, taken_at=None)
            ),
        )
        for one in shots
    ]
    assert find_effect(timeless, by="condition").drift is None


def test_what_can_not_be_compared_is_refused():
    shots = series(AB, effect={"without": 0.0, "with": 0.0})
    with pytest.raises(
        SettingError, match="--by colour: no such column; choose one of condition, exposure_s"
    ):
        find_effect(shots, by="colour")
    with pytest.raises(SettingError, match="--against none: no such level; there are without, with"):
        find_effect(shots, by="condition", against="none")
    with pytest.raises(SweepError, match="8 shots do not say their iso"):
        find_effect(shots, by="iso")
    with pytest.raises(SweepError, match=r"do not say their condition .*shots table"):
        find_effect([shot(1, 0.25), shot(2, 0.25)], by="condition")
    with pytest.raises(SweepError, match="all 8 shots stand under one lens"):
        find_effect(shots, by="lens")
    lost = dataclasses.replace(shots[0], result=RejectedShot(path=shots[0].planned.path, reason="no chart"))
    with pytest.raises(SweepError, match="none of 1 photographs could be measured: no chart"):
        find_effect([lost], by="condition")
    assert len(find_effect([lost, *shots[1:]], by="condition").rejected) == 1


def test_noise_is_that_of_the_plateaus():
    # Contrast 0.5 at SNR 80 is a noise of 0.00625, 1.04 % of paper at 0.6.
    assert noise_percent(shot(1, 0.25).result) == pytest.approx(100.0 * 0.5 / 80.0 / 0.6)


def test_what_can_be_seen_comes_from_the_quality_ruler():
    # A picture on the ruler's steep part is easier to tell from its neighbour than the crispest, where the scale
    # flattens out: 1 JND is 5 to 15 % of MTF50 by the ruler's curve.
    soft, crisp = visible_from([shot(1, 0.2).result]), visible_from([shot(1, 0.4).result])
    assert 4.0 <= soft.percent < crisp.percent <= 15.0
    assert soft.rests_on == "quality_ruler"


@pytest.mark.parametrize(("held", "told"), [(False, [("f/4", "f/8")]), (True, [])])
def test_a_stop_that_changed_along_is_told(held, told):
    """A stop is no filter: nobody may take one's softness for the other's."""
    stops = [4.0, 4.0 if held else 8.0] * 4
    shots = [
        shot(number, 0.25, condition=condition, f_number=stop)
        for number, (condition, stop) in enumerate(zip(AB, stops, strict=True))
    ]
    cautions = find_effect(shots, by="condition").cautions
    assert [one.names for one in cautions if one.kind is EffectCaution.STOP_DIFFERS] == told
