"""Panels of a comparison, and the panel of differences by zone that an effect shows too."""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from lensbench.model.compare import ComparedPair, CompareRow
from lensbench.model.setting import f_stop, focal_length
from lensbench.model.shot import ZONES
from lensbench.report.draw.panels import Axis, Grid, Line, Panel, Point, value_axis
from lensbench.report.text.words import NOT_MEASURED
from lensbench.storage.text import clean_text

UNITS: Final = {"cypx": "cycles/pixel", "lpmm": "lp/mm on the sensor", "lwph": "LW/PH"}
_ASIDE: Final = 0.08
"""Zones are set so far aside, in stops or levels, that their intervals don't hide each other."""
_NO_DIFFERENCE: Final = "Bars are 95 % intervals: one that reaches zero tells no difference."


@dataclass(frozen=True, slots=True, kw_only=True)
class Difference:
    """One difference in percent."""

    place: float
    """On the axis across."""
    zone: str
    percent: float
    ci95: tuple[float, float]


def pair_panels(pair: ComparedPair, *, key: str) -> tuple[Panel, ...]:
    """Two panels for every focal length: both lenses, whole frame; and their difference by zone."""
    by_focal: dict[str, list[CompareRow]] = {}
    for row in pair.rows:
        by_focal.setdefault(focal_length(row.focal_length_mm), []).append(row)
    first, second = clean_text(pair.first), clean_text(pair.second)
    panels: list[Panel] = []
    for number, (focal, all_rows) in enumerate(by_focal.items(), start=1):
        rows = sorted((row for row in all_rows if row.f_number > 0.0), key=lambda row: row.f_number)
        if not rows:
            continue
        across = _stops_axis(rows)
        panels.append(
            _sharpness_panel(pair, rows, across=across, focal=focal, key=f"{key}-sharpness-{number}")
        )
        differences = [
            Difference(
                place=math.log2(row.f_number),
                zone=row.zone,
                percent=row.difference_percent,
                ci95=row.ci95_percent,
            )
            for row in rows
        ]
        panels.append(
            difference_panel(
                differences,
                key=f"{key}-difference-{number}",
                title=f"{focal}: difference by zone",
                about=f"Above zero, {second} is sharper; below, {first}. {_NO_DIFFERENCE}",
                across=across,
                head="stop",
            )
        )
    return tuple(panels)


def difference_panel(
    differences: Sequence[Difference],
    *,
    key: str,
    title: str,
    about: str,
    across: Axis,
    head: str,
    caption: str = "Difference in percent, 95 % interval below",
    joined: bool = True,
) -> Panel:
    """Panel of differences in MTF50, a line for each zone; `joined` where the places are in an order."""
    extent = [value for each in differences for value in (each.percent, *each.ci95)]
    lines = []
    for number, zone in enumerate(ZONES):
        aside = _ASIDE * (number - (len(ZONES) - 1) / 2.0)
        marks = [
            Point.of(each.place + aside, each.percent, each.ci95) for each in differences if each.zone == zone
        ]
        lines += [Line.through(marks, name=zone, role=zone, joined=joined)] if marks else []
    cells = {(each.place, each.zone): difference_text(each.percent, each.ci95) for each in differences}
    return Panel(
        key=key,
        title=title,
        about=about,
        across=across,
        up=value_axis([*extent, 0.0], title="difference in MTF50, %"),
        up_right=None,
        lines=tuple(lines),
        level=0.0,
        grid=Grid(
            caption=caption,
            header=(head, *ZONES),
            rows=tuple(
                (name, *(cells.get((place, zone), NOT_MEASURED) for zone in ZONES))
                for place, name in across.ticks
            ),
        ),
    )


def difference_text(difference: float, ci95: tuple[float, float]) -> str:
    r"""Difference with its interval below.

    >>> difference_text(2.04, (-1.0, 5.0))
    '+2.0\n-1.0 to +5.0'
    """
    if not math.isfinite(difference):
        return NOT_MEASURED
    low, high = ci95
    interval = f"\n{low:+.1f} to {high:+.1f}" if math.isfinite(low) and math.isfinite(high) else ""
    return f"{difference:+.1f}{interval}"


def figure_text(value: float) -> str:
    """Figure in whichever unit: 0.293, or 75.

    >>> figure_text(0.2931), figure_text(75.2)
    ('0.293', '75')
    """
    if not math.isfinite(value):
        return NOT_MEASURED
    return f"{value:.3f}" if value < 2.0 else f"{value:.0f}"


def _stops_axis(rows: Sequence[CompareRow]) -> Axis:
    ticks = tuple((math.log2(stop), f_stop(stop)) for stop in sorted({row.f_number for row in rows}))
    return Axis(title="f-stop", low=ticks[0][0] - 0.45, high=ticks[-1][0] + 0.45, ticks=ticks)


def _sharpness_panel(
    pair: ComparedPair, rows: Sequence[CompareRow], *, across: Axis, focal: str, key: str
) -> Panel:
    frame = [row for row in rows if row.zone == "frame"]
    unit = UNITS.get(pair.unit, pair.unit)
    names = {"first": clean_text(pair.first), "second": clean_text(pair.second)}
    lines = []
    for role, name in names.items():
        marks = [Point(place=math.log2(row.f_number), value=getattr(row, role)) for row in frame]
        lines.append(Line.through(marks, name=name, role=role))
    return Panel(
        key=key,
        title=f"{focal}: sharpness of the whole frame",
        about=f"MTF50 in {unit} at equal stops; higher is sharper.",
        across=across,
        up=value_axis([value for row in frame for value in (row.first, row.second)], title=f"MTF50, {unit}"),
        up_right=None,
        lines=tuple(lines),
        grid=Grid(
            caption=f"MTF50 in {unit}, whole frame",
            header=("stop", *names.values()),
            rows=tuple(
                (f_stop(row.f_number), figure_text(row.first), figure_text(row.second)) for row in frame
            ),
        ),
    )
