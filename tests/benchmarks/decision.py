"""Print the table of decisions: the best stop, its set and its words, held against afternoons by invented lenses.

Each shoot goes the whole way from measured shots to findings. The lenses are pupils with aberrations (`afternoons`),
so the truth knows nothing of the model that is fitted, nor of how errors are thought to be spread.
"""

from collections.abc import Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from functools import partial
from multiprocessing import get_context

import numpy as np
import pages
from afternoons import FIVE, FOUR, Afternoon, Glass, Session, fast, flat, photographed, sweep_shots, usual
from decision_words import CLAIMS, HEAD, TAIL, Outcome, claim_rows, kinds_told, row, told_rows, worst

from lensbench.model.sweep import LensFindings
from lensbench.sweep.decide import find
from lensbench.sweep.reject import reject

THIRDS = tuple(2.0 ** (third / 6.0) for third in range(9, 25))
KINDS = {
    "usual": usual,
    "flat": flat,
    "fast": fast,
    "five stops": partial(usual, stops=FIVE),
    "four stops": partial(usual, stops=FOUR),
    "third stops": partial(usual, stops=THIRDS),
}
ZOOM_MM = (24.0, 30.0, 40.0, 55.0, 70.0)


USUAL = Afternoon()


@dataclass(frozen=True, kw_only=True)
class Case:
    """One kind of shoot."""

    name: str
    lens: str = "usual"
    how: Afternoon = USUAL
    positions: int = 1
    alike: bool = False
    """All positions of the zoom are equally sharp."""
    spoiled: bool = False
    """One shot is far out of focus."""


def _shots(count: int, **how: object) -> Afternoon:
    return Afternoon(shots=(count, count), **how)


CASES = (
    Case(name="3 shots", how=Afternoon()),
    Case(name="1 shot", how=_shots(1)),
    Case(name="2 shots", how=_shots(2)),
    Case(name="5 shots", how=_shots(5)),
    Case(name="even noise 2 %, 3 shots", how=_shots(3, focus_sd_um=1.0, even_sd=0.02)),
    Case(name="even noise 2 %, 2 shots", how=_shots(2, focus_sd_um=1.0, even_sd=0.02)),
    Case(name="even noise 4 %, 3 shots", how=_shots(3, focus_sd_um=1.0, even_sd=0.04)),
    Case(name="even noise 2 %, 1 shot", how=_shots(1, focus_sd_um=1.0, even_sd=0.02)),
    Case(name="flat lens, 3 shots", lens="flat", how=_shots(3, even_sd=0.01)),
    Case(name="flat lens, 1 shot", lens="flat", how=_shots(1, even_sd=0.01)),
    Case(name="third stops", lens="third stops", how=_shots(3, even_sd=0.01)),
    Case(name="four stops", lens="four stops"),
    Case(name="five stops", lens="five stops"),
    Case(name="unequal numbers, missing stops", how=Afternoon(shots=(1, 5), missing=2)),
    Case(name="f/1.4, refocused at each stop", lens="fast"),
    Case(name="f/1.4, focus shift, focused wide open", lens="fast", how=Afternoon(wide_open=True)),
    Case(name="the same, 1 shot", lens="fast", how=_shots(1, wide_open=True)),
    Case(name="focus scatters by 8 um, 2 shots", how=_shots(2, focus_sd_um=8.0)),
    Case(name="focus scatters by 8 um, 3 shots", how=_shots(3, focus_sd_um=8.0)),
    Case(name="focus scatters by 8 um, 5 shots", how=_shots(5, focus_sd_um=8.0)),
    Case(name="with heavy tails (4 um, t3), 2 shots", how=_shots(2, tail_dof=3.0)),
    Case(name="with heavy tails (4 um, t3), 3 shots", how=_shots(3, tail_dof=3.0)),
    Case(name="with heavy tails (4 um, t3), 5 shots", how=_shots(5, tail_dof=3.0)),
    Case(name="with heavy tails (8 um, t3), 3 shots", how=_shots(3, focus_sd_um=8.0, tail_dof=3.0)),
    Case(name="focus errs to one side, 8 um", how=Afternoon(focus_sd_um=8.0, one_sided=True)),
    Case(name="not refocused within a stop, unsaid", how=Afternoon(anew="stop", focus_sd_um=8.0)),
    Case(name="focused once for all stops, 15 um off", how=Afternoon(anew="session", off_um=15.0)),
    Case(name="focus creeps by 40 um", how=Afternoon(anew="session", creep_um=40.0)),
    Case(name="shake with the shutter time", how=Afternoon(shake_px=0.4)),
    Case(name="a shot out of focus", spoiled=True),
    Case(name="zoom, 5 positions, 3 shots", positions=5),
    Case(name="zoom, 5 equal positions, 1 shot", how=_shots(1), positions=5, alike=True),
)


