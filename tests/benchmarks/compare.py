"""Print the table of comparisons: how often intervals hold, and how often each claim is made, false, and missed.

Each shoot goes the whole way from measured shots over two sweeps to the comparison. The lenses are pupils with
aberrations (`afternoons`), so the truth knows nothing of how errors are thought to be spread.
"""

from collections import defaultdict
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field, replace
from functools import cache

import numpy as np
import pages
from afternoons import FIVE, ZONES, Afternoon, Glass, photographed, sweep_shots, usual

from lensbench.compare.compare import compare_lenses
from lensbench.library import advise
from lensbench.model.compare import CompareRow, Seen, Sharper, Verdict
from lensbench.model.measured import KeptSession, SweepLens
from lensbench.sweep.countable import measured_lenses
from lensbench.sweep.decide import find
from lensbench.sweep.reject import reject

_SDS = 3.0
WORDS = ("sharper", "sharper and visible", "sharper, not visible", "equal", "no visible difference")
_USUAL = Afternoon()


@dataclass(frozen=True, kw_only=True)
class Case:
    """One kind of comparison: copies of one lens that differ by known shares, each photographed in its own way."""

    name: str
    shares: tuple[float, ...] = (0.0, 0.0)
    """How much finer than the pupil alone each lens is."""
    set_up_sd: float = 0.015
    """Of the error that a set-up's figures share, as a share of MTF50."""
    how: Afternoon = _USUAL
    second: Afternoon | None = None
    """How the others are photographed, where that differs."""
    again: int = 0
    """How many lenses are set up and swept once more."""


def _shots(count: int, **how: object) -> Afternoon:
    return Afternoon(shots=(count, count), **how)


CASES = (
    Case(name="equal lenses, set-ups repeat exactly", set_up_sd=0.0),
    Case(name="equal lenses"),
    Case(name="second sharper by 3 %", shares=(0.0, 0.03)),
    Case(name="second sharper by 8 %", shares=(0.0, 0.08)),
    Case(name="second sharper by 20 %", shares=(0.0, 0.20)),
    Case(name="set-ups repeat to 0.75 %, second sharper by 8 %", shares=(0.0, 0.08), set_up_sd=0.0075),
    Case(name="12 shots against 3", how=_shots(12)),
    Case(
        name="one lens scatters three times as much",
        how=Afternoon(focus_sd_um=3.0),
        second=Afternoon(focus_sd_um=9.0),
    ),
    Case(name="heavy-tailed focus (t, 3 degrees of freedom)", how=Afternoon(tail_dof=3.0)),
    Case(name="focus errs to one side, 2 shots", how=_shots(2, one_sided=True)),
    Case(name="1 to 5 shots, a stop missing", how=Afternoon(shots=(1, 5), missing=1)),
    Case(name="focused once a stop, unsaid", how=Afternoon(anew="stop")),
    Case(name="focused once for all stops, unsaid", how=Afternoon(anew="session")),
    Case(name="focus creeps by 20 um", how=Afternoon(creep_um=20.0)),
    Case(name="four equal lenses", shares=(0.0,) * 4),
    Case(
        name="set-ups repeat to 0.5 %, three lenses swept twice", shares=(0.0,) * 3, set_up_sd=0.005, again=3
    ),
    Case(name="set-ups repeat to 3 %, three lenses swept twice", shares=(0.0,) * 3, set_up_sd=0.03, again=3),
    Case(name="set-ups repeat to 3 % only, none swept twice", set_up_sd=0.03),
    Case(name="both swept twice, second sharper by 8 %", shares=(0.0, 0.08), again=2),
    Case(name="both swept twice, set-ups repeat to 3 %", set_up_sd=0.03, again=2),
)


@dataclass(slots=True)
class Claims:
    """How often something was said, said falsely, deserved to be said, and then was not."""

    said: int = 0
    false: int = 0
    deserved: int = 0
    missed: int = 0

    def add(self, *, said: bool, true: bool, deserved: bool) -> None:
        """Count one chance to say it."""
        self.said += said
        self.false += said and not true
        self.deserved += deserved
        self.missed += deserved and not said

    def plus(self, other: "Claims") -> "Claims":
        """Both together."""
        return Claims(
            **{name: getattr(self, name) + getattr(other, name) for name in Claims.__dataclass_fields__}
        )


