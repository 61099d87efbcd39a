"""What a comparison says and shows, ready for the page and for the PDF alike.

The table «which lens at which stop», for the page, the PDF and the command line.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

from lensbench.model.compare import ComparedLens, ComparedPair, CompareFindings, CompareRow, StopChoice
from lensbench.model.setting import Setting
from lensbench.model.shot import ZONES
from lensbench.report.draw.panels import Axis, Grid, Line, Panel, Point, value_axis
from lensbench.report.text.figures import (
    NOT_MEASURED,
    clean_line,
    comparison_answer,
    comparison_limits,
    f_stop,
    focal_length,
)
from lensbench.storage.text import clean_text

__all__ = ["CompareContent", "PairContent", "choice_grid", "choice_lines", "compare_content"]


_MOST_NAMED = 3


def choice_grid(comparison: CompareFindings, *, zones: tuple[str, ...] = ZONES) -> Grid | None:
    """Give one row for every focal length and stop, one column for each zone; None where nothing was photographed.

    Neighbouring stops at which only one lens was photographed share a row.
    """
    by_setting: dict[Setting, dict[str, StopChoice]] = {}
    for one in comparison.choices:
        setting = Setting(focal_length_mm=one.focal_length_mm, f_number=one.f_number)
        by_setting.setdefault(setting, {})[one.zone] = one
    if not by_setting:
        return None
    rows: list[tuple[_Span, tuple[str, ...]]] = []
    for setting in sorted(by_setting, key=lambda setting: setting.order):
        focal, stop, found = setting.focal_length_mm, setting.f_number, by_setting[setting]
        cells = tuple(_cell(found[zone], comparison) if zone in found else NOT_MEASURED for zone in zones)
        alone = all(len(one.photographed) == 1 for one in found.values())
        if rows and alone and rows[-1][0].goes_on(focal) and rows[-1][1] == cells:
            rows[-1] = (rows[-1][0].to(stop), cells)
        else:
            rows.append((_Span(focal_length_mm=focal, first=stop, last=stop, alone=alone), cells))
    return Grid(
        caption="The sharper lens; below it whether one could see it",
        header=("setting", *zones),
        rows=tuple((span.name, *cells) for span, cells in rows),
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class _Span:
    """Neighbouring stops at one focal length."""

    focal_length_mm: float | None
    first: float
    last: float
    alone: bool

    def goes_on(self, focal_length_mm: float | None) -> bool:
        return self.alone and focal_length(self.focal_length_mm) == focal_length(focal_length_mm)

    def to(self, stop: float) -> "_Span":
        return replace(self, last=stop)

    @property
    def name(self) -> str:
        stops = (
            f_stop(self.first) if self.first == self.last else f"{f_stop(self.first)} to {f_stop(self.last)}"
        )
        return f"{focal_length(self.focal_length_mm)}, {stops}"


def choice_lines(comparison: CompareFindings) -> list[str]:
    """Give the table for the whole frame as lines of text."""
    grid = choice_grid(comparison, zones=("frame",))
    if grid is None:
        return []
    rows = [(setting, *cell.split("\n")) for setting, cell in grid.rows]
    width = max(len(row[0]) for row in rows)
    lines = [f"  {row[0]:<{width}}  {', '.join(row[1:])}" for row in rows]
    return ["Which lens at which stop (whole frame):", *lines]


def _cell(choice: StopChoice, comparison: CompareFindings) -> str:
    names = [clean_text(label) for label in choice.lenses]
    if len(choice.photographed) == 1:
        return f"{names[0]}\nthe only one photographed"
    everybody = len(names) == len(choice.photographed)
    seen = _SEEN.get(choice.seen, "") if comparison.looked_at else ""
    if len(names) > 1 and choice.seen == "can't tell":
        seen = choice.seen
    return "\n".join(filter(None, (_named(names, everybody=everybody), seen)))


_SEEN = {
    "visible": "visibly",
    "none": "no difference you could see",
    "some": "visibly sharper than some",
    "can't tell": "can't tell whether visible",
}


def _named(names: Sequence[str], *, everybody: bool) -> str:
    if len(names) == 1:
        return names[0]
    if everybody:
        return "either" if names[2:] == [] else "any"
    return " or ".join(names[:_MOST_NAMED]) + (" or others" if len(names) > _MOST_NAMED else "")


_UNITS: Final = {"cypx": "cycles/pixel", "lpmm": "lp/mm on the sensor", "lwph": "LW/PH"}


@dataclass(frozen=True, slots=True, kw_only=True)
class PairContent:
    """All that a report says of two lenses."""

    title: str
    answer: str
    cautions: tuple[str, ...]
    panels: tuple[Panel, ...]
    grids: tuple[Grid, ...]
    """Every setting and zone, a table for each unit."""
    rest: tuple[str, ...] = ()
    """The answer's further sentences."""


