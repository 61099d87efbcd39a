"""Rows of figures: how often the state of a lens is told rightly from simulated figures of whole shoots.

True MTF50 of every edge comes from pupils with aberrations (`tests/made/pupil_fields.py`), not from the curves that
are fitted. A shot strays as a whole, each of its sides by itself, each edge, and in focus.
"""

from collections.abc import Callable, Iterator
from dataclasses import replace

import numpy as np
from pupil_fields import FieldLens, Shooting, bracket, decentred, shoot

from lensbench.condition.decentring import Asymmetry, asymmetries
from lensbench.condition.field import settings_of
from lensbench.condition.judge import lens_condition
from lensbench.model.condition import Verdict
from lensbench.model.sweep import SweepShot

Shoot = Callable[[FieldLens, np.random.Generator], list[SweepShot]]
VERDICTS = (Verdict.MATTERS, Verdict.WITHIN_LIMITS, Verdict.CANNOT_TELL)
USUAL = Shooting(focus_sd_um=3.0)
TILTED = Shooting(focus_sd_um=3.0, yaw_deg=0.5)
TURNED = replace(USUAL, turned=True)


def lenses(count: int, *, curved_um: float = 0.0, seed: int = 3) -> list[FieldLens]:
    """Sound lenses, each aberrated in its own way."""
    random = np.random.default_rng(seed)
    return [
        FieldLens(
            widest=float(random.choice([2.0, 2.8, 4.0])),
            spherical=float(np.round(random.uniform(-0.02, 0.03), 3)),
            coma_corner=float(np.round(random.uniform(0.08, 0.14), 3)),
            astigmatism_corner=float(np.round(random.uniform(0.0, 0.05), 3)),
            sigma_px=float(np.round(random.uniform(0.2, 0.5), 2)),
            curvature_um=float(np.round(random.uniform(-curved_um, curved_um), 1)),
        )
        for _ in range(count)
    ]


def said(shots: list[SweepShot], subject: str) -> str:
    """Verdict on one subject."""
    return next(finding.verdict for finding in lens_condition(shots) if finding.subject == subject)


def shares(sample: list[FieldLens], take: Shoot, *, subject: str, shoots: int, seed: int) -> dict[str, float]:
    """Give how often each verdict is said over many shoots."""
    random = np.random.default_rng(seed)
    told = [said(take(sample[number % len(sample)], random), subject) for number in range(shoots)]
    return {verdict: told.count(verdict) / shoots for verdict in VERDICTS}


def row(case: str, shots: str, share: dict[str, float], shoots: int, target: str) -> str:
    figures = " | ".join(f"{100 * share[verdict]:.1f} %" for verdict in VERDICTS)
    return f"| {case} | {shots} | {shoots} | {figures} | {target} |"


HEAD = (
    "| lens and shoot | shots | shoots | matters | within limits | can't tell | target |\n"
    "|---|---|---|---|---|---|---|"
)


def _stops(lens: FieldLens, count: int) -> tuple[float, ...]:
    ladder = [stop for stop in (2.0, 2.8, 4.0, 5.6, 8.0) if stop >= lens.widest]
    return tuple(ladder[:1] if count == 1 else (ladder[0], 5.6) if count == 2 else ladder)


def _plain(stops: int, how: Shooting = USUAL, repeats: int = 3) -> Shoot:
    return lambda lens, random: shoot(lens, random, stops=_stops(lens, stops), repeats=repeats, how=how)


def _both_ways(how: Shooting) -> Shoot:
    def take(lens: FieldLens, random: np.random.Generator) -> list[SweepShot]:
        stops = _stops(lens, 1)
        upright = shoot(lens, random, stops=stops, how=how)
        return upright + shoot(lens, random, stops=stops, how=replace(how, turned=True))

    return take


