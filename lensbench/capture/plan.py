"""The plan of a shoot: which chart, where to stand, every shot in order, how long it takes, and its table for `sweep`.

Exposure times keep the light on the sensor the same at every stop.
"""

import csv
import io
import re
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from math import isfinite, log2
from typing import Final

from lensbench.capture.standing import (
    CUSTOMARY_FOCAL_LENGTHS,
    CameraGear,
    ChartChoice,
    LensGear,
    PrintGear,
    Standing,
    choose_chart,
    full_stops,
    stand,
    zoom_marks,
)
from lensbench.model.condition import QUICK_TEST
from lensbench.model.errors import SettingError
from lensbench.model.setting import f_stop, focal_length
from lensbench.model.shot import TABLE_COLUMNS, TableRow, Turned
from lensbench.storage.numbers import read_number
from lensbench.storage.text import name_in_tables, words_of

MOST_QUICK_SHOTS: Final = 12
QUICK_STOP: Final = 8.0
TURNED: Final = {"sheet": Turned.CHART, "wall": Turned.CAMERA}
"""What is turned for the second half of a quick test, by the kind of chart."""
BRACKET_STEPS: Final = (-3, -2, -1, 0, 1, 2, 3)
"""Of every focus bracket: a higher number is a nearer focus, 0 is in focus."""
_FEWEST_BRACKETED: Final = 2
"""The widest stop and the next: between full stops a focus that shifts costs most there, for the shift goes with
1 - (widest / N)^2 and its cost with its square over N^4 (derived)."""

# How long things take; common practice, no source.
_HANGING_MIN: Final = {"sheet": 20.0, "wall": 45.0}
_STANDING_MIN: Final = 8.0
_FOCUSING_S: Final = 15.0
_TIMER_S: Final = 10.0
_QUICK_MIN: Final = 4.0


def exact_f_number(f_number: float) -> float:
    """Exact value of an engraved third or half stop, on the scale of powers of the root of two.

    >>> round(exact_f_number(5.6), 3), round(exact_f_number(3.5), 3)
    (5.657, 3.564)
    """
    return float(2.0 ** (round(12.0 * log2(f_number)) / 12.0))


@dataclass(frozen=True, slots=True, kw_only=True)
class Exposure:
    """A metered pair of time and f-number; other stops follow from it."""

    seconds: float
    f_number: float

    def __post_init__(self) -> None:
        if not (isfinite(self.seconds) and self.seconds > 0.0 and 0.5 <= self.f_number <= 128.0):
            raise SettingError(f"an exposure of {self.seconds:g} s at {f_stop(self.f_number)} cannot be")

    @classmethod
    def parse(cls, text: str) -> "Exposure":
        """Exposure from «1/30@5.6» or «0.5@8»; a SettingError where it is written otherwise."""
        time, _, stop = text.replace(" at ", "@").partition("@")
        try:
            seconds, f_number = read_number(time, "s"), read_number(stop, "f-number")
        except SettingError as error:
            raise SettingError(f"exposure «{text}»: write TIME@STOP, such as 1/30@5.6") from error
        return cls(seconds=seconds, f_number=f_number)

    def seconds_at(self, f_number: float) -> float:
        """Time for the same light at another engraved stop: t (N / N0)^2, by the exact f-numbers.

        >>> Exposure(seconds=1 / 32, f_number=5.6).seconds_at(16)
        0.25
        """
        ratio = exact_f_number(f_number) / exact_f_number(self.f_number)
        return round(self.seconds * ratio**2, 9)


