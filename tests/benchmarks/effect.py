"""Print the table of effects: how often the intervals hold, and how often each claim is made, false, and missed.

Each shoot is drawn from pupils with aberrations at the focus that each shot happened to get (`afternoons`).
"""

from collections.abc import Iterator
from dataclasses import dataclass, field
from functools import cache

import numpy as np
import pages
from afternoons import Glass, usual
from compare import Claims, share

from lensbench.effect.effect import NEW_FOCUS_SD, sharpness_rows
from lensbench.model.compare import EffectRow, Seen, Verdict, Visible, VisibleFrom
from lensbench.stats.levels_fit import Layout, fit_levels

STOP = 4.0
FRAME = 3
NOISE_SD = 0.004
VISIBLE = Visible(percent=7.0, rests_on=VisibleFrom.RULER)
"""What a sharp lens comes to on a screen; fixed here so that rows compare."""
LOSSES = (0.0, 0.03, 0.15)
"""True losses of MTF50: none, one that is not to be seen, one that is."""
_SDS = 3.0


@dataclass(frozen=True, kw_only=True)
class Case:
    """One way of shooting."""

    name: str
    order: str
    """A letter a shot; A is the reference."""
    focus_sd_um: tuple[float, float] = (6.0, 6.0)
    """Of the reference and of the others."""
    tail_dof: float = np.inf
    """Of Student's distribution of the focus errors."""
    anew: str = "shot"
    """Focused anew for every shot, every row of one kind, or once."""
    drift: float = 0.0
    """Change of log MTF50 from shot to shot."""
    wander: float = 0.0
    """Standard deviation of a random walk's step."""


CASES = (
    Case(name="A, B by turns, 3 of each", order="AB" * 3),
    Case(name="A, B by turns, 5 of each", order="AB" * 5),
    Case(name="A, B by turns, 10 of each", order="AB" * 10),
    Case(name="A B B A", order="ABBA"),
    Case(name="A B B A A B B A", order="ABBA" * 2),
    Case(name="5 of each, 1 % of drift a shot", order="AB" * 5, drift=-0.01),
    Case(name="5 of each, focus wanders by 0.5 % a shot", order="AB" * 5, wander=0.005),
    Case(name="5 of each, never refocused", order="AB" * 5, anew="once"),
    Case(name="5 of each, heavy-tailed focus (t, 3)", order="AB" * 5, tail_dof=3.0),
    Case(name="5 of A against 3 of B", order="ABABABAA"),
    Case(name="5 of each, B scatters twice as much", order="AB" * 5, focus_sd_um=(6.0, 12.0)),
    Case(name="10 of each, B scatters twice as much", order="AB" * 10, focus_sd_um=(6.0, 12.0)),
    Case(name="three kinds by turns, 4 of each", order="ABC" * 4),
    Case(name="all A, then all B, 6 of each", order="A" * 6 + "B" * 6),
    Case(name="all A, then all B, 1 % of drift a shot", order="A" * 6 + "B" * 6, drift=-0.01),
    Case(name="all A, then all B, focus wanders by 0.5 %", order="A" * 6 + "B" * 6, wander=0.005),
    Case(name="A A A B B B, refocused once between", order="AAABBB", anew="row"),
    Case(name="6 A, 6 B, refocused once between", order="A" * 6 + "B" * 6, anew="row"),
    Case(name="A A A B B B, never refocused", order="AAABBB", anew="once"),
    Case(name="A A A B B B twice, refocused between rows", order="AAABBB" * 2, anew="row"),
    Case(name="A A B B twice, refocused between rows", order="AABB" * 2, anew="row"),
    Case(name="A A A B B B A A A, refocused between rows", order="AAABBBAAA", anew="row"),
    Case(name="A A A B B B twice, refocused for every shot", order="AAABBB" * 2),
)
CLAIMS = (
    "sharper or softer",
    "sharper and visible",
    "sharper, not visible",
    "equal",
    "no visible difference",
)


@dataclass(slots=True)
class Count:
    """What came of the shoots of one case; of several kinds, the intervals of all of them hold or not."""

    held: dict[float, list[bool]] = field(default_factory=lambda: {loss: [] for loss in LOSSES})
    half_widths: list[float] = field(default_factory=list)
    in_a_row: int = 0
    rows: int = 0
    claims: dict[str, Claims] = field(default_factory=lambda: {words: Claims() for words in CLAIMS})


@cache
def lens(number: int) -> Glass:
    """One of the invented lenses, at one stop."""
    return usual(np.random.default_rng(200 + number), (STOP,))


def errors_um(case: Case, levels: np.ndarray, random: np.random.Generator) -> np.ndarray:
    """Focus error of each shot."""
    row = np.cumsum(np.concatenate([[0], np.diff(levels) != 0]))
    group = {"shot": np.arange(levels.size), "row": row, "once": np.zeros(levels.size, int)}[case.anew]
    draws = random.normal(size=levels.size)
    if np.isfinite(case.tail_dof):
        draws = random.standard_t(case.tail_dof, size=levels.size)
    return draws[group] * np.where(levels == 0, *case.focus_sd_um)


def averages(case: Case, glass: Glass) -> tuple[float, float]:
    """Log MTF50 that endlessly many refocused shots of the reference and of the others average to."""
    random = np.random.default_rng(7)
    draws = random.normal(size=20000)
    if np.isfinite(case.tail_dof):
        draws = random.standard_t(case.tail_dof, size=20000)
    first, second = (
        float(np.mean(glass.log_zones(0, glass.best_um(0, FRAME) + sd * draws)[:, FRAME]))
        for sd in case.focus_sd_um
    )
    return first, second


