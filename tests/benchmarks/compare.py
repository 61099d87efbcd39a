"""Print the table of comparisons: how often intervals hold, and how often a lens is called better without ground.

Each shoot is drawn from pupils with aberrations, focused anew for every shot (see pupil_shots.py).
The whole table takes a few minutes on one core.
"""

import math
from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np
import pages
from pupil_shots import LENSES, PITCH_UM, STOPS, PupilLens

from lensbench.compare.compare import compare_lenses
from lensbench.model.measured import CountedShot, SweepLens, ZoneValue
from lensbench.model.setting import Setting

FOCAL_MM = 50.0
HEIGHT_PX = 4000


@dataclass(frozen=True, kw_only=True)
class Case:
    """One kind of comparison: lenses that differ by known shares, each with its own number of shots."""

    name: str
    shares: tuple[float, ...]
    """How much finer than the first each lens is."""
    shots: tuple[int, ...]
    focus_sd_um: float = 5.0
    noise_sd: float = 0.005


CASES = (
    Case(name="equal lenses, 3 shots each", shares=(0.0, 0.0), shots=(3, 3)),
    Case(
        name="equal lenses, 3 shots each, focus uncertain", shares=(0.0, 0.0), shots=(3, 3), focus_sd_um=10.0
    ),
    Case(name="equal lenses, 12 shots against 3", shares=(0.0, 0.0), shots=(12, 3)),
    Case(
        name="equal lenses, 12 against 3, focus uncertain", shares=(0.0, 0.0), shots=(12, 3), focus_sd_um=10.0
    ),
    Case(name="second sharper by 3 %, 3 shots", shares=(0.0, 0.03), shots=(3, 3)),
    Case(name="second sharper by 8 %, 3 shots", shares=(0.0, 0.08), shots=(3, 3)),
    Case(name="second sharper by 8 %, 2 shots", shares=(0.0, 0.08), shots=(2, 2)),
    Case(name="second sharper by 20 %, 3 shots", shares=(0.0, 0.20), shots=(3, 3)),
    Case(name="four equal lenses, 3 shots", shares=(0.0,) * 4, shots=(3,) * 4),
)


@dataclass(slots=True)
class Count:
    """What came of the shoots of one case; rows are settings, pairs of lenses taken one by one."""

    shoots: int = 0
    rows: int = 0
    held: int = 0
    averages: int = 0
    averages_held: int = 0
    better: int = 0
    """Rows in which a lens was called sharper."""
    wrong: int = 0
    """Those in which it was the wrong one, or none was."""
    any_beyond: int = 0
    """Shoots in which any pair at f/5.6 was told apart: the family of several lenses."""
    seen: int = 0
    not_seen: int = 0
    naive: int = 0
    """Settings at which the best shot of the first lens beats the best of the second."""