@dataclass(slots=True)
class Count:
    """What came of the shoots of one case; rows are settings, whole frame, pairs of lenses taken one by one."""

    rows: list[bool] = field(default_factory=list)
    """Whether each interval holds."""
    half_widths: list[float] = field(default_factory=list)
    families: list[bool] = field(default_factory=list)
    """Whether all pairs of a shoot hold at one stop."""
    bests: list[bool] = field(default_factory=list)
    """The same for each at its own best setting."""
    advice: Claims = field(default_factory=Claims)
    """Of the lenses that an advice calls behind: false where no other one is sharper."""
    false_advice: list[bool] = field(default_factory=list)
    """Whether any advice of a shoot, at its stops or each lens at its best, calls a lens behind that is not."""
    advice_intervals: list[bool] = field(default_factory=list)
    """Whether the interval of how far each lens is behind the one named first holds."""
    false_words: list[bool] = field(default_factory=list)
    """Whether anything at all that was said in a shoot was false: every word, pair, stop and zone."""
    claims: dict[str, Claims] = field(default_factory=lambda: defaultdict(Claims))


@cache
def lens(number: int) -> Glass:
    """One of the invented lenses."""
    return usual(np.random.default_rng(100 + number), FIVE)


def swept(
    glass: Glass, afternoon: Afternoon, share: float, set_up: float, random: np.random.Generator, *, name: str
) -> SweepLens:
    """One lens as a sweep leaves it: its image finer by a share, its figures off by the set-up's error."""
    session = photographed(glass, afternoon, random)
    session = replace(session, log_zones=session.log_zones + np.log1p(share) + set_up)
    shots = reject(sweep_shots(session))
    (found,) = measured_lenses(find(shots), shots)
    return SweepLens(folder="folder", lens=name, camera=found.camera, best=found.best, shots=found.shots)


def shoot(case: Case, glass: Glass, random: np.random.Generator, found: Count) -> None:
    """Draw one shoot and hold what the comparison says against the truth."""
    afternoons = [case.how, *[case.second or case.how] * (len(case.shares) - 1)]
    # A lens that is swept twice stands in the list twice, under one name.
    numbers = [*range(len(case.shares)), *range(case.again)]
    lenses = [
        swept(
            glass,
            afternoons[number],
            case.shares[number],
            case.set_up_sd * random.normal(),
            random,
            name=f"lens {number}",
        )
        for number in numbers
    ]
    truths: list[Mapping[tuple[str, float], float]] = [
        {
            (zone, stop): float(value) + np.log1p(case.shares[number])
            for stop, values in zip(FIVE, afternoons[number].averages(glass), strict=True)
            for zone, value in zip(ZONES, values, strict=True)
        }
        for number in numbers
    ]
    comparison = compare_lenses(lenses)
    places = {each.label: place for place, each in enumerate(comparison.lenses)}
    at_one_stop, false = [], False
    for pair in comparison.pairs:
        i, j = places[pair.first], places[pair.second]
        if numbers[i] == numbers[j]:
            continue
        for row in pair.rows:
            at = row.zone, row.f_number
            claims = claims_of(row, truths[j][at] - truths[i][at])
            false |= any(said and not true for said, true, _ in claims.values())
            if row.zone == "frame":
                judge(row, truths[j][at] - truths[i][at], claims, found)
                if row.f_number == FIVE[0] and np.isfinite(row.ci95_percent[0]):
                    at_one_stop.append(found.rows[-1])
        if pair.best_row:
            own = [("frame", lenses[place].best.setting.f_number) for place in (i, j)]
            if np.isfinite(pair.best_row.ci95_percent[0]):
                found.bests.append(holds(pair.best_row, truths[j][own[1]] - truths[i][own[0]]))
    judge_advice([(number, lenses[place], truths[place]) for place, number in enumerate(numbers)], found)
    found.families.append(all(at_one_stop))
    found.false_words.append(false)


