"""Print the table of decisions: how often the best stop is in the set, and how true intervals and values are.

Shoots of figures, not pictures. The lenses are pupils with aberrations, worked out by exact overlap integrals, so the
truth knows nothing of the model that is fitted. The whole table takes ten minutes on two cores.
"""

from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from multiprocessing import get_context

import numpy as np
import pages
from decision_words import FOOT, HEAD, row
from pupil_shoots import ALL_THIRDS, FULL, flat_lenses, sharp_lenses, zooms

from lensbench.model.setting import Setting
from lensbench.model.sweep import INDIFFERENCE
from lensbench.stats.best_set import Selection, best_setting, candidates, distances_from_best
from lensbench.stats.spread import ZoneSeries
from lensbench.stats.stop_curve import fit_curve, spread_of
from lensbench.sweep.reject import SeriesShots, misfocused

Shots = list[np.ndarray]
"""Log MTF50 of the shots at each stop of one focal length."""


@dataclass(frozen=True, kw_only=True)
class Case:
    """One kind of shoot."""

    name: str
    lenses: str = "usual"
    sd: float = 0.02
    shots: int = 3
    misfocused: bool = False
    focus_strays: bool = False


CASES = (
    Case(name="1 shot, 2 %", shots=1),
    Case(name="2 shots, 2 %", shots=2),
    Case(name="3 shots, 2 %"),
    Case(name="5 shots, 2 %", shots=5),
    Case(name="3 shots, 1 %", sd=0.01),
    Case(name="3 shots, 4 %", sd=0.04),
    Case(name="1 shot, 4 %", shots=1, sd=0.04),
    Case(name="peaked curves", lenses="peaked"),
    Case(name="flat curves", lenses="flat"),
    Case(name="flat curves, 1 shot", lenses="flat", shots=1),
    Case(name="third stops", lenses="thirds"),
    Case(name="third stops, flat", lenses="flat thirds"),
    Case(name="a zoom, three positions", lenses="zoom"),
    Case(name="a shot out of focus", misfocused=True),
    Case(name="focus strays wide open", focus_strays=True),
)


