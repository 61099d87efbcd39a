"""Rows of figures: how truly the state of a lens is told from simulated figures of whole shoots.

True MTF50 of every edge comes from pupils with aberrations (`tests/made/pupil_fields.py`), not from the curves that
are fitted. Lens, tilt, steady focus error and fault are drawn anew for every lens, so that truths lie on either side of
each limit and near it.
"""

from collections import defaultdict
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field, replace
from math import hypot, isfinite, nan

import numpy as np
import pages
from pupil_fields import COLS, MAGNIFICATION, PITCH_UM, ROWS, FieldLens, Shooting, bracket, log_at, shoot
from scipy import optimize

from lensbench.condition.decentring import asymmetries
from lensbench.condition.field import settings_of
from lensbench.condition.judge import lens_condition
from lensbench.model.condition import Astigmatism, ConditionFinding, Decentring, Subject, Verdict
from lensbench.model.sweep import SweepShot

SOUND = Shooting(level_sd=0.0, side_sd=0.0, edge_sd=0.0, focus_sd_um=0.0, tilt_sd_deg=0.0)
SPLIT, LEAN = "sagittal and tangential differ", "leaning plane"
LIMITS = {
    Subject.TILT: 3.0,
    Subject.DECENTRING: 100.0 * (1.0 - float(np.exp(-0.05))),
    Subject.FIELD_CURVATURE: 5.0,
    Subject.FOCUS_SHIFT: 5.0,
    Subject.ASTIGMATISM: 5.0,
    SPLIT: 100.0 * (1.0 - float(np.exp(-0.10))),
}
"""From which truth on a subject matters: those of docs/howto/sound.md."""
AT_SIDES, AT_OUTER = 0.7, 0.8
FAR_SDS = 3.0


@dataclass(frozen=True, kw_only=True)
class Case:
    """A kind of lens and of shoot; each lens is drawn anew."""

    name: str
    fault: Callable[[FieldLens, np.random.Generator], FieldLens] = lambda lens, _: lens
    tilt_deg: float = 0.1
    """Yaw and pitch lie anywhere up to this."""
    steady_um: float = 0.0
    """So does a focus error that all shots have."""
    wall: float = 0.0
    """So does what print or light take from one side, in log MTF50."""
    chart: str = "sheet"
    bracket: bool = False
    turned: bool = False

    @property
    def shots(self) -> str:
        if self.bracket:
            return "a bracket of 7 beside 3 refocused"
        return "3 and 3 turned" if self.turned else "3 refocused"


def sound(random: np.random.Generator) -> FieldLens:
    """Lens that is aberrated in its own way, spherical of two orders."""
    return FieldLens(
        widest=float(random.choice([2.0, 2.8, 4.0])),
        spherical=float(np.round(random.uniform(-0.04, 0.05), 3)),
        fifth=float(np.round(random.uniform(-0.02, 0.02), 3)),
        coma_corner=float(np.round(random.uniform(0.02, 0.12), 3)),
        astigmatism_corner=float(np.round(random.uniform(-0.03, 0.03), 3)),
        astigmatism_high=float(np.round(random.uniform(-0.02, 0.02), 3)),
        curvature_um=float(np.round(random.uniform(-4.0, 4.0), 1)),
        curvature_high_um=float(np.round(random.uniform(-4.0, 4.0), 1)),
        sigma_px=float(np.round(random.uniform(0.2, 0.5), 2)),
    )


def _um(lens: FieldLens, waves: float) -> float:
    """Focus error of so many waves at the widest stop's rim: lenses of all stops suffer alike by it."""
    return float(np.round(waves * 8.0 * 0.55 * lens.widest**2, 1))


def _leaning(lens: FieldLens, random: np.random.Generator) -> FieldLens:
    turn, size = random.uniform(0.0, 2.0 * np.pi), _um(lens, random.uniform(0.2, 1.3))
    return replace(
        lens, plane_tilt_um=(float(np.round(size * np.cos(turn), 1)), float(np.round(size * np.sin(turn), 1)))
    )


