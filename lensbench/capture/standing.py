"""The gear, and where to stand with it before which chart: distances, the print's cost, how flat and square it must be.

Distances are counted from the chart to the sensor's mark, in metres and in focal lengths. Limits of the trade are
common practice, no source.
"""

from collections.abc import Sequence
from contextlib import suppress
from dataclasses import dataclass, replace
from functools import lru_cache, partial
from math import exp, hypot, inf, log, sqrt
from typing import Final

import numpy as np

from lensbench import optics
from lensbench.chart.layout import hanging, paper_named, sheet
from lensbench.model.errors import SettingError
from lensbench.model.units import FULL_FRAME_DIAGONAL_MM, nominal_f_number

_FULL_STOPS: Final = (0.7, 1.0, 1.4, 2.0, 2.8, 4.0, 5.6, 8.0, 11.0, 16.0, 22.0, 32.0, 45.0, 64.0)
_HALF_A_THIRD: Final = 1.12  # a full stop this near to the widest one is not shot beside it
_MARKS_MM: Final = (
    *(8, 10, 12, 14, 16, 18, 20, 24, 28, 35, 40, 50, 55, 70, 85, 100, 105, 120, 135, 150, 180, 200),
    *(250, 300, 400, 500, 600, 800),
)
"""Focal lengths engraved on zoom rings."""
CUSTOMARY_FOCAL_LENGTHS: Final = 25.0
"""Test charts are shot at 25 to 50 focal lengths."""
PREFERRED_FOCAL_LENGTHS: Final = 40.0
BEHIND_CAMERA_MM: Final = 600.0
"""Room for the tripod and for you."""
WALL_PAGES: Final = 13
"""Centre, four half-way out, four corners, four edges."""
_PRINT_LEAVES: Final = 0.9
"""Of the contrast at 0.25 cycles/pixel: less blur of the print need not be sought. Common practice, no source."""
_WALL_PAPERS: Final = ("A4", "A3", "Letter", "Tabloid")
_FURTHEST_WALL: Final = 120
_SHEET_PAPERS: Final = ("A4", "A3", "A2", "A1", "A0")
_REFERENCE_CYPX: Final = 0.25
_HELD_FLAT_MM: Final = 0.5
"""Paper on a rigid board, or taped to a wall, lies as flat by hand; common practice, no source."""
_HELD_SQUARE_DEG: Final = 0.2
"""A mirror on the chart shows the lens its own image as square; common practice, no source."""
_TOLERATED_PERCENT: Final = 1.0
_BRACKET_PERCENT: Final = 10.0
"""Of MTF50, that one step of a focus bracket costs a perfect lens at the stop in the middle of those bracketed: real
lenses lose less, and three steps still show their fall. Common practice, no source."""
_PHONE_CROP: Final = 3.5
_PHONE_MM: Final = 20.0  # sensors so small before so short a focal length are a phone's
_WIDE: Final = 1.4  # half diagonal over focal length: from here on (109 degrees) a lens may be a fisheye


@dataclass(frozen=True, slots=True, kw_only=True)
class LensGear:
    """A lens as its owner knows it."""

    name: str = ""
    focal_range_mm: tuple[float, float]
    widest_f_number: float
    """At the shortest focal length."""
    widest_at_long: float | None = None
    """At the longest, where the widest opening floats."""
    narrowest_f_number: float = 16.0
    closest_mm: float | None = None
    """Closest distance, from the subject to the sensor's mark, as engraved."""

    def __post_init__(self) -> None:
        short_mm, long_mm = self.focal_range_mm
        if not 0.0 < short_mm <= long_mm:
            raise SettingError(f"focal range {short_mm:g}-{long_mm:g} mm: give SHORT-LONG, both above 0")
        if self.widest_at_long is not None and not self.widest_f_number <= self.widest_at_long <= 128.0:
            raise SettingError(
                f"widest f/{self.widest_f_number:g}-{self.widest_at_long:g}: give the shortest focal length's first, "
                "such as 3.5-5.6"
            )
        if not 0.5 <= self.widest_f_number <= self.narrowest_f_number <= 128.0:
            raise SettingError(
                f"stops f/{self.widest_f_number:g} to f/{self.narrowest_f_number:g}: the widest must lie between 0.5 "
                "and the narrowest, and that below 128"
            )

    @property
    def zooms(self) -> bool:
        """Whether it has more than one focal length."""
        return self.focal_range_mm[1] > 1.03 * self.focal_range_mm[0]

    def widest_at(self, focal_mm: float) -> float:
        """Widest f-number at a focal length: between the ends in even ratios, as an engraved stop.

        >>> LensGear(focal_range_mm=(18, 55), widest_f_number=3.5, widest_at_long=5.6).widest_at(35)
        4.5
        """
        short_mm, long_mm = self.focal_range_mm
        if self.widest_at_long is None or not self.zooms:
            return self.widest_f_number
        share = min(max(log(focal_mm / short_mm) / log(long_mm / short_mm), 0.0), 1.0)
        stops = self.widest_f_number ** (1.0 - share) * self.widest_at_long**share
        return min(max(nominal_f_number(stops), self.widest_f_number), self.widest_at_long)

    def of_phone(self, camera: "CameraGear") -> bool:
        """Whether sensor and focal length are as small as a phone's."""
        small = 2.0 * camera.half_diagonal_mm < FULL_FRAME_DIAGONAL_MM / _PHONE_CROP
        return small and self.focal_range_mm[0] < _PHONE_MM

    def may_be_fisheye(self, camera: "CameraGear") -> bool:
        """Whether it calls itself one, or its shortest focal length is so short for the sensor."""
        called = "fisheye" in self.name.casefold().replace("-", "").replace(" ", "")
        return called or camera.half_diagonal_mm > _WIDE * self.focal_range_mm[0]


