"""Strips: sharpness over the stops, one strip a focal length, all on one scale in percent that begins at zero.

Data alone; `strips_figure` draws them. A strip holds one line, the whole frame of a lens (and for the page's switch
each third), or two lines, with the difference in a lane of its own below.
"""

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Final

from lensbench.model.setting import f_stop, focal_length
from lensbench.model.shot import ZONES
from lensbench.model.sweep import INDIFFERENCE, CurvePoint, FocalLengthFindings, LensFindings
from lensbench.model.units import lpmm_from_cypx, lwph_from_cypx
from lensbench.optics import allowed_mtf50_cypx, working_q
from lensbench.report.draw.panels import Axis
from lensbench.report.text.words import NOT_TOLD_APART, Grid, full_scale, known, percent_share, stop_range

_MARGIN: Final = 0.22  # beyond the first and the last stop, on an axis where a stop is 0.5
_ALLOWED_STEPS: Final = 24
_HIGHEST_PERCENT: Final = 200.0
THIRD_NAMES: Final = {
    "frame": "whole frame",
    "inner": "inner third",
    "middle": "middle third",
    "outer": "outer third",
}

Path = tuple[tuple[float, float], ...]
"""(place, percent)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class StripLine:
    """One line of a strip. Places are those of the axis across, values percent of the scale."""

    name: str
    role: str  # key of the palette: frame, a third, first, second
    path: Path
    shots: Path = ()  # a dot each
    ribbon: tuple[tuple[float, float, float], ...] = ()
    """(place, low, high): from the outer to the inner third."""
    best: tuple[float, float] | None = None  # where the ring stands
    best_percent: float = math.nan
    """What is written beside the ring where figures are in percent; in other units its own height is."""
    as_good: tuple[float, ...] = ()
    """Places with a solid bar below: the best itself, and what is surely as good."""
    untold: tuple[float, ...] = ()  # places with a hollow bar: what can't be told from the best
    third: str = "frame"  # which switch of the page shows it; files show the whole frame only


@dataclass(frozen=True, slots=True, kw_only=True)
class StripDifference:
    """How far the second line lies above the first at one place."""

    place: float
    percent: float
    low: float = math.nan
    high: float = math.nan
    visible_from_percent: float = math.nan  # from which size on one could see it; NaN draws none


@dataclass(frozen=True, slots=True, kw_only=True)
class Strip:
    """One focal length, or one pair at one focal length."""

    name: str  # stands at the left; may be empty where there is one strip
    lines: tuple[StripLine, ...]
    allowed: Path = ()  # what diffraction and pixel allow: dotted
    differences: tuple[StripDifference, ...] = ()  # of two lines; empty leaves the lane out


@dataclass(frozen=True, slots=True, kw_only=True)
class StripScale:
    """One unit that the labels can be read in; the first of several is shown at first, the others by the switch."""

    key: str  # percent, lpmm, lwph or cypx
    legend: str
    per_percent: float
    decimals: int
    sign: str = ""

    def label(self, percent: float) -> str:
        """A percentage of the scale in this unit."""
        return f"{self.bare(percent)}{self.sign}"

    def bare(self, percent: float) -> str:
        """The same without the sign of its unit."""
        return f"{percent * self.per_percent:.{self.decimals}f}"


def shown_units(scales: Sequence[StripScale], *, on_page: bool) -> list[tuple[StripScale, str]]:
    """Units that figures are written in, and the further classes by which the page's switch shows one of them."""
    return [(scale, f" u u-{scale.key}") for scale in scales] if on_page else [(scales[0], "")]


@dataclass(frozen=True, slots=True, kw_only=True)
class Strips:
    """Strips of one lens, or of two that are compared, one below the other."""

    key: str
    """Stem of the file and anchor in the page: letters, digits and hyphens."""
    title: str
    about: str
    """What is to be seen, for those who don't see it."""
    across: Axis
    strips: tuple[Strip, ...]
    scales: tuple[StripScale, ...]
    grid: Grid
    equal_percent: float = 100.0 * INDIFFERENCE
    """Half the band of differences that count as equal."""
    every_name: bool = False
    """Whether every place across keeps its name, on a second row where the first has no room."""
    good_words: str = "as good"
    """What a solid bar says."""

    @property
    def top_percent(self) -> float:
        """Upper end of the scale: above every line, ribbon and shot. What is allowed may leave it."""
        highest = 105.0
        for line in (line for strip in self.strips for line in strip.lines):
            values = [percent for _, percent in (*line.path, *line.shots)]
            highest = max([highest, *values, *(high for *_, high in line.ribbon)])
        return min(1.05 * highest, _HIGHEST_PERCENT)