def _off_axis(lens: FieldLens, random: np.random.Generator) -> FieldLens:
    turn, size = random.uniform(0.0, 2.0 * np.pi), random.uniform(0.0, 0.06)
    coma = (float(np.round(size * np.cos(turn), 3)), float(np.round(size * np.sin(turn), 3)))
    return replace(lens, coma_decentred=coma)


def _curved(lens: FieldLens, random: np.random.Generator) -> FieldLens:
    low, high = (_um(lens, share * random.uniform(-1.3, 1.3)) for share in (0.7, 0.3))
    return replace(lens, curvature_um=low, curvature_high_um=high)


def _split(lens: FieldLens, random: np.random.Generator) -> FieldLens:
    low, high = (float(np.round(random.uniform(-limit, limit), 3)) for limit in (0.2, 0.06))
    return replace(lens, astigmatism_corner=low, astigmatism_high=high)


def _curved_and_split(lens: FieldLens, random: np.random.Generator) -> FieldLens:
    return _curved(_split(lens, random), random)


def _shifting(lens: FieldLens, random: np.random.Generator) -> FieldLens:
    return replace(
        lens,
        spherical=float(np.round(random.uniform(-0.15, 0.15), 3)),
        fifth=float(np.round(random.uniform(-0.04, 0.04), 3)),
    )


CASES = (
    Case(name="sound, tilt to 1 degree, steady focus error to 15 um", tilt_deg=1.0, steady_um=15.0),
    Case(name="leaning plane of focus", fault=_leaning),
    Case(name="element off its axis", fault=_off_axis, steady_um=8.0),
    Case(name="sound", steady_um=4.0),
    Case(name="curved field", fault=_curved, tilt_deg=0.5, steady_um=8.0),
    Case(name="curved field", fault=_curved, chart="wall"),
    Case(name="astigmatic", fault=_split, steady_um=4.0),
    Case(
        name="sound, tilt to 1 degree, steady focus error to 15 um",
        tilt_deg=1.0,
        steady_um=15.0,
        chart="wall",
    ),
    Case(name="leaning plane of focus", fault=_leaning, chart="wall"),
    Case(name="element off its axis", fault=_off_axis, chart="wall", steady_um=8.0),
    Case(name="sound, print or light to 20 % off", wall=0.2, turned=True, tilt_deg=0.5, steady_um=8.0),
    Case(
        name="element off its axis, print or light off", fault=_off_axis, wall=0.1, turned=True, tilt_deg=0.5
    ),
    Case(name="sound", bracket=True),
    Case(name="curved field", fault=_curved, bracket=True),
    Case(name="astigmatic", fault=_split, bracket=True),
    Case(name="spherical, its focus shifts", fault=_shifting, bracket=True),
    Case(name="leaning plane of focus", fault=_leaning, bracket=True, tilt_deg=0.5),
    Case(name="curved and astigmatic", fault=_curved_and_split, bracket=True, chart="wall"),
)


@dataclass(frozen=True, kw_only=True)
class Drawn:
    """A lens, how it is shot, and what is true of it, in percent."""

    lens: FieldLens
    how: Shooting
    stops: tuple[float, ...]
    truth: dict[str, float]

    def shots(self, case: Case, random: np.random.Generator) -> list[SweepShot]:
        """Take all the photographs of a case."""
        shots = shoot(self.lens, random, stops=self.stops, how=self.how)
        if case.turned:
            shots += shoot(self.lens, random, stops=self.stops, how=replace(self.how, turned=True))
        if case.bracket:
            step_um = 1.1 * self.lens.widest**1.4 + 0.15 * max(map(abs, _planes_um(self.lens)))
            steps = tuple(float(np.round(step_um * place, 1)) for place in (-5, -3.2, -1.5, 0, 1.5, 3.2, 5))
            calm = replace(self.how, level_sd=0.01, side_sd=0.005)
            shots += bracket(self.lens, random, stops=self.stops, steps_um=steps, how=calm)
        return shots


def _planes_um(lens: FieldLens) -> tuple[float, ...]:
    return (lens.curved_um(1.0), *lens.plane_tilt_um, lens.best_z_um(lens.widest) - lens.best_z_um(5.6))