@dataclass(frozen=True, slots=True, kw_only=True)
class CameraGear:
    """A camera by its sensor."""

    name: str = ""
    pitch_um: float
    size_px: tuple[int, int]
    """(rows, columns)."""

    def __post_init__(self) -> None:
        if not 0.3 <= self.pitch_um <= 50.0:
            raise SettingError(f"pixel pitch {self.pitch_um:g} um: give 0.3 to 50")
        rows, cols = self.size_px
        if min(rows, cols) < 200 or max(rows, cols) > 40_000:
            raise SettingError(f"a sensor of {rows}x{cols} px: give ROWSxCOLS, 200 to 40000")

    @property
    def sensor_mm(self) -> tuple[float, float]:
        """(height, width) of the sensor."""
        rows, cols = self.size_px
        return rows * self.pitch_um / 1000.0, cols * self.pitch_um / 1000.0

    @property
    def half_diagonal_mm(self) -> float:
        """From the sensor's centre to its corner."""
        return hypot(*self.sensor_mm) / 2.0


def full_stops(lens: LensGear, focal_mm: float) -> tuple[float, ...]:
    """Widest stop at a focal length and the full stops beyond it, to the narrowest.

    >>> full_stops(LensGear(focal_range_mm=(50, 50), widest_f_number=1.8), 50)
    (1.8, 2.8, 4.0, 5.6, 8.0, 11.0, 16.0)
    """
    widest = lens.widest_at(focal_mm)
    least, most = _HALF_A_THIRD * widest, 1.02 * lens.narrowest_f_number
    return (widest, *(stop for stop in _FULL_STOPS if least < stop <= most))


def zoom_marks(lens: LensGear, *, most: int = 5) -> tuple[float, ...]:
    """Focal lengths to test: both ends, and between them engraved ones in even ratios.

    >>> zoom_marks(LensGear(focal_range_mm=(24, 70), widest_f_number=2.8))
    (24, 35, 50, 70)
    """
    short_mm, long_mm = lens.focal_range_mm
    if not lens.zooms:
        return (short_mm,)
    range_ = log(long_mm / short_mm)
    count = min(max(3, round(2.0 * range_ / log(2.0)) + 1), most)
    steps = [short_mm * exp(range_ * step / (count - 1)) for step in range(1, count - 1)]
    marks = [mark for mark in _MARKS_MM if 1.08 * short_mm < mark < long_mm / 1.08]
    inner = [min(marks or [round(step)], key=lambda mark: abs(log(mark / step))) for step in steps]
    return tuple(dict.fromkeys((short_mm, *inner, long_mm)))


@dataclass(frozen=True, slots=True, kw_only=True)
class PrintGear:
    """How sharply the chart is printed."""

    edge_mm: float = 0.1
    """10-90 % rise of a printed edge by the spread of ink or toner; a home printer's."""
    dots_per_inch: float = 600.0

    def __post_init__(self) -> None:
        if not (0.0 <= self.edge_mm <= 5.0 and 50.0 <= self.dots_per_inch <= 10_000.0):
            raise SettingError(
                f"a print of {self.dots_per_inch:g} dpi with edges of {self.edge_mm:g} mm: give 50 to 10000 dpi and "
                "0 to 5 mm"
            )

    @property
    def sigma_mm(self) -> float:
        """Of the printed edge: the ink's spread, and the even spread of a dot's width."""
        dot_mm = 25.4 / self.dots_per_inch
        return hypot(self.edge_mm / optics.RISE_10_90_SIGMAS, dot_mm / sqrt(12.0))