@dataclass(frozen=True, slots=True, kw_only=True)
class CompareContent:
    """All that a report says of a comparison."""

    answer: tuple[str, ...]
    lenses: Grid
    choice: Grid | None
    """Which lens at which stop."""
    limits: tuple[str, ...]
    """What the comparison rests on, and what it must not be taken for."""
    pairs: tuple[PairContent, ...]
    version: str


def compare_content(comparison: CompareFindings) -> CompareContent:
    """Give everything that the reports of a comparison say."""
    pairs = tuple(_pair(pair, key=f"pair-{number}") for number, pair in enumerate(comparison.pairs, start=1))
    answer = comparison_answer(comparison) or ["Nothing could be compared."]
    return CompareContent(
        answer=tuple(answer if len(pairs) == 1 else answer[:1]),
        lenses=Grid(
            caption="The lenses compared",
            header=("lens", "camera", "photographs", "pixel pitch", "picture height"),
            rows=tuple(_lens_row(lens) for lens in comparison.lenses),
        ),
        choice=choice_grid(comparison),
        limits=tuple(comparison_limits(comparison)),
        pairs=pairs,
        version=comparison.version,
    )


def _lens_row(lens: ComparedLens) -> tuple[str, ...]:
    pitch = NOT_MEASURED if lens.pixel_pitch_um is None else f"{lens.pixel_pitch_um:.2f} µm"
    height = NOT_MEASURED if lens.picture_height_px is None else f"{lens.picture_height_px} px"
    return clean_text(lens.label), clean_text(lens.camera), str(lens.shots), pitch, height


def _pair(pair: ComparedPair, *, key: str) -> PairContent:
    focals = list(dict.fromkeys(focal_length(row.focal_length_mm) for row in pair.rows))
    panels: list[Panel] = []
    for number, focal in enumerate(focals, start=1):
        rows = [row for row in pair.rows if focal_length(row.focal_length_mm) == focal and row.f_number > 0.0]
        if rows:
            panels.append(_sharpness_panel(pair, rows, focal=focal, key=f"{key}-sharpness-{number}"))
            panels.append(_difference_panel(pair, rows, focal=focal, key=f"{key}-difference-{number}"))
    tables = [(pair.unit, pair.rows), ("lwph", pair.rows_lwph)]
    return PairContent(
        title=f"{clean_text(pair.first)} and {clean_text(pair.second)}",
        answer=clean_line(pair.sentences[0] if pair.sentences else pair.answer),
        rest=tuple(clean_line(one) for one in pair.sentences[1:]),
        cautions=tuple(clean_line(caution) for caution in pair.cautions),
        panels=tuple(panels),
        grids=tuple(_grid(pair, rows, unit=_UNITS.get(unit, unit)) for unit, rows in tables if rows),
    )


def _stops_axis(rows: list[CompareRow]) -> Axis:
    ticks = tuple((math.log2(stop), f_stop(stop)) for stop in sorted({row.f_number for row in rows}))
    return Axis(title="f-stop", low=ticks[0][0] - 0.45, high=ticks[-1][0] + 0.45, ticks=ticks)


def _sharpness_panel(pair: ComparedPair, rows: list[CompareRow], *, focal: str, key: str) -> Panel:
    frame = sorted((row for row in rows if row.zone == "frame"), key=lambda row: row.f_number)
    unit = _UNITS.get(pair.unit, pair.unit)
    lines = tuple(
        Line(
            name=clean_text(label),
            role=role,
            path=tuple((math.log2(row.f_number), getattr(row, role)) for row in frame),
            points=tuple(Point(place=math.log2(row.f_number), value=getattr(row, role)) for row in frame),
        )
        for role, label in (("first", pair.first), ("second", pair.second))
    )
    values = [value for row in frame for value in (row.first, row.second)]
    return Panel(
        key=key,
        title=f"{focal}: sharpness of the whole frame",
        about=f"MTF50 in {unit} at equal stops; higher is sharper.",
        across=_stops_axis(rows),
        up=value_axis(values, title=f"MTF50, {unit}"),
        up_right=None,
        lines=lines,
        grid=Grid(
            caption=f"MTF50 in {unit}, whole frame",
            header=("stop", clean_text(pair.first), clean_text(pair.second)),
            rows=tuple((f_stop(row.f_number), _figure(row.first), _figure(row.second)) for row in frame),
        ),
    )