def decentring_rows(shoots: int, *, cases: int, count: int) -> Iterator[str]:
    """Decentring at figures."""
    yield HEAD
    sound, curved = lenses(count), lenses(count, curved_um=15.0)
    off = [decentred(lens, lens.widest, size=-float(np.log(0.9))) for lens in sound]
    aslant = [
        decentred(lens, lens.widest, size=-float(np.log(0.9)), toward=(0.8, -0.6))
        for lens in sound[: count // 2]
    ]
    big = [decentred(lens, lens.widest, size=-float(np.log(0.85))) for lens in sound[: count // 2]]
    wall = replace(USUAL, wall_side=(0.06, 0.03))
    kinds: list[tuple[str, str, list[FieldLens], Shoot, str]] = [
        ("sound", "3 at the widest stop", sound, _plain(1), "matters < 5 %"),
        ("sound", "3 at two stops", sound, _plain(2), "matters < 5 %"),
        ("sound", "3 at every stop to f/8", sound, _plain(5), "matters < 5 %"),
        ("10 % softer at the right", "3 at the widest stop", off, _plain(1), "matters >= 90 %"),
        ("10 % softer at the right", "3 at two stops", off, _plain(2), "matters >= 90 %"),
        ("10 % softer at the right", "3 at every stop to f/8", off, _plain(5), "matters >= 90 %"),
        ("10 % softer, aslant", "3 at two stops", aslant, _plain(2), "matters >= 90 %"),
        ("15 % softer at the right", "3 at two stops", big, _plain(2), "matters >= 90 %"),
        (
            "10 % softer at the right",
            "1 at two stops",
            off,
            _plain(2, repeats=1),
            "matters 0 %: nothing repeats",
        ),
        (
            "sound, chart tilted by 0.5 degrees",
            "3 at the widest stop",
            sound,
            _plain(1, TILTED),
            "matters <= 1 %",
        ),
        ("sound, chart tilted by 0.5 degrees", "3 at two stops", sound, _plain(2, TILTED), "matters <= 1 %"),
        (
            "sound but curved by up to 15 um, chart tilted by 0.5 degrees",
            "3 at two stops",
            curved,
            _plain(2, TILTED),
            "matters <= 1 %",
        ),
        (
            "10 % softer at the right, chart tilted by 0.5 degrees",
            "3 at two stops",
            off,
            _plain(2, TILTED),
            "",
        ),
        (
            "10 % softer at the right, chart tilted by 0.5 degrees, camera turned",
            "3 and 3 turned at the widest stop",
            off,
            _both_ways(TILTED),
            "",
        ),
        (
            "sound, print or light 13 % softer on one side, camera turned",
            "3 and 3 turned at the widest stop",
            sound,
            _both_ways(wall),
            "matters < 5 %",
        ),
        (
            "10 % softer at the right, camera turned",
            "3 and 3 turned at the widest stop",
            off,
            _both_ways(USUAL),
            "matters >= 90 %",
        ),
    ]
    for number, (case, shots, sample, take, target) in enumerate(kinds[:cases]):
        # The cases that the targets are about in full, the others with a quarter.
        count = (
            shoots
            if target and ("widest" in shots or "two stops" in shots) and "3 and" not in shots
            else max(shoots // 4, 1)
        )
        share = shares(sample, take, subject="decentring", shoots=count, seed=number)
        yield row(case, shots, share, count, target)


def _bracketed(brackets: int) -> Shoot:
    def take(lens: FieldLens, random: np.random.Generator) -> list[SweepShot]:
        wide, step_um = lens.widest, 5.3 * (lens.widest / 2.0) ** 1.4 * 1.3
        steps = tuple(float(np.round(step_um * place, 1)) for place in (-4, -2.5, -1.2, 0, 1.2, 2.5, 4))
        shots = []
        for number in range(brackets):
            shots += bracket(lens, random, stops=(wide, 5.6), steps_um=steps, group=f"b{number}")
        return shots

    return take


def bracket_rows(shoots: int, *, cases: int) -> Iterator[str]:
    """Field curvature, focus shift and astigmatism."""
    yield HEAD.replace("lens and shoot", "subject: lens")
    plain = [replace(lens, widest=2.8, spherical=0.0, astigmatism_corner=0.0) for lens in lenses(4, seed=4)]
    plain = [replace(lens, coma_corner=0.03) for lens in plain]
    curved = [replace(lens, curvature_um=sign * 27.0) for lens in plain for sign in (1.0, -1.0)]
    shifting = [replace(lens, spherical=one) for lens in plain for one in (0.07, -0.07)]
    split = [replace(lens, astigmatism_corner=0.11) for lens in plain]
    tilted = [replace(lens, plane_tilt_um=(22.0, 0.0)) for lens in plain]
    kinds = [
        ("field curvature", "flat", plain, _bracketed(1), "matters < 5 %"),
        ("field curvature", "corners 27 um off, 16 % at f/2.8", curved, _bracketed(1), "matters >= 90 %"),
        ("focus shift", "none", plain, _bracketed(1), "matters < 5 %"),
        ("focus shift", "23 um from f/2.8 to f/5.6, 9 %", shifting, _bracketed(1), "matters >= 90 %"),
        ("astigmatism", "none, focus brackets", plain, _bracketed(1), "matters < 5 %"),
        ("astigmatism", "planes 20 um apart, focus brackets", split, _bracketed(1), "matters >= 90 %"),
        ("decentring", "even, focus brackets", plain, _bracketed(1), "matters < 5 %"),
        (
            "decentring",
            "plane of focus tilted by 22 um, focus brackets",
            tilted,
            _bracketed(1),
            "matters >= 90 %",
        ),
    ]
    for number, (subject, what, sample, take, target) in enumerate(kinds[:cases]):
        share = shares(sample, take, subject=subject, shoots=shoots, seed=100 + number)
        yield row(f"{subject}: {what}", "one bracket of 7, two stops", share, shoots, target)
    coma = [replace(lens, coma_corner=0.17) for lens in plain]
    unbracketed = (
        ("none", plain, "matters < 5 %"),
        ("sagittal and tangential 15 % apart or more, by coma", coma, "matters >= 90 %"),
        ("planes 20 um apart, focus midway, where it hardly costs anything", split, ""),
    )
    for what, sample, target in unbracketed[:cases]:
        share = shares(sample, _plain(2), subject="astigmatism", shoots=5 * shoots, seed=120)
        yield row(f"astigmatism: {what}", "3 at two stops, no bracket", share, 5 * shoots, target)


def coverage_rows(shoots: int, *, cases: int, count: int) -> Iterator[str]:
    """How often the interval of the asymmetry holds the true one: that of a shot without noise, tilt or focus error."""
    yield "| lens and shoot | shoots | true asymmetry | found, mean | 95 % interval holds it |\n|---|---|---|---|---|"
    clean = Shooting(level_sd=0.0, side_sd=0.0, edge_sd=0.0, focus_sd_um=0.0, tilt_sd_deg=0.0)
    random = np.random.default_rng(9)
    for size in (0.05, 0.10, 0.15)[:cases]:
        sample = [decentred(lens, lens.widest, size=-float(np.log1p(-size))) for lens in lenses(count)]
        true = [
            float(
                np.linalg.norm(
                    asymmetry_of(shoot(lens, random, stops=(lens.widest,), repeats=1, how=clean)).mean
                )
            )
            for lens in sample
        ]
        found, held = [], 0
        for number in range(shoots):
            lens = sample[number % count]
            one = asymmetry_of(_plain(1)(lens, random))
            low, high = one.interval
            held += low <= true[number % count] <= high
            found.append(one.size)
        yield (
            f"| {100 * size:.0f} % softer at the right, 3 shots at the widest stop | {shoots} | "
            f"{_percent(float(np.mean(true)))} | {_percent(float(np.mean(found)))} | {100 * held / shoots:.1f} % |"
        )


def asymmetry_of(shots: list[SweepShot]) -> Asymmetry:
    return asymmetries(settings_of(shots))[0]


def _percent(log_size: float) -> str:
    return f"{-100 * np.expm1(-log_size):.1f} %"