@dataclass(frozen=True, slots=True, kw_only=True)
class Place:
    """Where and with what light the chart is photographed."""

    room_mm: float
    """From the chart's wall to the wall behind you."""
    paper: str
    """The largest that the printer takes."""
    printed: PrintGear = field(default_factory=PrintGear)
    exposure: Exposure
    """What the light asks for at one stop."""
    chart: str = "auto"
    """auto, sheet or wall."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ShotToTake(TableRow):
    """One press of the button, as the shots table will hold it."""

    focal_length_mm: float
    f_number: float
    exposure_s: float


@dataclass(frozen=True, slots=True, kw_only=True)
class ShootPlan:
    """All of it."""

    lens: LensGear
    camera: CameraGear
    printed: PrintGear
    chart: ChartChoice
    standings: tuple[Standing, ...]
    """One for each focal length."""
    shots: tuple[ShotToTake, ...]
    minutes: float
    quick: bool
    remarks: tuple[str, ...]

    @property
    def f_numbers(self) -> tuple[float, ...]:
        """The stops, widest first."""
        return tuple(sorted({shot.f_number for shot in self.shots}))

    @property
    def bracketed(self) -> tuple[float, ...]:
        """The stops that get a focus bracket, widest first."""
        return tuple(sorted({shot.f_number for shot in self.shots if shot.focus_step is not None}))

    def bracket_step_mm(self, standing: Standing) -> float:
        """How far apart, at the chart, the steps of the bracket are at a focal length."""
        return standing.bracket_mm[self.bracketed[len(self.bracketed) // 2]]

    def exposure_s(self, f_number: float) -> float:
        """Time of a stop."""
        return next(shot.exposure_s for shot in self.shots if shot.f_number == f_number)


def make_plan(
    lens: LensGear,
    camera: CameraGear,
    *,
    place: Place,
    stops: Sequence[float] = (),
    focal_lengths_mm: Sequence[float] = (),
    repeats: int = 3,
    brackets: bool = True,
) -> ShootPlan:
    """Plan a whole test: every stop at every focal length, focused anew each time, and focus brackets at wide stops.

    A bracket of a focal length is one focus group: at each of its steps all its stops are shot, the focus untouched
    between, so that `sweep` can tell whether the focus shifts on stopping down. The widest stop and the next are in it,
    and every stop for which no hand sets chart and camera well enough. A phone has one stop, and no bracket.

    Raises
    ------
    SettingError
        The lens has no such stop or focal length, or the room is too short.
    """
    for stop in stops:
        if stop < 0.98 * lens.widest_f_number:
            raise SettingError(f"{f_stop(stop)}: the lens opens to {f_stop(lens.widest_f_number)}")
    lengths_mm = _checked_lengths(lens, focal_lengths_mm) or zoom_marks(lens)
    of_phone = lens.of_phone(camera)
    by_length = {}
    for length_mm in lengths_mm:
        asked = tuple(sorted(stop for stop in {*stops} if stop >= 0.98 * lens.widest_at(length_mm)))
        usual = (lens.widest_f_number,) if of_phone else full_stops(lens, length_mm)
        by_length[length_mm] = asked or tuple(usual)
    ground = _ground(lens, camera, place, by_length)
    bracketed = brackets and not of_phone
    shots: list[ShotToTake] = []
    for length_mm in lengths_mm:
        own = by_length[length_mm]
        by_stop = {
            stop: ShotToTake(
                focal_length_mm=length_mm, f_number=stop, exposure_s=place.exposure.seconds_at(stop)
            )
            for stop in own
        }
        shots += [shot for shot in by_stop.values() for _ in range(repeats)]
        group = f"bracket {focal_length(length_mm)}"
        shots += [
            replace(by_stop[stop], focus_group=group, focus_step=step)
            for step in BRACKET_STEPS
            for stop in (ground.bracketed(own) if bracketed else ())
        ]
    return _plan(lens, camera, shots, place=place, ground=ground, quick=False)


def quick_plan(
    lens: LensGear, camera: CameraGear, *, place: Place, focal_lengths_mm: Sequence[float] = ()
) -> ShootPlan:
    """Plan the ten-minute test of a used lens: widest stop and f/8, the sheet upright and turned by 180 degrees.

    At most 12 shots; of a zoom the shortest, a middle and the longest focal length. A wall set cannot be turned:
    where it is asked for, the camera is turned instead. Errors are those of `make_plan`.
    """
    lengths_mm = _checked_lengths(lens, focal_lengths_mm) or zoom_marks(lens, most=3)
    stops = {mm: sorted({widest := lens.widest_at(mm), max(QUICK_STOP, widest)}) for mm in lengths_mm}
    repeats = MOST_QUICK_SHOTS // (2 * sum(map(len, stops.values())))
    if repeats == 0:
        raise SettingError(
            f"{len(lengths_mm)} focal lengths are too many for the quick test: name three at most"
        )
    kind = "wall" if place.chart == "wall" else "sheet"
    shots = [
        ShotToTake(
            focal_length_mm=length_mm,
            f_number=stop,
            exposure_s=place.exposure.seconds_at(stop),
            condition=f"{turned} turned 180" if turned else "upright",
            turned=turned,
        )
        for turned in (None, TURNED[kind])
        for length_mm in lengths_mm
        for stop in stops[length_mm]
        for _ in range(min(repeats, 3))
    ]
    place = replace(place, chart=kind)
    ground = _ground(lens, camera, place, stops)
    return _plan(lens, camera, shots, place=place, ground=ground, quick=True)


def _checked_lengths(lens: LensGear, lengths_mm: Sequence[float]) -> tuple[float, ...]:
    short_mm, long_mm = lens.focal_range_mm
    for length_mm in lengths_mm:
        if not 0.97 * short_mm <= length_mm <= 1.03 * long_mm:
            raise SettingError(f"{length_mm:g} mm: the lens reaches from {short_mm:g} to {long_mm:g} mm")
    return tuple(sorted(set(lengths_mm)))


@dataclass(frozen=True, slots=True, kw_only=True)
class _Ground:
    """The chart, and where to stand before it for each focal length."""

    chart: ChartChoice
    standings: tuple[Standing, ...]

    def bracketed(self, stops: Sequence[float]) -> tuple[float, ...]:
        """The stops of a focus bracket."""
        return tuple(
            stop
            for number, stop in enumerate(stops)
            if number < _FEWEST_BRACKETED or not all(here.held_by_hand(stop) for here in self.standings)
        )


def _ground(
    lens: LensGear, camera: CameraGear, place: Place, by_length: Mapping[float, Sequence[float]]
) -> _Ground:
    """Chart and standings for the stops of each focal length."""
    # The room must hold the longest of the planned focal lengths only.
    planned = replace(lens, focal_range_mm=(min(by_length), max(by_length)))
    stops = sorted({stop for own in by_length.values() for stop in own})
    chart = choose_chart(
        planned, camera, paper=place.paper, room_mm=place.room_mm, kind=place.chart, printed=place.printed
    )
    nearest_mm = lens.closest_mm or 0.0
    standings = tuple(
        stand(
            length_mm,
            max(chart.focal_lengths, nearest_mm / length_mm),
            camera=camera,
            printed=place.printed,
            f_numbers=stops,
        )
        for length_mm in by_length
    )
    return _Ground(chart=chart, standings=standings)


def _plan(
    lens: LensGear,
    camera: CameraGear,
    shots: Sequence[ShotToTake],
    *,
    place: Place,
    ground: _Ground,
    quick: bool,
) -> ShootPlan:
    chart, standings = ground.chart, ground.standings
    before_min = _QUICK_MIN if quick else _HANGING_MIN[chart.kind] + _STANDING_MIN * len(standings)
    focusings = {(shot.focal_length_mm, shot.focus_step) for shot in shots if shot.focus_step is not None}
    anew = len(focusings) + sum(shot.focus_step is None for shot in shots)
    shooting_s = _FOCUSING_S * anew + sum(shot.exposure_s + _TIMER_S for shot in shots)
    remarks = [*_gear_remarks(lens, camera), *_remarks(ground, place, quick=quick)]
    return ShootPlan(
        lens=lens,
        camera=camera,
        printed=place.printed,
        chart=chart,
        standings=standings,
        shots=tuple(shots),
        minutes=before_min + shooting_s / 60.0,
        quick=quick,
        remarks=tuple(remarks),
    )


def _gear_remarks(lens: LensGear, camera: CameraGear) -> Iterator[str]:
    """What a plan cannot know of fisheyes and phones."""
    words = words_of("capture")["remarks"]
    if lens.may_be_fisheye(camera):
        yield words["fisheye"]
    if lens.of_phone(camera):
        yield words["phone"]


def _remarks(ground: _Ground, place: Place, *, quick: bool) -> Iterator[str]:
    """What this plan cannot do."""
    words = words_of("capture")["remarks"]
    away = [standing.focal_lengths for standing in ground.standings]
    nearest, left = min(away), min(standing.print_mtf for standing in ground.standings)
    if nearest < CUSTOMARY_FOCAL_LENGTHS:
        further = words["near_sheet" if place.chart == "sheet" else "near_auto"]
        yield (words["near"] + further).format(nearest=nearest, room_m=place.room_mm / 1000.0)
    if max(away) > 1.05 * nearest:
        yield words["unlike"]
    if left < 0.7:
        yield words["print"].format(percent=100 * left)
    if quick and ground.chart.kind == "wall":
        yield words["hang_before"]


def counted_names(first: str, count: int) -> list[str]:
    """Names that a camera counts on from the first: four digits go from 9999 to 0001.

    Raises
    ------
    SettingError
        There is no number in the name.

    >>> counted_names("DSC09999.ARW", 2)
    ['DSC09999.ARW', 'DSC10000.ARW']
    """
    found = re.fullmatch(r"(.*?)(\d+)(\.[^.]*)?", first)
    if found is None:
        raise SettingError(f"first file '{first}': give a name with a number, such as DSC00417.ARW")
    head, digits, suffix = found[1], found[2], found[3] or ""
    most = 10 ** len(digits) - 1
    numbers = ((int(digits) + step - 1) % most + 1 for step in range(count))
    return [f"{head}{number:0{len(digits)}d}{suffix}" for number in numbers]


def table_shots(plan: ShootPlan, *, files: Sequence[str] = ()) -> list[TableRow]:
    """Rows of a plan, with the names of the files to come, in order; without names where they are not known yet.

    The steps of a focus bracket bear its group and their step, so that `sweep` fits the peak through them and does not
    take them for repeats.
    """
    return [
        replace(
            shot,
            file=name,
            lens=plan.lens.name or None,
            camera=plan.camera.name or None,
            condition=f"{QUICK_TEST}, {shot.condition}" if plan.quick else shot.condition,
        )
        for name, shot in zip(files or [""] * len(plan.shots), plan.shots, strict=True)
    ]


def table_text(rows: Iterable[TableRow]) -> bytes:
    """Shots table as CSV in UTF-8."""
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(TABLE_COLUMNS)
    writer.writerows([_cell(getattr(row, column)) for column in TABLE_COLUMNS] for row in rows)
    return text.getvalue().encode()


def _cell(value: str | float | None) -> str:
    match value:
        case None:
            return ""
        case bool():
            return "yes" if value else "no"
        case int() | float():
            return f"{value:.10g}"
    return name_in_tables(value)