@dataclass(frozen=True, slots=True, kw_only=True)
class ChartChoice:
    """Which chart is photographed."""

    kind: str  # sheet or wall
    paper: str  # of the sheet, or of each page of the wall set
    pages: int
    frame_mm: tuple[float, float] | None = None
    """(height, width) that fills the picture; None for a wall set, which is hung to suit."""
    focal_lengths: float  # distance to stand at, in focal lengths
    from_shop: bool = False  # a sheet larger than the paper that was named

    def command(self, sensor_mm: tuple[float, float]) -> str:
        """Command that makes it, for a sensor (height, width)."""
        if self.kind == "wall":
            sensor = f"{max(sensor_mm):.4g}x{min(sensor_mm):.4g}"
            where = f"--sensor {sensor} --distance-f {self.focal_lengths:.4g}"
            return f"lensbench chart --wall {self.pages} --paper {self.paper} {where} --out wall.pdf"
        return f"lensbench chart --paper {self.paper} --out chart.pdf"


@dataclass(frozen=True, slots=True, kw_only=True)
class Standing:
    """Everything that follows from one focal length and one distance."""

    focal_length_mm: float
    magnification: float
    distance_mm: float
    field_mm: tuple[float, float]  # (height, width) that the picture shows
    print_mtf: float  # what the print alone leaves at 0.25 cycles/pixel
    flat_mm: dict[float, float]
    """By f-number: how far off its plane the chart may be for 1 % of MTF50, of a perfect lens on this sensor."""
    square_deg: dict[float, float]
    """By f-number: how far off square the camera may stand for 1 % of the corner's MTF50."""
    bracket_mm: dict[float, float]
    """By f-number: the step of a focus bracket, at the chart, that costs 10 % of MTF50."""

    @property
    def focal_lengths(self) -> float:
        """Distance over focal length."""
        return self.distance_mm / self.focal_length_mm

    def held_by_hand(self, f_number: float) -> bool:
        """Whether chart and camera can be set by hand as well as a stop asks for."""
        return self.flat_mm[f_number] >= _HELD_FLAT_MM and self.square_deg[f_number] >= _HELD_SQUARE_DEG


def stand(
    focal_length_mm: float,
    focal_lengths: float,
    *,
    camera: CameraGear,
    printed: PrintGear,
    f_numbers: Sequence[float],
) -> Standing:
    """Everything that follows from standing so many focal lengths away; the formulas stand in `optics`."""
    distance_mm = focal_lengths * focal_length_mm
    m = optics.magnification_at_chart_distance(focal_length_mm=focal_length_mm, chart_distance_mm=distance_mm)
    sigma_px = optics.print_blur_px(printed.sigma_mm, magnification=m, pixel_pitch_um=camera.pitch_um)
    tilt_deg = partial(optics.tilt_deg_for_focus_shift, camera.half_diagonal_mm, magnification=m)
    shifts_um = {
        percent: {
            n: _focus_shift_um(n, percent, magnification=m, pitch_um=camera.pitch_um) for n in f_numbers
        }
        for percent in (_TOLERATED_PERCENT, _BRACKET_PERCENT)
    }
    depths_mm = {
        percent: {n: optics.chart_depth_mm(shift, magnification=m) for n, shift in by_stop.items()}
        for percent, by_stop in shifts_um.items()
    }
    height_mm, width_mm = camera.sensor_mm
    return Standing(
        focal_length_mm=focal_length_mm,
        magnification=m,
        distance_mm=distance_mm,
        field_mm=(height_mm / m, width_mm / m),
        print_mtf=float(optics.gaussian_mtf(np.array([_REFERENCE_CYPX]), sigma_px)[0]),
        flat_mm=depths_mm[_TOLERATED_PERCENT],
        square_deg={n: tilt_deg(focus_shift_um=shift) for n, shift in shifts_um[_TOLERATED_PERCENT].items()},
        bracket_mm=depths_mm[_BRACKET_PERCENT],
    )


@lru_cache(maxsize=256)
def _focus_shift_um(f_number: float, percent: float, *, magnification: float, pitch_um: float) -> float:
    """Focus shift at the sensor that costs a perfect lens on these pixels so much of its MTF50."""
    q = optics.working_q(f_number, magnification=magnification, pixel_pitch_um=pitch_um)
    disc_um = optics.LensBlur(q=q).disc_px_for(1.0 - percent / 100.0) * pitch_um
    return disc_um * optics.working_f_number(f_number, magnification=magnification)


