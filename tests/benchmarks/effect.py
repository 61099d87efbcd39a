"""Print the table of effects: how often the intervals hold, and what is claimed without ground.

Each shoot is drawn from pupils with aberrations, focused anew for every shot (see pupil_shots.py).
The whole table takes about a minute on one core.
"""

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import pages
from pupil_shots import LENSES, PupilLens

from lensbench.effect.effect import sharpness_rows
from lensbench.model.compare import Visible, VisibleFrom
from lensbench.stats.levels_fit import Layout, fit_levels

STOP = 4.0
NOISE_SD = 0.004
VISIBLE = Visible(percent=7.0, rests_on=VisibleFrom.RULER)
"""What a sharp lens comes to on a screen; fixed here so that rows compare."""
LOSSES = (0.0, 0.03, 0.15)
"""True losses of MTF50: none, one that is not to be seen, one that is."""


@dataclass(frozen=True, kw_only=True)
class Case:
    """One way of shooting."""

    name: str
    levels: tuple[int, ...]
    focus_sd_um: tuple[float, float] = (6.0, 6.0)
    """Of the reference and of the others."""
    drift: float = 0.0
    """Change of log MTF50 from shot to shot."""
    wander: float = 0.0
    """Standard deviation of a random walk's step."""


CASES = (
    Case(name="A, B by turns, 3 of each", levels=(0, 1) * 3),
    Case(name="A, B by turns, 5 of each", levels=(0, 1) * 5),
    Case(name="A, B by turns, 10 of each", levels=(0, 1) * 10),
    Case(name="5 of each, 1 % of drift a shot", levels=(0, 1) * 5, drift=-0.01),
    Case(name="5 of each, focus wanders by 0.5 % a shot", levels=(0, 1) * 5, wander=0.005),
    Case(name="5 of each, B scatters twice as much", levels=(0, 1) * 5, focus_sd_um=(6.0, 12.0)),
    Case(
        name="5 of each, B scatters twice as much, 1 % of drift",
        levels=(0, 1) * 5,
        focus_sd_um=(6.0, 12.0),
        drift=-0.01,
    ),
    Case(name="10 of each, B scatters twice as much", levels=(0, 1) * 10, focus_sd_um=(6.0, 12.0)),
    Case(name="three kinds by turns, 4 of each", levels=(0, 1, 2) * 4),
    Case(name="all A, then all B, 6 of each", levels=(0,) * 6 + (1,) * 6),
    Case(name="all A, then all B, 1 % of drift a shot", levels=(0,) * 6 + (1,) * 6, drift=-0.01),
    Case(name="all A, then all B, focus wanders by 0.5 %", levels=(0,) * 6 + (1,) * 6, wander=0.005),
)


@dataclass(slots=True)
class Count:
    """What came of the shoots with one true loss."""

    held: int = 0
    claimed: int = 0
    """Interval away from zero."""
    visible: int = 0
    too_small: int = 0
    rows: int = 0
    width: float = 0.0


def shoots(case: Case, waves: tuple[float, float, float], loss: float, *, count: int, seed: int) -> Count:
    """Draw shoots of one lens with one true loss and hold what is found against it."""
    random = np.random.default_rng(seed)
    clear = PupilLens(waves)
    changed = PupilLens(waves, scale=1.0 - loss)
    levels = np.array(case.levels)
    layout = Layout(
        level=levels, setting=np.zeros(levels.size, int), order=np.arange(levels.size, dtype=float)
    )
    names = [f"kind {number}" for number in range(levels.max() + 1)]
    sds = (case.focus_sd_um[0], case.focus_sd_um[1])
    means = [one.mean_log_mtf50(STOP, focus_sd_um=sd) for one, sd in zip((clear, changed), sds, strict=True)]
    true = 100.0 * np.expm1(means[1] - means[0])
    found = Count()
    for _ in range(count):
        focus = random.normal(size=levels.size) * np.where(levels == 0, *sds)
        values = np.where(levels == 0, clear.log_mtf50(STOP, focus), changed.log_mtf50(STOP, focus))
        values += NOISE_SD * random.normal(size=levels.size) + case.drift * np.arange(levels.size)
        values += np.cumsum(case.wander * random.normal(size=levels.size))
        rows = sharpness_rows(fit_levels(values, layout), names, "frame", VISIBLE)
        found.rows += 1
        found.held += all(row.ci95[0] <= true <= row.ci95[1] for row in rows)
        found.claimed += any(not row.ci95[0] <= 0.0 <= row.ci95[1] for row in rows)
        found.visible += rows[0].verdict == "visible"
        found.too_small += rows[0].verdict == "too_small"
        found.width += rows[0].ci95[1] - rows[0].ci95[0]
    return found


def row(case: Case, count: int, seed: int) -> tuple[float, str]:
    """Share of intervals that hold, and the row: all lenses together."""
    by_loss = []
    for loss in LOSSES:
        parts = [
            shoots(case, waves, loss, count=count // len(LENSES), seed=seed * number)
            for number, waves in enumerate(LENSES)
        ]
        by_loss.append(
            Count(**{name: sum(getattr(one, name) for one in parts) for name in Count.__dataclass_fields__})
        )
    none, small, large = by_loss

    def share(part: int, whole: Count) -> str:
        return f"{100.0 * part / whole.rows:.1f} %"

    held = sum(one.held for one in by_loss) / sum(one.rows for one in by_loss)
    width = none.width / none.rows
    claimed = share(none.claimed, none) if case.focus_sd_um[0] == case.focus_sd_um[1] else "(differs)"
    return held, (
        f"| {case.name} | {100.0 * held:.1f} % | {width:.1f} | {claimed} | {share(none.too_small, none)} "
        f"| {share(small.visible, small)} | {share(small.claimed, small)} | {share(large.visible, large)} |"
    )


HEAD = """# How true the intervals of an effect are

Each row: {shoots} simulated shoots (figures, not pictures) for each of three true losses of MTF50 (none, 3 %, 15 %),
shared out over {lenses} lenses. A shot's MTF50 is that of a pupil with spherical aberration, coma and astigmatism at
the focus that this shot happened to get (sd {focus:g} um at f/{stop:g}), with {noise:.1f} % of noise of its own:
scatter that is one-sided, not normal, and unknown to the fit. Wanted: intervals that hold the truth in 93 to 97 %
(three kinds: all of them at once), nothing claimed where nothing differs in more than 5 %. Visible from {visible:g} %
on, fixed here.

| how it was shot | intervals hold | mean width, points | claimed where none | none: told too small to see \
| 3 %: called visible | 3 %: told from zero | 15 %: called visible |
|---|---|---|---|---|---|---|---|
"""


def page(*, shoots: int, cases: int, seed: int) -> Iterator[str]:
    """The page; `cases` of the ways of shooting."""
    told = {"lenses": len(LENSES), "focus": CASES[0].focus_sd_um[0], "stop": STOP, "noise": 100.0 * NOISE_SD}
    yield from HEAD.format(shoots=shoots, visible=VISIBLE.percent, **told).splitlines()
    yield from pages.worst_first(pages.shown(row(case, shoots, seed) for case in CASES[:cases]))


TABLE = pages.Table(
    page=page,
    full={"shoots": 1000, "cases": 99, "seed": 11},
    tiny={"shoots": 12, "cases": 2},
    keeps_notes=True,
)
