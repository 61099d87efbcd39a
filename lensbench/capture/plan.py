"""The plan of a shoot: which chart, where to stand, every shot in order, and how long it takes.

Exposure times keep the light on the sensor the same at every stop.
"""

import re
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from math import isfinite
from typing import Final

from lensbench.capture.gear import CameraGear, LensGear, exact_f_number, full_stops, zoom_marks
from lensbench.capture.standing import ChartChoice, PrintGear, Standing, choose_chart, stand
from lensbench.model.errors import SettingError
from lensbench.model.setting import f_stop, focal_length
from lensbench.model.shot import Turned


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
        """Read «1/30@5.6» or «0.5@8».

        Raises
        ------
        SettingError
            It is written otherwise.
        """
        found = re.fullmatch(
            r"\s*(?:(\d+)\s*/\s*)?(\d+(?:\.\d+)?)\s*s?\s*@\s*(?:f/)?(\d+(?:\.\d+)?)\s*", text
        )
        if found is None or float(found[2]) == 0.0:
            raise SettingError(f"exposure '{text}': write TIME@STOP, such as 1/30@5.6")
        upper = float(found[1]) if found[1] else None
        seconds = float(found[2]) if upper is None else upper / float(found[2])
        return cls(seconds=seconds, f_number=float(found[3]))

    def seconds_at(self, f_number: float) -> float:
        """Time for the same light at another engraved stop: t (N / N0)^2, by the exact f-numbers.

        >>> Exposure(seconds=1 / 32, f_number=5.6).seconds_at(16)
        0.25
        """
        ratio = exact_f_number(f_number) / exact_f_number(self.f_number)
        return round(self.seconds * ratio**2, 9)


def in_thirds(stops: float) -> int:
    """Round a number of stops to thirds, as cameras are set; never to nothing."""
    return max(1, round(3.0 * abs(stops)))


def thirds_in_words(thirds: int) -> str:
    """Say a number of thirds of a stop as a photographer does.

    >>> thirds_in_words(2), thirds_in_words(3), thirds_in_words(7)
    ('two thirds of a stop', 'one stop', '2 1/3 stops')
    """
    whole, rest = divmod(thirds, 3)
    if whole == 0:
        return ("", "a third of a stop", "two thirds of a stop")[rest]
    if rest == 0:
        return "one stop" if whole == 1 else f"{whole} stops"
    return f"{whole} {rest}/3 stops"


MOST_QUICK_SHOTS: Final = 12
QUICK_STOP: Final = 8.0
TURNED: Final = {"sheet": Turned.CHART, "wall": Turned.CAMERA}
"""What is turned for the second half of a quick test, by the kind of chart."""
_BRACKET_STEPS: Final = (-2, -1, 0, 1, 2)
_BRACKET_UNTIL: Final = 2.9
"""Widest stops up to this one get a focus bracket: beyond, refocusing is sure enough. Common practice, no source."""

# How long things take; common practice, no source.
_HANGING_MIN: Final = {"sheet": 20.0, "wall": 45.0}
_STANDING_MIN: Final = 8.0
_FOCUSING_S: Final = 15.0
_TIMER_S: Final = 10.0
_QUICK_MIN: Final = 4.0


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
class ShotToTake:
    """One press of the button."""

    focal_length_mm: float
    f_number: float
    exposure_s: float
    focus_group: str = ""
    focus_step: int | None = None
    """Of a focus bracket: 0 in focus, negative nearer, positive further."""
    condition: str = ""
    turned: Turned | None = None
    file: str = ""


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
    iso: int
    quick: bool
    remarks: tuple[str, ...]

    @property
    def f_numbers(self) -> tuple[float, ...]:
        """The stops, widest first."""
        return tuple(sorted({shot.f_number for shot in self.shots}))

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
) -> ShootPlan:
    """Plan a whole test: every stop at every focal length, focused anew each time, a bracket at wide stops.

    Raises
    ------
    SettingError
        The lens has no such stop or focal length, or the room is too short.
    """
    stops = _checked_stops(lens, stops) or full_stops(lens)
    lengths = _checked_lengths(lens, focal_lengths_mm) or zoom_marks(lens)
    chart = _chart_for(lens, camera, place=place, lengths_mm=lengths, kind=place.chart)
    shots = [
        shot
        for focal_length_mm in lengths
        for f_number in stops
        for shot in _at_setting(focal_length_mm, f_number, place.exposure, repeats=repeats)
    ]
    return _plan(lens, camera, place=place, chart=chart, lengths=lengths, shots=shots)