def lenses_by_kind(random: np.random.Generator, count: int, kinds: Sequence[str]) -> dict[str, list[Glass]]:
    """Work out so many lenses of each kind."""
    lenses = {kind: [KINDS[kind](random) for _ in range(count)] for kind in KINDS if kind in kinds}
    for kind in lenses.values():
        for glass in kind:
            glass.tables  # noqa: B018 - worked out once, before the lenses are handed on
    return lenses


def _session(glass: Glass, case: Case, random: np.random.Generator) -> Session:
    session = photographed(glass, case.how, random)
    if case.spoiled:
        session.log_zones[random.integers(len(session.place))] += np.log1p(-random.uniform(0.12, 0.5))
    return session


def outcome(pool: Sequence[Glass], case: Case, random: np.random.Generator) -> Outcome:
    """Take one shoot, decide, and hold the decision against the truth."""
    first = int(random.integers(len(pool)))
    steps = [0 if case.alike else place for place in range(case.positions)]
    glasses = [pool[(first + step) % len(pool)] for step in steps]
    sessions = [_session(glass, case, random) for glass in glasses]
    lengths = ZOOM_MM[: case.positions] if case.positions > 1 else (35.0,)
    shots = [
        shot
        for session, focal_mm in zip(sessions, lengths, strict=True)
        for shot in sweep_shots(session, focal_mm=focal_mm)
    ]
    (lens,) = find(reject(shots)).lenses
    truth, focused = {}, {}
    for session, focal_mm in zip(sessions, lengths, strict=True):
        average = case.how.averages(session.glass)[:, 3]
        for place in session.tested:
            key = focal_mm, float(session.glass.stops[place])
            truth[key], focused[key] = float(average[place]), float(session.glass.in_focus[place])
    return judged(lens, truth, focused)


def judged(lens: LensFindings, truth: dict, focused: dict) -> Outcome:
    """Hold findings against what refocused shots average to, and against what the lens gives in focus."""
    best = lens.best
    named = (best.focal_length_mm, best.f_number)
    tied = {(setting.focal_length_mm, setting.f_number) for setting in best.tied}
    top, top_focused = max(truth, key=truth.get), max(focused, key=focused.get)
    covered, widths = [], []
    for focal in lens.by_focal_length:
        for point in focal.curve:
            if point.zone == "frame" and np.isfinite(point.ci95_cypx).all():
                low, high = np.log(point.ci95_cypx)
                covered.append(low <= truth[focal.focal_length_mm, point.f_number] <= high)
                widths.append(0.5 * (high - low))
    low, high = np.log(best.ci95_cypx)
    return Outcome(
        inside=top in tied,
        inside_focused=top_focused in tied,
        told=len(tied),
        covered=tuple(covered),
        half_width=float(np.mean(widths)) if widths else np.nan,
        value_covered=low <= truth[named] <= high if np.isfinite(low) else np.nan,
        value_half_width=0.5 * (high - low),
        bias=float(np.log(best.mtf50_cypx) - truth[named]),
        loss=float(-np.expm1(truth[named] - truth[top])),
        rejected=len(lens.rejected),
        claims={name: tuple(claim(lens, truth)) for name, claim in CLAIMS.items()},
        told_kinds=kinds_told(lens),
    )


def run_case(case: Case, pool: Sequence[Glass], shoots: int, seed: int) -> tuple[str, list[Outcome]]:
    """Every outcome of one case."""
    random = np.random.default_rng([seed, CASES.index(case)])
    return case.name, [outcome(pool, case, random) for _ in range(shoots)]


def page(*, shoots: int, cases: int, lenses: int, workers: int, seed: int) -> Iterator[str]:
    """The page; `cases` of the kinds of shoots, drawn from so many `lenses` of each kind."""
    yield from HEAD.format(shoots=shoots, lenses=lenses).splitlines()
    asked = CASES[:cases]
    kinds = lenses_by_kind(np.random.default_rng(seed), lenses, [case.lens for case in asked])
    work = [(case, kinds[case.lens], shoots, seed) for case in asked]
    if workers == 1:
        found = [run_case(*each) for each in work]
    else:
        with ProcessPoolExecutor(workers, mp_context=get_context("spawn")) as pool:
            running = [pool.submit(run_case, *each) for each in work]
            found = [future.result() for future in running]
    yield from pages.worst_first(
        pages.shown((worst(outcomes), row(name, outcomes)) for name, outcomes in found)
    )
    yield from claim_rows(found)
    yield from told_rows(found)
    yield from TAIL.splitlines()


TABLE = pages.Table(
    page=page,
    full={"shoots": 300, "cases": 99, "lenses": 30, "workers": 2, "seed": 5},
    tiny={"shoots": 1, "cases": 1, "lenses": 1, "workers": 1},
)