def lenses_by_kind(random: np.random.Generator, count: int) -> dict[str, list[list]]:
    """Work out the lenses, each a list of its focal lengths."""
    usual, flat = sharp_lenses(random, FULL, 2 * count), flat_lenses(random, FULL, count)
    kinds = {
        "usual": usual,
        "peaked": [one for one in usual if _near(one) == 1],
        "flat": [one for one in flat if _near(one) >= 2],
        "thirds": sharp_lenses(random, ALL_THIRDS, (count + 1) // 2),
        "flat thirds": flat_lenses(random, ALL_THIRDS, (count + 1) // 2),
    }
    return {kind: [[one] for one in lenses] for kind, lenses in kinds.items()} | {
        "zoom": zooms(random, (count + 1) // 2)
    }


def _near(lens: object) -> int:
    values = lens.log_mtf50
    return int(np.sum(values >= values.max() + np.log1p(-INDIFFERENCE)))


def photographed(lens: object, case: Case, random: np.random.Generator) -> Shots:
    """Draw the shots of one focal length: even noise, or focus errors that soften wide stops most."""
    load = (np.exp(lens.log_mtf50) / lens.stops) ** 2
    load /= load.max()
    shots = []
    for value, weight in zip(lens.log_mtf50, load, strict=True):
        strayed = case.sd * random.normal(size=case.shots)
        if case.focus_strays:
            strayed = 0.5 * strayed - 2.0 * case.sd * weight * random.normal(size=case.shots) ** 2
        shots.append(value + strayed)
    return shots


def spoil_one(shoot: Sequence[Shots], random: np.random.Generator) -> None:
    """Put one shot out of focus: softer by 10 to 50 %."""
    shots = shoot[random.integers(len(shoot))]
    stop = random.integers(len(shots))
    shots[stop][random.integers(len(shots[stop]))] += np.log1p(-random.uniform(0.1, 0.5))


def sifted(stops: np.ndarray, shots: Shots, pitch_um: float) -> ZoneSeries:
    """Leave out the shots that the study recognises as out of focus."""
    f_number = np.repeat(stops, [len(values) for values in shots])
    series = SeriesShots(f_number=f_number, log_zones=np.concatenate(shots)[:, None])
    bad = misfocused(series, pixel_pitch_um=pitch_um)
    good = np.setdiff1d(np.arange(len(f_number)), list(bad))
    kept = [series.log_zones[good, 0][f_number[good] == stop] for stop in stops]
    seen = [place for place, values in enumerate(kept) if len(values)]
    return ZoneSeries(f_number=stops[seen], log_shots=tuple(kept[place] for place in seen))


def outcome(lens: list, case: Case, random: np.random.Generator) -> dict[str, float]:
    """Take one shoot, decide, and hold the decision against the truth."""
    shoot = [photographed(one, case, random) for one in lens]
    if case.misfocused:
        spoil_one(shoot, random)
    series = [
        sifted(one.stops, shots, one.pitch_um)
        if case.misfocused
        else ZoneSeries(f_number=one.stops, log_shots=tuple(shots))
        for one, shots in zip(lens, shoot, strict=True)
    ]
    spread = spread_of(series, lens[0].pitch_um)
    curves = [
        (
            tuple(Setting(focal_length_mm=float(place), f_number=float(stop)) for stop in one.f_number),
            one,
            fit_curve(one, spread, pixel_pitch_um=lens[place].pitch_um),
        )
        for place, one in enumerate(series)
    ]
    these = candidates(curves, spread)
    best = best_setting(these, spread, Selection(place="frame"))
    truth = np.concatenate(
        [lens[place].log_mtf50[np.isin(lens[place].stops, one.f_number)] for place, one in enumerate(series)]
    )
    told = these.distances.high >= 0.0
    told[these.best] = True
    means = np.concatenate([one.means for one in series])
    exact = distances_from_best(
        means, case.sd**2 / np.concatenate([one.shots for one in series]), float("inf")
    ).may_be_best
    return {
        "inside": these.settings[int(np.argmax(truth))] in best.tied,
        "told": float(told.sum()),
        "exact": float(exact.sum()),
        "tied": float(len(best.tied)),
        "exact_tied": float((exact | (means >= means.max() + np.log1p(-INDIFFERENCE))).sum()),
        "covered": float(np.mean(np.abs(these.estimate - truth) <= spread.quantile * these.sd)),
        "value_covered": float(
            best.ci95_cypx[0] <= np.exp(truth[these.best]) <= best.ci95_cypx[1] if spread.known else np.nan
        ),
        "loss": float(-np.expm1(truth[these.best] - truth.max())),
        "bias": float(np.log(best.mtf50_cypx) - truth[these.best]),
        **_enough(best, these.settings, truth),
    }


def _enough(best: object, settings: Sequence[Setting], truth: np.ndarray) -> dict[str, float]:
    """Hold «surely» and «probably» sharp enough against the truth; NaN where nothing was claimed."""
    inside = {one.f_number: value - truth.max() for one, value in zip(settings, truth, strict=True)}

    def right(stops: Sequence[float], percent: float, whole: Callable) -> float:
        return float(whole([inside[stop] >= np.log(percent / 100.0) for stop in stops])) if stops else np.nan

    sure = [right(one.surely, one.level_percent, all) for one in best.sharp_enough]
    likely = [right(one.probably, one.level_percent, np.mean) for one in best.sharp_enough]
    return {"sure": _mean(sure), "likely": _mean(likely)}


def _mean(values: Sequence[float]) -> float:
    known = [value for value in values if not np.isnan(value)]
    return float(np.mean(known)) if known else np.nan


def run_case(case: Case, pool: list[list], shoots: int, seed: int) -> tuple[float, str]:
    """Share of the sets that hold the true best stop, and the row of one case."""
    random = np.random.default_rng([seed, CASES.index(case)])
    found = [outcome(pool[random.integers(len(pool))], case, random) for _ in range(shoots)]
    means = {name: _mean([one[name] for one in found]) for name in found[0]}
    return means["inside"], row(case.name, means)


def page(*, shoots: int, cases: int, lenses: int, workers: int, seed: int) -> Iterator[str]:
    """The page; `cases` of the kinds of shoots, drawn from so many `lenses` of each kind."""
    yield from HEAD.format(shoots=shoots).splitlines()
    kinds = lenses_by_kind(np.random.default_rng(seed), lenses)
    asked = [(case, kinds[case.lenses], shoots, seed) for case in CASES[:cases]]
    if workers == 1:
        rows = pages.shown(run_case(*each) for each in asked)
    else:
        with ProcessPoolExecutor(workers, mp_context=get_context("spawn")) as pool:
            running = [pool.submit(run_case, *each) for each in asked]
            rows = pages.shown(future.result() for future in running)
    yield from pages.worst_first(rows)
    yield from FOOT.splitlines()


TABLE = pages.Table(
    page=page,
    full={"shoots": 1000, "cases": 99, "lenses": 150, "workers": 2, "seed": 5},
    tiny={"shoots": 1, "cases": 1, "lenses": 1, "workers": 1},
)