def lens_of(
    pupil: PupilLens, number: int, case: Case, random: np.random.Generator
) -> tuple[SweepLens, dict[float, float]]:
    """One lens as a sweep leaves it, and the best shot of each stop."""
    best, shots = {}, []
    for stop in STOPS:
        logs = pupil.shots(
            random, stop, count=case.shots[number], focus_sd_um=case.focus_sd_um, noise_sd=case.noise_sd
        )
        best[stop] = float(logs.max())
        shots += [
            CountedShot(
                files=(f"{stop:g}_{place}.dng",),
                setting=Setting(focal_length_mm=FOCAL_MM, f_number=stop),
                exact_f_number=stop,
                zones={"frame": ZoneValue(mtf50_cypx=math.exp(log))},
                magnification=0.02,
                pixel_pitch_um=PITCH_UM,
                size_px=(HEIGHT_PX, HEIGHT_PX * 3 // 2),
                picture_height_px=HEIGHT_PX,
            )
            for place, log in enumerate(logs)
        ]
    told = SweepLens(
        folder=f"lens{number}", lens=f"lens {number}", camera="Box One", shots=tuple(shots), best=None
    )
    return told, best


def shoot(case: Case, waves: tuple[float, float, float], random: np.random.Generator, found: Count) -> None:
    """Draw one shoot and hold what the comparison says against the truth."""
    pupils = [replace(PupilLens(waves), scale=1.0 + share) for share in case.shares]
    drawn = [lens_of(pupil, number, case, random) for number, pupil in enumerate(pupils)]
    comparison = compare_lenses([lens for lens, _ in drawn])
    found.shoots += 1
    found.naive += sum(drawn[0][1][stop] > drawn[1][1][stop] for stop in STOPS)
    beyond = False
    for pair in comparison.pairs:
        i, j = (int(label.split()[1]) for label in (pair.first, pair.second))
        true = math.log((1.0 + case.shares[j]) / (1.0 + case.shares[i]))
        percent = 100.0 * math.expm1(true)
        for row in pair.rows:
            held = row.ci95_percent[0] <= percent <= row.ci95_percent[1]
            told = row.verdict in {"first", "second"}
            found.rows += 1
            found.held += held
            found.better += told
            found.wrong += told and (true == 0.0 or (row.verdict == "second") != (true > 0.0))
            found.seen += row.seen in {"first", "second"}
            found.not_seen += row.seen == "none"
            beyond |= row.f_number == 5.6 and not held
        if pair.overall:
            found.averages += 1
            found.averages_held += pair.overall.ci95_percent[0] <= percent <= pair.overall.ci95_percent[1]
    found.any_beyond += beyond


def line(case: Case, count: int, seed: int) -> tuple[float, str]:
    """Share of intervals that hold, and the row: all lenses together."""
    found, random = Count(), np.random.default_rng(seed)
    for number in range(count):
        shoot(case, LENSES[number % len(LENSES)], random, found)

    def share(part: int, whole: int) -> str:
        return f"{100.0 * part / whole:.1f} %"

    naive = share(found.naive, found.shoots * len(STOPS)) if len(case.shares) == 2 else "–"
    return found.held / found.rows, (
        f"| {case.name} | {share(found.held, found.rows)} | {share(found.shoots - found.any_beyond, found.shoots)} "
        f"| {share(found.averages_held, found.averages)} | {share(found.better, found.rows)} "
        f"| {share(found.wrong, found.rows)} | {share(found.seen, found.rows)} | {share(found.not_seen, found.rows)} "
        f"| {naive} |"
    )


HEAD = """# How true a comparison of lenses is

Each row: {shoots} simulated shoots (figures, not pictures) at f/2.8 to f/11, shared out over {lenses} pupils with
spherical aberration, coma and astigmatism. Both lenses of a shoot are the same pupil but for the share stated, so the
truth is known; every shot is focused anew (sd {focus:g} um, «uncertain» {wide:g} um) and measured with {noise:.1f} % of
noise: scatter that is one-sided, grows to wide stops, and is unknown to the comparison. Wanted: intervals that hold the
truth in 93 to 97 %, a lens called better without ground in at most 5 %.

| lenses | intervals hold | all pairs at f/5.6 hold | averages hold | a lens called sharper | of all: wrongly \
| one could see it | no difference to see | best shot of the first beats the second's |
|---|---|---|---|---|---|---|---|---|
"""


def page(*, shoots: int, cases: int, seed: int) -> Iterator[str]:
    """The page; `cases` of the kinds of comparison."""
    first, wide_um = CASES[0], max(case.focus_sd_um for case in CASES)
    told = {
        "lenses": len(LENSES),
        "focus": first.focus_sd_um,
        "wide": wide_um,
        "noise": 100.0 * first.noise_sd,
    }
    yield from HEAD.format(shoots=shoots, **told).splitlines()
    yield from pages.worst_first(pages.shown(line(case, shoots, seed) for case in CASES[:cases]))


TABLE = pages.Table(
    page=page,
    full={"shoots": 1000, "cases": 99, "seed": 31},
    tiny={"shoots": 2, "cases": 2},
    keeps_notes=True,
)