def judge_advice(swept: list[tuple[int, SweepLens, Mapping[tuple[str, float], float]]], found: Count) -> None:
    """Ask a library of all sweeps for every stop, and for each lens at its best; the newest of a lens counts."""
    sessions = [
        KeptSession(
            lens=one.lens,
            camera=one.camera,
            best=one.best,
            shots=one.shots,
            session=f"{order}",
            added_at=f"2026-04-{order + 1:02d}",
        )
        for order, (_, one, _) in enumerate(swept)
    ]
    true = {one.lens: truth for _, one, truth in swept}
    false = []
    for stop in (None, *FIVE):
        told = advise(sessions, focal_length_mm=35.0, f_number=stop).lenses
        values = [true[one.lens]["frame", one.f_number] for one in told]
        for one, value in zip(told[1:], values[1:], strict=True):
            low, high = np.array(one.behind_ci95_percent) / 100.0
            if not np.isfinite(low):
                continue
            behind = max(values) - value
            far = _SDS * (high - low) / 3.92
            found.advice.add(said=not one.tied, true=behind > 0.0, deserved=behind > far + np.log(1 / 0.97))
            found.advice_intervals.append(low <= -np.expm1(value - values[0]) <= high)
            false.append(not one.tied and behind <= 0.0)
    found.false_advice.append(any(false))


def holds(row: CompareRow, true: float) -> bool:
    """Whether an interval holds the true log ratio."""
    low, high = row.ci95_percent
    return bool(low <= 100.0 * np.expm1(true) <= high)


def claims_of(row: CompareRow, true: float) -> dict[str, tuple[bool, bool, bool]]:
    """Each word: whether it was said, whether it is true, and whether it should be said; all of logarithms."""
    half = 0.5 * float(np.diff(np.log1p(np.array(row.ci95_percent) / 100.0))[0])
    far = _SDS * half / 1.96 if np.isfinite(half) else np.inf
    ahead = {Sharper.FIRST: -1.0, Sharper.SECOND: 1.0}.get(row.sharper, 0.0) * true
    equal = np.log1p(row.equal_within_percent / 100.0)
    is_equal = row.verdict is Verdict.EQUAL
    claims = {
        "sharper": (bool(row.sharper), ahead > 0.0, abs(true) > far),
        "equal": (is_equal, abs(true) <= equal, abs(true) < equal - far),
    }
    if not np.isfinite(row.visible_from_percent):
        return claims
    visible = np.log1p(row.visible_from_percent / 100.0)
    hidden = equal + far < abs(true) < visible - far
    return claims | {
        "sharper and visible": (row.verdict is Verdict.VISIBLE, ahead >= visible, abs(true) > visible + far),
        "sharper, not visible": (row.verdict is Verdict.NOT_VISIBLE, 0.0 < ahead < visible, hidden),
        "no visible difference": (row.seen is Seen.NONE, abs(true) < visible, abs(true) < visible - far),
    }


def judge(row: CompareRow, true: float, claims: Mapping[str, tuple[bool, bool, bool]], found: Count) -> None:
    """Count one row, its interval and its words; without an interval nothing may be said."""
    low, high = np.log1p(np.array(row.ci95_percent) / 100.0)
    if np.isfinite(low):
        found.rows.append(holds(row, true))
        found.half_widths.append(50.0 * float(high - low))
    for words, (said, is_true, deserved) in claims.items():
        found.claims[words].add(said=said, true=is_true, deserved=deserved)


def share(part: int, whole: int) -> str:
    """Share in percent; a dash of nothing."""
    return f"{100.0 * part / whole:.1f} %" if whole else "–"