def draw(case: Case, random: np.random.Generator) -> Drawn:
    """Draw one lens and one way to shoot it."""
    lens = case.fault(sound(random), random)
    yaw, pitch = (float(np.round(random.uniform(-case.tilt_deg, case.tilt_deg), 2)) for _ in range(2))
    how = Shooting(
        level_sd=0.015,
        side_sd=0.01,
        focus_sd_um=2.0,
        edge_sd=0.012,
        tilt_sd_deg=0.05,
        yaw_deg=yaw,
        pitch_deg=pitch,
        steady_um=float(random.uniform(-case.steady_um, case.steady_um)),
        wall_side=tuple(random.uniform(-case.wall, case.wall) * np.array([1.0, 0.4])),
        chart=case.chart,
    )
    stops = (lens.widest, 5.6)
    return Drawn(lens=lens, how=how, stops=stops, truth=truth_of(lens, how, stops))


def truth_of(lens: FieldLens, how: Shooting, stops: tuple[float, ...]) -> dict[str, float]:
    """What is true of a lens, in percent of MTF50, as docs/method/method.md defines it, at the stop that shows most."""
    clean = replace(SOUND, chart=how.chart)
    flat = replace(lens, plane_tilt_um=(0.0, 0.0))
    random = np.random.default_rng(0)
    found = asymmetries(settings_of(shoot(flat, random, stops=stops, repeats=1, how=clean)))
    lean_um = AT_SIDES * hypot(*lens.plane_tilt_um)
    half_um = MAGNIFICATION[how.chart] * hypot(ROWS, COLS) / 2.0 * PITCH_UM
    reach = np.minimum(np.array([COLS, ROWS]) / hypot(ROWS, COLS), AT_SIDES)
    tilt_um = float(np.linalg.norm(half_um * np.tan(np.radians([how.yaw_deg, how.pitch_deg])) * reach))
    lean = _worst(lens, stops, lambda curves: _sides_loss(curves, lean_um), AT_SIDES)
    return {
        Subject.TILT: _worst(lens, stops[:1], lambda curves: _sides_loss(curves, tilt_um), AT_SIDES),
        Subject.DECENTRING: max(_percent(max(float(np.linalg.norm(row.mean)) for row in found)), lean),
        LEAN: lean,
        Subject.FIELD_CURVATURE: _worst(lens, stops, lambda c: _curvature_loss(lens, c), AT_OUTER),
        Subject.FOCUS_SHIFT: _shift_loss(lens, stops),
        Subject.ASTIGMATISM: _worst(lens, stops, _planes_loss, AT_OUTER),
        SPLIT: _worst(lens, stops, lambda c: abs(_split_log(lens, c, how.steady_um)), AT_OUTER),
    }


Curve = Callable[[float], float]


def _curves(lens: FieldLens, stop: float, height: float) -> tuple[Curve, Curve]:
    """Log MTF50 of sagittal and of tangential edges over the focus, at azimuth 0 of the lens without decentring."""
    even = replace(lens, coma_decentred=(0.0, 0.0))
    return tuple(lambda z, s=sagittal: log_at(even, stop, (s, height, 0.0), z) for sagittal in (True, False))


def _worst(lens: FieldLens, stops: tuple[float, ...], loss: Callable[..., float], height: float) -> float:
    return max(_percent(loss(_curves(lens, stop, height))) for stop in stops)


def _percent(log_loss: float) -> float:
    return float(-100.0 * np.expm1(-log_loss))


def peak_of(curve: Curve, middle_um: float = 0.0, around_um: float = 45.0) -> float:
    """Focus at which a curve is highest: the best of a grid, then narrowed down."""
    grid = middle_um + np.linspace(-around_um, around_um, 25)
    best = grid[int(np.argmax([curve(z) for z in grid]))]
    step = grid[1] - grid[0]
    return float(
        optimize.minimize_scalar(lambda z: -curve(z), bounds=(best - step, best + step), method="bounded").x
    )


def _sides_loss(curves: tuple[Curve, Curve], z_um: float) -> float:
    """Mean loss of both sides and both directions where the focus is so far off."""
    peak = peak_of(lambda z: sum(curve(z) for curve in curves))
    return max(
        float(np.mean([curve(peak) - 0.5 * (curve(peak + z_um) + curve(peak - z_um)) for curve in curves])),
        0.0,
    )