def lens_strips(lens: LensFindings, *, key: str) -> Strips | None:
    """Strips of a lens, one a focal length; None where no stop is known or nothing was measured."""
    scale, focals = full_scale(lens), _with_stops(lens)
    if scale is None:
        return None
    third, full_cypx = scale
    thirds = [zone for zone in ("frame", *ZONES[:3]) if third in {"frame", zone}]
    strips = tuple(
        Strip(
            name=focal_length(focal.focal_length_mm) if len(focals) > 1 or focal.focal_length_mm else "",
            lines=tuple(_line(lens, focal, zone, full_cypx) for zone in thirds if _points(focal, zone)),
            allowed=_allowed(lens, focal, full_cypx),
        )
        for focal in focals
    )
    return Strips(
        key=key,
        title=f"Sharpness of the {THIRD_NAMES[third]} over the stops",
        about=" ".join(_in_words(focal) for focal in focals),
        across=stops_axis(point for focal in focals for point in focal.curve),
        strips=strips,
        scales=scales_of(full_cypx, lens, THIRD_NAMES[third]),
        grid=_figures(lens, focals, third, full_cypx),
    )


def _with_stops(lens: LensFindings) -> list[FocalLengthFindings]:
    return [focal for focal in lens.by_focal_length if any(point.f_number > 0.0 for point in focal.curve)]


def stops_axis(points: Iterable[CurvePoint]) -> Axis:
    """Axis of the stops at their true distances, by the exact f-numbers."""
    places = {point.f_number: place_of(point) for point in points if point.f_number > 0.0}
    ticks = [(places[stop], f_stop(stop)) for stop in sorted(places)]
    return Axis.around("f-stop", ticks, margin=_MARGIN)


def place_of(point: CurvePoint) -> float:
    """Place of a stop on the axis: its exact f-number's logarithm to the base of 2, so that a stop is 0.5."""
    return math.log2(point.exact_f_number if point.exact_f_number > 0.0 else point.f_number)


def scales_of(full_cypx: float, lens: LensFindings, name: str) -> tuple[StripScale, ...]:
    """Percent first, then the units that are known; `full_cypx`, the best of the third of this `name`, is 100 %."""
    units = [StripScale(key="cypx", legend="cycles/pixel", per_percent=full_cypx / 100.0, decimals=3)]
    if lens.picture_height_px is not None:
        per_percent = lwph_from_cypx(full_cypx, lens.picture_height_px) / 100.0
        legend = "LW/PH: line widths per picture height"
        units.insert(0, StripScale(key="lwph", legend=legend, per_percent=per_percent, decimals=0))
    meaning = f"{full_cypx:.3f} cycles/pixel"
    if lens.pixel_pitch_um is not None:
        per_percent = lpmm_from_cypx(full_cypx, lens.pixel_pitch_um) / 100.0
        legend = "lp/mm on the sensor"
        units.insert(0, StripScale(key="lpmm", legend=legend, per_percent=per_percent, decimals=0))
        meaning = f"{100.0 * per_percent:.0f} lp/mm"
    percent = StripScale(
        key="percent", legend=f"100 % = best {name} ({meaning})", per_percent=1.0, decimals=0, sign=" %"
    )
    return (percent, *units)


def _points(focal: FocalLengthFindings, zone: str) -> list[CurvePoint]:
    found = [point for point in focal.curve if point.zone == zone and point.f_number > 0.0]
    return sorted(found, key=lambda point: point.f_number)


def _line(lens: LensFindings, focal: FocalLengthFindings, zone: str, full_cypx: float) -> StripLine:
    points, to_percent = _points(focal, zone), 100.0 / full_cypx
    places = {point.f_number: place_of(point) for point in points}
    best_stop, good, tied = _best_stops(focal, zone)
    if len(points) == 1:  # nothing to choose from
        good, tied = [], []
    best = next((point for point in points if point.f_number == best_stop), None)
    spot = None if best is None else (places[best_stop], to_percent * best.mtf50_cypx)
    share = percent_share(lens, focal, full_cypx) if zone == "frame" else 1.0
    return StripLine(
        name=THIRD_NAMES[zone],
        role=zone,
        path=tuple(_percent_path(focal, zone, to_percent).items()),
        shots=tuple(
            (places[point.f_number], to_percent * value)
            for point in points
            for value in point.shot_mtf50_cypx or (point.measured_cypx,)
            if math.isfinite(value)
        ),
        ribbon=_ribbon(focal, to_percent) if zone == "frame" else (),
        best=spot,
        best_percent=math.nan if spot is None else spot[1] * share,
        as_good=tuple(places[stop] for stop in good if stop in places),
        untold=tuple(places[stop] for stop in tied if stop in places),
        third=zone,
    )