def shoots(case: Case, glass: Glass, found: Count, *, count: int, random: np.random.Generator) -> None:
    """Draw shoots of one lens with each true loss and hold what is found against it."""
    levels = np.array(["ABC".index(letter) for letter in case.order])
    layout = Layout(
        level=levels, setting=np.zeros(levels.size, int), order=np.arange(levels.size, dtype=float)
    )
    names = [f"kind {number}" for number in range(levels.max() + 1)]
    reference, others = averages(case, glass)
    for loss in LOSSES:
        true = others - reference + float(np.log1p(-loss))
        for _ in range(count):
            focus_um = glass.best_um(0, FRAME) + errors_um(case, levels, random)
            values = glass.log_zones(0, focus_um)[:, FRAME] + np.where(levels == 0, 0.0, np.log1p(-loss))
            values += NOISE_SD * random.normal(size=levels.size) + case.drift * np.arange(levels.size)
            values += np.cumsum(case.wander * random.normal(size=levels.size))
            rows = sharpness_rows(fit_levels(values, layout, unseen_sd=NEW_FOCUS_SD), names, "frame", VISIBLE)
            percent = 100.0 * float(np.expm1(true))
            found.held[loss].append(all(row.ci95[0] <= percent <= row.ci95[1] for row in rows))
            found.half_widths.append(0.5 * (rows[0].ci95[1] - rows[0].ci95[0]))
            found.in_a_row += layout.in_a_row
            found.rows += 1
            judge(rows[0], percent, found)


def judge(row: EffectRow, true_percent: float, found: Count) -> None:
    """Count the words of one row."""
    low, high = row.ci95
    far, limit, size = _SDS * (high - low) / 3.92, row.visible_from, abs(true_percent)
    right = true_percent * row.difference > 0.0
    words = {
        "sharper or softer": (row.differs, right, size > far),
        "sharper and visible": (row.verdict is Verdict.VISIBLE, right and size >= limit, size > limit + far),
        "sharper, not visible": (
            row.verdict is Verdict.NOT_VISIBLE,
            right and size < limit,
            row.equal_within + far < size < limit - far,
        ),
        "equal": (row.verdict is Verdict.EQUAL, size <= row.equal_within, size < row.equal_within - far),
        "no visible difference": (row.seen is Seen.NONE, size < limit, size < limit - far),
    }
    for claim, (said, true, deserved) in words.items():
        found.claims[claim].add(said=said, true=true, deserved=deserved)


def counted(case: Case, count: int, lenses: int, seed: int) -> tuple[float, str, Count]:
    """Share of intervals that hold, the row that tells it, and the counts: all lenses together."""
    found, random = Count(), np.random.default_rng(seed)
    for number in range(lenses):
        shoots(case, lens(number), found, count=max(count // lenses, 1), random=random)
    held = [hit for hits in found.held.values() for hit in hits]
    claims = [found.claims[words] for words in CLAIMS]
    told = [f"{share(claim.said, found.rows)}, {share(claim.false, claim.said)}" for claim in claims]
    row = pages.row(
        case.name,
        share(sum(held), len(held)),
        f"{np.mean(found.half_widths):.1f}",
        "yes" if found.in_a_row else "–",
        *told,
    )
    return float(np.mean(held)), row, found


HEAD = """# How true the intervals of an effect are

Each row: {shoots} simulated shoots (figures, not pictures) for each of three true losses of MTF50 (none, 3 %, 15 %),
shared out over {lenses} lenses at f/{stop:g}. A lens is a pupil with spherical error of two orders, coma, astigmatism,
a curved field and axial colour; a shot's MTF50 is that of the focus it happened to get (sd 6 um, anew for every shot
where nothing else is said), with {noise:.1f} % of noise: scatter that is one-sided, not normal, and unknown to the fit.
The truth is what endlessly many refocused shots average to. Wanted: intervals that hold in 93 to 97 %, 92 at the least
(three kinds: all of them at once). Visible from {visible:g} % on, fixed here.
"""


def page(*, shoots: int, cases: int, lenses: int, seed: int) -> Iterator[str]:
    """The page; `cases` of the ways of shooting."""
    told = {"shoots": shoots, "lenses": lenses, "stop": STOP, "noise": 100.0 * NOISE_SD}
    yield from HEAD.format(visible=VISIBLE.percent, **told).splitlines()
    yield ""
    yield from pages.head(
        "how it was shot",
        "intervals hold",
        "mean half-width, points",
        "said: one kind after the other",
        *(f"«{words}»: said, false of these" for words in CLAIMS),
    )
    found = []
    for case in CASES[:cases]:
        found.append(counted(case, shoots, lenses, seed))
        pages.shown([found[-1][1]])
    yield from pages.worst_first((held, text) for held, text, _ in found)
    yield ""
    yield (
        "All ways together. False: of those said. Missed: not said where the truth lies three stated standard "
        "deviations beyond the limit. Wanted: 5 % and 20 % at most."
    )
    yield ""
    yield from pages.head("claim", "said", "false", "deserved", "missed")
    for words in CLAIMS:
        total = Claims()
        for _, _, count in found:
            total = total.plus(count.claims[words])
        cells = (
            total.said,
            share(total.false, total.said),
            total.deserved,
            share(total.missed, total.deserved),
        )
        yield pages.row(f"«{words}»", *cells)


TABLE = pages.Table(
    page=page,
    full={"shoots": 600, "cases": 99, "lenses": 12, "seed": 11},
    tiny={"shoots": 2, "cases": 2, "lenses": 1},
    keeps_notes=True,
)