def choose_chart(
    lens: LensGear,
    camera: CameraGear,
    *,
    paper: str,
    room_mm: float,
    kind: str = "auto",
    printed: PrintGear | None = None,
) -> ChartChoice:
    """The chart and the distance in focal lengths, the same for all focal lengths of a zoom.

    Of kind `auto` a wall set where the room, measured from the chart's wall to the wall behind you, holds it at 25
    focal lengths or more; else the sheet that stands at 40 and whose print, if known, blurs little, or the largest that
    the room holds. Or a `sheet` of this paper, or a `wall` set;
    `paper` is the largest that the printer takes. A SettingError where the room is too short.
    """
    reach = (room_mm - BEHIND_CAMERA_MM) / lens.focal_range_mm[1]
    nearest = (lens.closest_mm or 0.0) / lens.focal_range_mm[0]
    wall_paper = paper_named(paper).name
    if kind == "wall" and wall_paper not in _WALL_PAPERS:
        raise SettingError(f"a wall set is printed on {', '.join(_WALL_PAPERS)}, not on {wall_paper}")
    if kind in {"auto", "wall"} and wall_paper in _WALL_PAPERS:
        least = max(CUSTOMARY_FOCAL_LENGTHS, nearest, _least_for_wall(camera.sensor_mm, wall_paper))
        if least <= reach:
            away = min(max(PREFERRED_FOCAL_LENGTHS, least), reach)
            return ChartChoice(kind="wall", paper=wall_paper, pages=WALL_PAGES, focal_lengths=away)
        if kind == "wall":
            room_m = (least * lens.focal_range_mm[1] + BEHIND_CAMERA_MM) / 1000.0
            raise SettingError(
                f"a wall set on {paper} wants {least:.0f} focal lengths, that is a room of {room_m:.1f} m for "
                f"{lens.focal_range_mm[1]:g} mm; yours has {room_mm / 1000.0:.1f} m: smaller pages, shorter "
                "focal lengths (--focal-lengths), or --chart sheet"
            )
    choices = _sheets(camera, paper=paper, only=kind == "sheet")
    fitting = [choice for choice in choices if choice.focal_lengths <= reach or kind == "sheet"]
    if not fitting:
        raise SettingError(
            f"a sheet {paper} fills the picture at {choices[0].focal_lengths:.1f} focal lengths, and this room allows "
            f"{max(reach, 0.0):.1f} at the longest: take smaller paper, or shorter focal lengths (--focal-lengths)"
        )
    # Where none can be focused on, the shortest focal lengths stand further away than the frame asks.
    able = [choice for choice in fitting if choice.focal_lengths >= nearest] or fitting[-1:]
    enough = (choice for choice in able if _is_enough(choice, camera, printed or PrintGear()))
    best = next(enough, able[-1])
    return replace(best, from_shop=best.paper != paper)


@lru_cache(maxsize=16)
def _least_for_wall(sensor_mm: tuple[float, float], paper: str) -> float:
    """How many focal lengths away the pages of a wall set hang clear of each other; infinite if nowhere."""
    lying_mm = (min(sensor_mm), max(sensor_mm))
    for focal_lengths in np.arange(CUSTOMARY_FOCAL_LENGTHS, _FURTHEST_WALL, 5.0).tolist():
        with suppress(SettingError):
            hanging(WALL_PAGES, paper=paper, sensor_mm=lying_mm, focal_lengths=focal_lengths)
            return float(focal_lengths)
    return inf


def _sheets(camera: CameraGear, *, paper: str, only: bool) -> list[ChartChoice]:
    """The sheet of a paper, and unless only that is asked for, the larger ones."""
    larger = [name for name in _SHEET_PAPERS if paper_named(name).size_mm[1] > paper_named(paper).size_mm[1]]
    return [_sheet_choice(name, camera) for name in ([paper] if only else [paper, *larger])]


def _is_enough(choice: ChartChoice, camera: CameraGear, printed: PrintGear) -> bool:
    """Whether a sheet stands far enough away, and its print blurs little there: a larger one would gain nothing."""
    m = optics.magnification_at_chart_distance(focal_length_mm=1.0, chart_distance_mm=choice.focal_lengths)
    sigma_px = optics.print_blur_px(printed.sigma_mm, magnification=m, pixel_pitch_um=camera.pitch_um)
    left = float(optics.gaussian_mtf(np.array([_REFERENCE_CYPX]), sigma_px)[0])
    return choice.focal_lengths >= PREFERRED_FOCAL_LENGTHS and left >= _PRINT_LEAVES


def _sheet_choice(paper: str, camera: CameraGear) -> ChartChoice:
    short_mm, long_mm = sorted(camera.sensor_mm)
    frame_mm = sheet(paper).frame_mm(long_mm / short_mm)
    m = min(short_mm / frame_mm[0], long_mm / frame_mm[1])
    focal_lengths = optics.chart_distance_mm(focal_length_mm=1.0, magnification=m)
    return ChartChoice(kind="sheet", paper=paper, pages=1, frame_mm=frame_mm, focal_lengths=focal_lengths)