def _curvature_loss(lens: FieldLens, curves: tuple[Curve, Curve]) -> float:
    peak = peak_of(lambda z: sum(curve(z) for curve in curves))
    off_um = lens.curved_um(AT_OUTER)
    return max(0.5 * sum(curve(peak) - curve(off_um) for curve in curves), 0.0)


def _planes_loss(curves: tuple[Curve, Curve]) -> float:
    """What it costs the edges of one direction to be focused for the other."""
    sagittal, tangential = (peak_of(curve) for curve in curves)
    return 0.5 * (curves[0](sagittal) - curves[0](tangential) + curves[1](tangential) - curves[1](sagittal))


def _split_log(lens: FieldLens, curves: tuple[Curve, Curve], steady_um: float) -> float:
    off_um = lens.curved_um(AT_OUTER) + steady_um
    return curves[0](off_um) - curves[1](off_um)


def _shift_loss(lens: FieldLens, stops: tuple[float, ...]) -> float:
    """Loss of the centre at the second stop where it was focused at the first."""
    wide, narrow = (_curves(lens, stop, 0.0)[0] for stop in stops)
    own = peak_of(narrow)
    borrowed = peak_of(wide) + lens.best_z_um(stops[0]) - lens.best_z_um(stops[1])
    return _percent(max(narrow(own) - narrow(borrowed), 0.0))


@dataclass
class Count:
    """What was said of one subject in one case."""

    case: Case
    said: dict[str, int] = field(default_factory=lambda: dict.fromkeys(Verdict, 0))
    truly_off: int = 0
    false: dict[str, int] = field(default_factory=lambda: dict.fromkeys(Verdict, 0))
    far: int = 0
    """Whose truth lies three stated sds or more beyond the limit, on either side."""
    far_told: int = 0
    held: int = 0
    measured: int = 0

    def add(
        self, verdict: Verdict, truth: float, *, limit: float, sd: float, ci95: tuple[float, float]
    ) -> None:
        off = truth >= limit
        self.said[verdict] += 1
        self.truly_off += off
        self.false[verdict] += verdict is (Verdict.WITHIN_LIMITS if off else Verdict.MATTERS)
        if isfinite(sd) and abs(truth - limit) >= FAR_SDS * sd:
            self.far += 1
            self.far_told += verdict is (Verdict.MATTERS if off else Verdict.WITHIN_LIMITS)
        if isfinite(ci95[0]):
            self.measured += 1
            self.held += ci95[0] <= truth <= ci95[1]

    @property
    def worst(self) -> tuple[float, float]:
        """Share that is false of what was said, and share left untold of what lies far from the limit."""
        claims = sum(self.said[verdict] for verdict in Verdict if verdict is not Verdict.CANNOT_TELL)
        return sum(self.false.values()) / max(claims, 1), 1.0 - self.far_told / max(self.far, 1)

    def cells(self, shoots: int) -> list[str]:
        off, even = Verdict.MATTERS, Verdict.WITHIN_LIMITS
        return [
            self.case.name,
            self.case.chart,
            self.case.shots,
            str(shoots),
            f"{100.0 * self.truly_off / shoots:.0f} %",
            *(_of(self.false[verdict], self.said[verdict]) for verdict in (off, even)),
            f"{100.0 * self.said[Verdict.CANNOT_TELL] / shoots:.0f} %",
            _of(self.far_told, self.far),
            _of(self.held, self.measured),
        ]


def _of(part: int, whole: int) -> str:
    return f"{part} of {whole}" if whole else "–"


HEAD = (
    "lens and shoot",
    "chart",
    "shots a stop",
    "shoots",
    "truly matters",
    "«matters», false",
    "«within limits», false",
    "can't tell",
    "far from the limit, told",
    "interval holds the truth",
)