def quick_plan(
    lens: LensGear, camera: CameraGear, *, place: Place, focal_lengths_mm: Sequence[float] = ()
) -> ShootPlan:
    """Plan the ten-minute test of a used lens: widest stop and f/8, the sheet upright and turned by 180 degrees.

    At most 12 shots; of a zoom the shortest, a middle and the longest focal length. A wall set cannot be turned:
    where it is asked for, the camera is turned instead.

    Raises
    ------
    SettingError
        As for `make_plan`.
    """
    lengths = _checked_lengths(lens, focal_lengths_mm) or zoom_marks(lens, most=3)
    stops = sorted({lens.widest_f_number, max(QUICK_STOP, lens.widest_f_number)})
    repeats = MOST_QUICK_SHOTS // (2 * len(lengths) * len(stops))
    if repeats == 0:
        raise SettingError(
            f"{len(lengths)} focal lengths are too many for the quick test: name three at most"
        )
    kind = "wall" if place.chart == "wall" else "sheet"
    chart = _chart_for(lens, camera, place=place, lengths_mm=lengths, kind=kind)
    shots = [
        ShotToTake(
            focal_length_mm=focal_length_mm,
            f_number=f_number,
            exposure_s=place.exposure.seconds_at(f_number),
            condition=f"{turned} turned 180" if turned else "upright",
            turned=turned,
        )
        for turned in (None, TURNED[chart.kind])
        for focal_length_mm in lengths
        for f_number in stops
        for _ in range(min(repeats, 3))
    ]
    plan = _plan(lens, camera, place=place, chart=chart, lengths=lengths, shots=shots)
    seconds = sum(shot.exposure_s + _FOCUSING_S + _TIMER_S for shot in shots)
    hung = "The time is that of the shots: hang the wall set before, which takes about three quarters of an hour."
    remarks = (*plan.remarks, hung) if chart.kind == "wall" else plan.remarks
    return replace(plan, quick=True, minutes=_QUICK_MIN + seconds / 60.0, remarks=remarks)


def _chart_for(
    lens: LensGear, camera: CameraGear, *, place: Place, lengths_mm: Sequence[float], kind: str
) -> ChartChoice:
    """Chart for the planned focal lengths only: the room must hold the longest of these."""
    planned = replace(lens, focal_range_mm=(min(lengths_mm), max(lengths_mm)))
    return choose_chart(planned, camera, paper=place.paper, room_mm=place.room_mm, kind=kind)


def _checked_stops(lens: LensGear, stops: Sequence[float]) -> tuple[float, ...]:
    for stop in stops:
        if stop < 0.98 * lens.widest_f_number:
            raise SettingError(f"{f_stop(stop)}: the lens opens to {f_stop(lens.widest_f_number)}")
    return tuple(sorted(set(stops)))


def _checked_lengths(lens: LensGear, lengths_mm: Sequence[float]) -> tuple[float, ...]:
    short_mm, long_mm = lens.focal_range_mm
    for length_mm in lengths_mm:
        if not 0.97 * short_mm <= length_mm <= 1.03 * long_mm:
            raise SettingError(f"{length_mm:g} mm: the lens reaches from {short_mm:g} to {long_mm:g} mm")
    return tuple(sorted(set(lengths_mm)))


def _at_setting(
    focal_length_mm: float, f_number: float, exposure: Exposure, *, repeats: int
) -> list[ShotToTake]:
    time_s = exposure.seconds_at(f_number)
    shot = ShotToTake(focal_length_mm=focal_length_mm, f_number=f_number, exposure_s=time_s)
    shots = [shot] * repeats
    if f_number <= _BRACKET_UNTIL:
        group = f"bracket {focal_length(focal_length_mm)} {f_stop(f_number)}"
        shots += [replace(shot, focus_group=group, focus_step=step) for step in _BRACKET_STEPS]
    return shots


def _plan(
    lens: LensGear,
    camera: CameraGear,
    *,
    place: Place,
    chart: ChartChoice,
    lengths: Sequence[float],
    shots: Sequence[ShotToTake],
) -> ShootPlan:
    stops = sorted({shot.f_number for shot in shots})
    standings = tuple(
        stand(
            length_mm,
            max(chart.focal_lengths, (lens.closest_mm or 0.0) / length_mm),
            camera=camera,
            printed=place.printed,
            f_numbers=stops,
        )
        for length_mm in lengths
    )
    seconds = sum(shot.exposure_s + _FOCUSING_S + _TIMER_S for shot in shots)
    return ShootPlan(
        lens=lens,
        camera=camera,
        printed=place.printed,
        chart=chart,
        standings=standings,
        shots=tuple(shots),
        minutes=_HANGING_MIN[chart.kind] + _STANDING_MIN * len(lengths) + seconds / 60.0,
        iso=100,
        quick=False,
        remarks=tuple(_remarks(standings, room_mm=place.room_mm)),
    )


def _remarks(standings: Sequence[Standing], *, room_mm: float) -> list[str]:
    """Say what this plan cannot do."""
    remarks = []
    nearest = min(standing.focal_lengths for standing in standings)
    furthest = max(standing.focal_lengths for standing in standings)
    if nearest < 25.0:
        remarks.append(
            f"At {nearest:.0f} focal lengths the figures hold for near subjects; 25 to 50 are customary. A "
            f"wall set, a larger sheet or a room longer than {room_mm / 1000.0:.1f} m brings you there."
        )
    if furthest > 1.05 * nearest:
        remarks.append(
            "The lens does not focus near enough to frame the chart alike at every focal length: zoom positions "
            "then compare only with the print divided out (--print-profile)."
        )
    worst = min(standing.print_mtf for standing in standings)
    if worst < 0.7:
        remarks.append(
            f"A typical print leaves {100 * worst:.0f} % of the contrast at 0.25 cycles/pixel here: it still ranks "
            "stops, but hides how sharp the lens is. Measure the print (how-to: print) or stand further away."
        )
    return remarks