def counted(case: Case, count: int, lenses: int, seed: int) -> tuple[float, str, Case, Count]:
    """Share of intervals that hold, the row that tells it, and the counts: all lenses together."""
    found, random = Count(), np.random.default_rng(seed)
    for number in range(count):
        shoot(case, lens(number % lenses), random, found)
    sharper = found.claims["sharper"]
    return (
        float(np.mean(found.rows)),
        pages.row(
            case.name,
            share(sum(found.rows), len(found.rows)),
            f"{np.mean(found.half_widths):.1f}",
            share(sum(found.families), len(found.families)),
            share(sum(found.bests), len(found.bests)),
            f"{sharper.said} of {len(found.rows)}, {share(sharper.false, sharper.said)}",
            share(sum(found.false_words), len(found.false_words)),
            f"{found.advice.said}, {share(found.advice.false, found.advice.said)}",
            share(sum(found.false_advice), len(found.false_advice)),
            share(sum(found.advice_intervals), len(found.advice_intervals)),
        ),
        case,
        found,
    )


def claim_rows(counts: list[tuple[Case, Count]]) -> Iterator[tuple[float, str]]:
    """A row for each claim: all kinds of shoots together, and the worst kind of those where it was made often."""
    for words in (*WORDS, "advise: behind"):
        total, worst, kind = Claims(), -1.0, "–"
        for case, count in counts:
            own = count.advice if words not in WORDS else count.claims[words]
            total = total.plus(own)
            if own.said >= 100 and own.false / own.said > worst:
                worst, kind = own.false / own.said, f"{share(own.false, own.said)} ({case.name})"
        yield (
            -total.false / max(total.said, 1),
            pages.row(
                f"«{words}»",
                total.said,
                share(total.false, total.said),
                kind,
                total.deserved,
                share(total.missed, total.deserved),
            ),
        )


HEAD = """# How true a comparison of lenses is

Each row: {shoots} simulated shoots (figures, not pictures) at f/2.8 to f/11, shared out over {lenses} lenses, each
shoot taken the whole way from measured shots over sweeps to the comparison. A lens is a pupil with spherical error of
two orders, coma, astigmatism, a curved field and axial colour. The lenses of a shoot are the same pupil but for the
share stated, so the truth is known: what endlessly many refocused shots in perfect set-ups average to. Where nothing
else is said, each lens is focused anew for each of three shots (sd 4 um), and all of its figures are off by one error
of its set-up (sd 1.5 %), which the comparison can't see and assumes. Wanted: intervals that hold in 93 to 97 %, 92 at
the least. Words are counted at the settings of the whole frame; one column asks for any false word in a shoot, at
all stops, pairs and zones (5 % wanted), for where lenses are truly equal each «sharper» is false by makeup. The last
columns ask `library advise` for the whole frame at every stop, and for each lens at its best: how often it calls a
lens behind the first, how often that is false, and whether its interval of by how much holds.
"""


def page(*, shoots: int, cases: int, lenses: int, seed: int) -> Iterator[str]:
    """The page; `cases` of the kinds of comparison."""
    yield from HEAD.format(shoots=shoots, lenses=lenses).splitlines()
    yield ""
    yield from pages.head(
        "lenses",
        "intervals hold",
        "mean half-width, %",
        "all pairs at f/2.8 hold",
        "«each at its own best» holds",
        "a lens called sharper, and falsely of these",
        "shoots with any false word",
        "advise: called behind, and falsely of these",
        "shoots with any false advice",
        "its intervals hold",
    )
    told = []
    for case in CASES[:cases]:
        told.append(counted(case, shoots, lenses, seed))
        pages.shown([told[-1][1]])
    yield from pages.worst_first((held, text) for held, text, _, _ in told)
    yield ""
    yield (
        "False: of those said. Missed: not said where the truth lies three stated standard deviations beyond the "
        "limit. Wanted: 5 % and 20 % at most."
    )
    yield ""
    yield from pages.head("claim", "said", "false", "worst kind, of 100 and more", "deserved", "missed")
    yield from pages.worst_first(claim_rows([(case, count) for _, _, case, count in told]))


TABLE = pages.Table(
    page=page,
    full={"shoots": 200, "cases": 99, "lenses": 12, "seed": 31},
    tiny={"shoots": 2, "cases": 1, "lenses": 1},
    keeps_notes=True,
)