def counts(case: Case, *, shoots: int, lenses: int, seed: int) -> dict[str, Count]:
    """Count by subject what is said over many shoots of one case."""
    random = np.random.default_rng(seed)
    pool = [draw(case, random) for _ in range(min(lenses, shoots))]
    told = defaultdict[str, Count](lambda: Count(case=case))
    for number in range(shoots):
        drawn = pool[number % len(pool)]
        for subject, verdict, sd, ci95 in _said(
            lens_condition(drawn.shots(case, random)), bracketed=case.bracket
        ):
            limit = LIMITS[subject]
            # No figure, and no sd, is stated of a leaning plane without a bracket.
            untold = subject is Subject.DECENTRING and not case.bracket and drawn.truth[LEAN] >= limit
            told[subject].add(verdict, drawn.truth[subject], limit=limit, sd=nan if untold else sd, ci95=ci95)
    return told


def _said(
    findings: tuple[ConditionFinding, ...], *, bracketed: bool
) -> Iterator[tuple[str, Verdict, float, tuple[float, float]]]:
    """Subject, verdict, stated sd and interval of each finding, the split of the edges apart."""
    for finding in findings:
        details, ci95 = finding.details, finding.ci95
        if isinstance(details, Astigmatism) and details.split is not None:
            own = details.split
            sd = (own.ci95_percent[1] - abs(own.sagittal_percent)) / 1.96
            yield SPLIT, own.verdict, sd, own.ci95_percent
        if finding.subject is Subject.FIELD_CURVATURE or finding.subject is Subject.ASTIGMATISM:
            ci95 = ci95 if bracketed else (nan, nan)
        sd = (ci95[1] - finding.value) / 1.96
        if isinstance(details, Decentring):
            # The bound of a leaning plane is 1.96 sds above none; both have to be known for a verdict.
            sd, ci95 = max(sd, details.lean_limit_percent / 1.96), (nan, nan)
        if finding.subject in LIMITS and (bracketed or finding.subject is not Subject.FOCUS_SHIFT):
            yield finding.subject, finding.verdict, sd, ci95


def figure_tables(shoots: int, *, cases: int, lenses: int, seed: int) -> Iterator[str]:
    """Table of every subject, its worst rows first."""
    by_subject = defaultdict[str, list[tuple[Count, int]]](list)
    for number, case in enumerate(CASES[:cases]):
        count = max(shoots // 5, 1) if case.bracket else shoots
        for subject, told in counts(case, shoots=count, lenses=lenses, seed=seed + number).items():
            by_subject[subject].append((told, count))
    for subject, rows in by_subject.items():
        yield from (
            f"### {subject[0].upper()}{subject[1:]}: from {LIMITS[subject]:.1f} %",
            "",
            *pages.head(*HEAD),
        )
        for told, count in sorted(rows, key=lambda row: row[0].worst, reverse=True):
            yield pages.row(*told.cells(count))
        yield ""


def coverage_rows(shoots: int, *, cases: int, lenses: int, seed: int) -> Iterator[str]:
    """How often the interval of the asymmetry holds the true one: that of a shot without noise, tilt or focus error."""
    yield from pages.head("lens", "shoots", "true asymmetry", "found, mean", "95 % interval holds it")
    random = np.random.default_rng(seed)
    kind = Case(name="", fault=_off_axis, tilt_deg=0.3, steady_um=5.0)
    for chart in ("sheet", "wall")[:cases]:
        case = replace(kind, chart=chart)
        pool = [draw(case, random) for _ in range(min(lenses, shoots))]
        held, found, true = 0, [], []
        for number in range(shoots):
            drawn = pool[number % len(pool)]
            row = asymmetries(settings_of(drawn.shots(case, random)))[0]
            clean = replace(SOUND, chart=chart)
            exact = shoot(drawn.lens, random, stops=drawn.stops[:1], repeats=1, how=clean)
            size = float(np.linalg.norm(asymmetries(settings_of(exact))[0].mean))
            low, high = row.interval()
            held += low <= size <= high
            found.append(row.size)
            true.append(size)
        means = [f"{_percent(float(np.mean(sizes))):.1f} %" for sizes in (true, found)]
        yield pages.row(f"element off its axis, {chart}", shoots, *means, f"{100.0 * held / shoots:.1f} %")
