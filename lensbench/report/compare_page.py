"""The report of a comparison: the answer, the table of stops, then for each pair what was found at every setting."""

import math
from collections import defaultdict
from collections.abc import Iterator, Mapping, Sequence
from typing import Final

from lensbench.model.compare import ComparedPair, CompareFindings, CompareRow
from lensbench.model.setting import f_stop, focal_length
from lensbench.report.compare import (
    choice_grid,
    comparison_answer,
    comparison_limits,
    pair_sentences,
    verdict_cell,
)
from lensbench.report.document import WORDS, Answer, Lines, Part, Plots, Report, tables
from lensbench.report.panels import (
    Axis,
    Grid,
    Line,
    Panel,
    Point,
    difference_panel,
    difference_text,
    value_axis,
)
from lensbench.report.words import NOT_MEASURED, at_setting, known, worded
from lensbench.storage.text import clean_text

_UNITS: Final = {"cypx": "cycles/pixel", "lpmm": "lp/mm on the sensor", "lwph": "LW/PH"}


def compare_report(comparison: CompareFindings) -> Report:
    """Report of a comparison: the answer, the table of stops, then a part for each pair."""
    answer = comparison_answer(comparison) or ["Nothing could be compared."]
    several = len(comparison.pairs) > 1
    lenses = Grid.of(
        comparison.lenses,
        "The lenses compared",
        {
            "lens": lambda lens: clean_text(lens.label),
            "camera": lambda lens: clean_text(lens.camera),
            "photographs": lambda lens: str(lens.shots),
            "pixel pitch": lambda lens: known(lens.pixel_pitch_um or math.nan, ".2f", " µm"),
            "picture height": lambda lens: known(lens.picture_height_px or math.nan, ".0f", " px"),
        },
    )
    return Report(
        title="Lenses compared",
        blocks=(
            Answer(about="Lenses compared", sentences=tuple(answer[:1] if several else answer)),
            *tables(("Which lens at which stop", choice_grid(comparison))),
            Lines(tuple(comparison_limits(comparison)), kind="limits"),
            *tables(("The lenses", lenses)),
            *(
                _pair_part(pair, key=f"pair-{number}", answer_said=answer[0])
                for number, pair in enumerate(comparison.pairs, start=1)
            ),
            WORDS,
        ),
        version=comparison.version,
    )


def _pair_part(pair: ComparedPair, *, key: str, answer_said: str) -> Part:
    sentences = tuple(pair_sentences(pair))
    grids = [
        _pair_grid(pair, rows, unit)
        for unit, rows in ((pair.unit, pair.rows), ("lpmm", pair.rows_lpmm))
        if rows
    ]
    return Part(
        kind="pair",
        key=key,
        title=f"{clean_text(pair.first)} and {clean_text(pair.second)}",
        blocks=(
            *([] if sentences[0] == answer_said else [Lines(sentences)]),
            Plots("", tuple(_pair_panels(pair, key=key))),
            *tables(*(("Every setting and zone", grid) for grid in grids), captioned=True),
        ),
    )


def _pair_panels(pair: ComparedPair, *, key: str) -> Iterator[Panel]:
    """Two panels for every focal length: both lenses, whole frame; and their difference by zone."""
    by_focal: dict[str, list[CompareRow]] = defaultdict(list)
    for row in pair.rows:
        by_focal[focal_length(row.focal_length_mm)].append(row)
    names = {"first": clean_text(pair.first), "second": clean_text(pair.second)}
    for number, (focal, all_rows) in enumerate(by_focal.items(), start=1):
        rows = sorted((row for row in all_rows if row.f_number > 0.0), key=lambda row: row.f_number)
        if not rows:
            continue
        stops = dict.fromkeys(row.f_number for row in rows)
        across = Axis.around("f-stop", ((math.log2(stop), f_stop(stop)) for stop in stops), margin=0.45)
        frame = [row for row in rows if row.zone == "frame"]
        title = f"{focal}: sharpness of the whole frame"
        yield _sharpness_panel(frame, names, pair.unit, across, title=title, key=f"{key}-sharpness-{number}")
        differences: dict[str, list[Point]] = defaultdict(list)
        for row in rows:
            point = Point(math.log2(row.f_number), row.difference_percent, *row.ci95_percent)
            differences[row.zone].append(point)
        yield difference_panel(
            differences,
            key=f"{key}-difference-{number}",
            title=f"{focal}: difference by zone",
            about=worded("plots.lenses", **names),
            across=across,
            head="stop",
        )


def _sharpness_panel(
    frame: Sequence[CompareRow], names: Mapping[str, str], unit: str, across: Axis, *, title: str, key: str
) -> Panel:
    unit = _UNITS.get(unit, unit)
    places = [math.log2(row.f_number) for row in frame]
    figures = {"first": [row.first for row in frame], "second": [row.second for row in frame]}
    return Panel(
        key=key,
        title=title,
        about=f"MTF50 in {unit} at equal stops; higher is sharper.",
        across=across,
        up=value_axis([value for values in figures.values() for value in values], title=f"MTF50, {unit}"),
        lines=tuple(
            Line.through(map(Point, places, figures[role]), name=name, role=role)
            for role, name in names.items()
        ),
        grid=Grid(
            caption=f"MTF50 in {unit}, whole frame",
            header=("stop", *names.values()),
            rows=tuple((f_stop(row.f_number), _figure(row.first), _figure(row.second)) for row in frame),
        ),
    )


def _figure(value: float) -> str:
    """Figure in whichever unit: 0.293, or 75."""
    return known(value, ".3f" if value < 2.0 else ".0f")


def _pair_grid(pair: ComparedPair, rows: Sequence[CompareRow], unit: str) -> Grid:
    def cell(figure: float, shots: int) -> str:
        return f"{_figure(figure)}\n{shots} shot{'s' * (shots != 1)}"

    first, second = clean_text(pair.first), clean_text(pair.second)
    return Grid(
        caption=f"MTF50 in {_UNITS.get(unit, unit)}",
        header=("setting", "zone", first, second, "difference, %", "visible from", "verdict"),
        rows=tuple(
            (
                *(at_setting(row), row.zone),
                *(cell(row.first, row.first_shots), cell(row.second, row.second_shots)),
                difference_text(row.difference_percent, row.ci95_percent),
                _visible_from(row),
                verdict_cell(row, (first, second)),
            )
            for row in rows
        ),
    )


def _visible_from(row: CompareRow) -> str:
    """From which difference on one could see it, and how large it is on the ruler."""
    if not math.isfinite(row.difference_jnd):
        return NOT_MEASURED
    limit = f"{row.visible_from_percent:.0f} %" if math.isfinite(row.visible_from_percent) else "never"
    return f"{limit}\n{row.difference_jnd:+.1f} JND"