def _difference_panel(pair: ComparedPair, rows: list[CompareRow], *, focal: str, key: str) -> Panel:
    second, first = clean_text(pair.second), clean_text(pair.first)
    extent = [value for row in rows for value in (row.difference_percent, *row.ci95_percent)]
    return Panel(
        key=key,
        title=f"{focal}: difference by zone",
        about=f"Above zero, {second} is sharper; below, {first}. "
        "Bars are 95 % intervals: one that reaches zero tells no difference.",
        level=0.0,
        across=_stops_axis(rows),
        up=value_axis([*extent, 0.0], title="difference in MTF50, %"),
        up_right=None,
        lines=tuple(line for zone in ZONES if (line := _difference_line(rows, zone)).points),
        grid=_difference_grid(rows),
    )


def _difference_line(rows: list[CompareRow], zone: str) -> Line:
    """Give one zone's differences, set a little aside so that the intervals don't hide each other."""
    aside = 0.07 * (ZONES.index(zone) - (len(ZONES) - 1) / 2.0)
    points = tuple(
        Point(
            place=math.log2(row.f_number) + aside,
            value=row.difference_percent,
            low=row.ci95_percent[0],
            high=row.ci95_percent[1],
        )
        for row in sorted(rows, key=lambda row: row.f_number)
        if row.zone == zone
    )
    return Line(name=zone, role=zone, path=tuple((p.place, p.value) for p in points), points=points)


def _difference_grid(rows: list[CompareRow]) -> Grid:
    stops = sorted({row.f_number for row in rows})
    cells = {(row.f_number, row.zone): _difference(row) for row in rows}
    return Grid(
        caption="Difference in percent, 95 % interval below",
        header=("stop", *ZONES),
        rows=tuple(
            (f_stop(stop), *(cells.get((stop, zone), NOT_MEASURED) for zone in ZONES)) for stop in stops
        ),
    )


def _shots(count: int) -> str:
    return f"{count} shot{'s' * (count != 1)}"


def _figure(value: float) -> str:
    if not math.isfinite(value):
        return NOT_MEASURED
    return f"{value:.3f}" if value < 2.0 else f"{value:.0f}"


def _difference(row: CompareRow) -> str:
    if not math.isfinite(row.difference_percent):
        return NOT_MEASURED
    low, high = row.ci95_percent
    interval = f"\n{low:+.1f} to {high:+.1f}" if math.isfinite(low) and math.isfinite(high) else ""
    return f"{row.difference_percent:+.1f}{interval}"


def _verdict(pair: ComparedPair, row: CompareRow) -> str:
    """Say what the figures tell, and below it what an eye would."""
    names = {"first": clean_text(pair.first), "second": clean_text(pair.second)}
    told = f"{names[row.verdict]} is sharper" if row.verdict in names else clean_text(row.verdict)
    if not math.isfinite(row.difference_jnd):
        return told
    seen = {"none": "no difference you could see", "can't tell": "can't tell whether one could see it"}
    return f"{told}\n{seen.get(row.seen) or names[row.seen] + ' better to the eye'}"


def _just_seen(row: CompareRow) -> str:
    """Give from which difference on one could see it, and how large it is on the ruler."""
    if not math.isfinite(row.difference_jnd):
        return NOT_MEASURED
    limit = f"{row.visible_from_percent:.0f} %" if math.isfinite(row.visible_from_percent) else "never"
    return f"{limit}\n{row.difference_jnd:+.1f} JND"


def _grid(pair: ComparedPair, rows: tuple[CompareRow, ...], *, unit: str) -> Grid:
    first, second = clean_text(pair.first), clean_text(pair.second)
    return Grid(
        caption=f"MTF50 in {unit}",
        header=("setting", "zone", first, second, "difference, %", "seen from", "verdict"),
        rows=tuple(
            (
                f"{focal_length(row.focal_length_mm)}, {f_stop(row.f_number)}",
                row.zone,
                f"{_figure(row.first)}\n{_shots(row.first_shots)}",
                f"{_figure(row.second)}\n{_shots(row.second_shots)}",
                _difference(row),
                _just_seen(row),
                _verdict(pair, row),
            )
            for row in rows
        ),
    )