def _best_stops(focal: FocalLengthFindings, zone: str) -> tuple[float, list[float], list[float]]:
    """Best stop, those with a solid bar (itself among them, where a winner is claimed), those with a hollow one."""
    best = focal.best_by_zone.get(zone)
    claimed = best is None or best.claimed
    if zone == "frame":
        stop, good, tied = focal.best_f_number, [*focal.as_good_f_numbers], [*focal.tied_f_numbers]
    elif best is None:
        return math.nan, [], []
    else:
        stop = best.f_number
        good, tied = ([setting.f_number for setting in group] for group in (best.as_good, best.tied))
    solid = {*good, stop} if claimed else set(good)
    return stop, sorted(solid), sorted({*tied, stop} - solid)


def _percent_path(focal: FocalLengthFindings, zone: str, to_percent: float) -> dict[float, float]:
    """The smooth curve where it holds, else from stop to stop."""
    smooth = focal.smooth.get(zone)
    if smooth is not None and smooth.fits:
        pairs = zip(smooth.f_number.tolist(), smooth.mtf50_cypx.tolist(), strict=True)
        return {math.log2(f_number): to_percent * value for f_number, value in pairs if math.isfinite(value)}
    points = _points(focal, zone)
    return {place_of(point): to_percent * point.mtf50_cypx for point in points}


def _ribbon(focal: FocalLengthFindings, to_percent: float) -> tuple[tuple[float, float, float], ...]:
    inner, outer = (_percent_path(focal, zone, to_percent) for zone in ("inner", "outer"))
    if set(inner) != set(outer):  # one of them smooth only: from stop to stop
        inner, outer = (
            {place_of(point): to_percent * point.mtf50_cypx for point in _points(focal, zone)}
            for zone in ("inner", "outer")
        )
    shared = sorted(set(inner) & set(outer))
    pairs = {place: (inner[place], outer[place]) for place in shared}
    return tuple((place, min(pair), max(pair)) for place, pair in pairs.items())


def _allowed(lens: LensFindings, focal: FocalLengthFindings, full_cypx: float) -> Path:
    """What a perfect lens would reach on this sensor; nothing for finished pictures, whose edges are sharpened."""
    pitch_um, raw = lens.pixel_pitch_um, lens.basis is not None and lens.basis.sensor_data
    places = [place_of(point) for point in focal.curve if point.f_number > 0.0]
    if pitch_um is None or not raw or len(set(places)) < 2:
        return ()
    first, step = min(places), (max(places) - min(places)) / _ALLOWED_STEPS
    path = []
    for place in (first + number * step for number in range(_ALLOWED_STEPS + 1)):
        q = working_q(2.0**place, pixel_pitch_um=pitch_um, magnification=focal.magnification)
        path.append((place, 100.0 * allowed_mtf50_cypx(q) / full_cypx))
    return tuple(path)


def _in_words(focal: FocalLengthFindings) -> str:
    """«35 mm: best at f/5.6; f/4 as good; f/8 can't be told apart.»."""
    name = f"{focal_length(focal.focal_length_mm)}: " if focal.focal_length_mm else ""
    if not focal.best_f_number > 0.0:
        return f"{name}no stop could be named the sharpest."
    _, solid, hollow = _best_stops(focal, "frame")
    tested = sorted({point.f_number for point in focal.curve})
    good, doubtful = ([stop for stop in stops if stop != focal.best_f_number] for stops in (solid, hollow))
    parts = [f"best at {f_stop(focal.best_f_number)}"]
    parts += [f"{stop_range(good, tested)} as good"] if good else []
    parts += [f"{stop_range(doubtful, tested)} {NOT_TOLD_APART}"] if doubtful else []
    return f"{name}{'; '.join(parts)}."


def _figures(lens: LensFindings, focals: Sequence[FocalLengthFindings], third: str, full_cypx: float) -> Grid:
    """Row a stop, column a focal length: percent of the sharpest."""
    shares = [percent_share(lens, focal, full_cypx) if third == "frame" else 1.0 for focal in focals]
    columns = [
        {point.f_number: 100.0 * share * point.mtf50_cypx / full_cypx for point in _points(focal, third)}
        for focal, share in zip(focals, shares, strict=True)
    ]
    rows = [
        (f_stop(stop), *(known(column.get(stop, math.nan), ".0f", " %") for column in columns))
        for stop in sorted({stop for column in columns for stop in column})
    ]
    return Grid(
        caption=f"Sharpness of the {THIRD_NAMES[third]} in percent of its best",
        header=("stop", *(focal_length(focal.focal_length_mm) for focal in focals)),
        rows=tuple(rows),
    )
