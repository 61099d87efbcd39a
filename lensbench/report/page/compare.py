"""The report of a comparison: the answer, then for each pair its strips, its crops and all figures."""

import math
from collections import defaultdict
from collections.abc import Iterator, Mapping, Sequence
from typing import Final

from lensbench.model.compare import Caution, ComparedPair, CompareFindings, CompareRow
from lensbench.model.measured import SweepLens
from lensbench.model.setting import Setting, f_stop, focal_length, focal_order
from lensbench.model.shot import ZONES
from lensbench.report.draw.panels import Axis, difference_text
from lensbench.report.draw.strips import THIRD_NAMES, Strip, StripDifference, StripLine, Strips, StripScale
from lensbench.report.page.crops import crops_of
from lensbench.report.page.document import WORDS, Answer, Fold, Lines, Part, Plots, Report, tables
from lensbench.report.text.compare import (
    choice_grid,
    choice_sentences,
    comparison_answer,
    comparison_limits,
    pair_sentences,
    verdict_cell,
)
from lensbench.report.text.words import NOT_MEASURED, Grid, at_setting, known, signed, worded
from lensbench.storage.text import clean_text

_MOST_STRIPS: Final = 12  # in the overview of several lenses, so that it stays one look
_UNITS: Final = {"cypx": "cycles/pixel", "lpmm": "lp/mm on the sensor", "lwph": "LW/PH"}


def compare_report(comparison: CompareFindings, lenses: Sequence[SweepLens] = ()) -> Report:
    """Report of a comparison: the answer, each pair with its strips and crops, and the table of stops.

    Of the `lenses`, in the order of the findings, come the crops; without them there are none.
    """
    answer = comparison_answer(comparison) or [worded("compare.nothing")]
    overview = _overview(comparison)
    several = len(comparison.pairs) > 1
    grid = choice_grid(comparison)
    choices = () if grid is None else (Fold("Which lens at which stop", tables(("", grid))),)
    own = dict(zip((lens.label for lens in comparison.lenses), lenses, strict=False))
    best = {lens.label: lens.best for lens in comparison.lenses}
    pairs = tuple(
        _pair_part(pair, own, best, key=f"pair-{number}", answer=() if several else tuple(answer))
        for number, pair in enumerate(comparison.pairs, start=1)
    )
    led = choice_sentences(comparison) if overview is not None else []
    alone = Answer(about="Lenses compared", sentences=(*answer[: 1 if several else None], *led))
    return Report(
        title="Lenses compared",
        blocks=(
            *([] if len(pairs) == 1 else [alone]),
            *([] if overview is None else [Plots("", (overview,))]),
            *(choices if several else pairs),
            *(pairs if several else choices),
            Lines(tuple(comparison_limits(comparison)), kind="limits"),
            *tables(("The lenses", _lenses_grid(comparison)), kind="short"),
            WORDS,
        ),
        version=comparison.version,
    )


def _overview(comparison: CompareFindings) -> Strips | None:
    """Every lens of three or more over the stops, a strip each, on one scale; None where they share no unit."""
    mixed = Caution.RAW_AGAINST_FINISHED
    pairs = [
        pair
        for pair in comparison.pairs
        if pair.rows and not any(note.kind is mixed for note in pair.cautions)
    ]
    if len(comparison.pairs) < 2 or len({pair.unit for pair in pairs}) != 1:
        return None
    rows: dict[tuple[float | None, str], dict[float, tuple[float, tuple[float, ...]]]] = defaultdict(dict)
    for pair in pairs:
        for row in (row for row in pair.rows if row.zone == "frame" and row.f_number > 0.0):
            rows[row.focal_length_mm, pair.first][row.f_number] = row.first, row.first_each
            rows[row.focal_length_mm, pair.second][row.f_number] = row.second, row.second_each
    if not rows:
        return None
    by_length = sorted(rows, key=lambda key: (focal_order(key[0]), key[1]))[:_MOST_STRIPS]
    full = max(value for key in by_length for value, _ in rows[key].values())
    several = len({focal for focal, _ in by_length}) > 1
    stops = sorted({stop for key in by_length for stop in rows[key]})
    return Strips(
        key="overview",
        title="Whole frame",
        about=worded("plots.overview"),
        across=Axis.around("f-stop", [(math.log2(stop), f_stop(stop)) for stop in stops], margin=0.22),
        strips=tuple(
            Strip(
                name=f"{focal_length(focal)}, {clean_text(label)}" if several else clean_text(label),
                lines=(_own_line(rows[focal, label], full, _leads_at(comparison, focal, label)),),
            )
            for focal, label in by_length
        ),
        scales=_scales(pairs[0].unit, full),
        grid=Grid(
            caption=f"MTF50 of the whole frame in {_UNITS[pairs[0].unit]}",
            header=("lens", *map(f_stop, stops)),
            rows=tuple(
                (
                    f"{clean_text(label)}, {focal_length(focal)}" if several else clean_text(label),
                    *(_figure(rows[focal, label].get(stop, (math.nan,))[0]) for stop in stops),
                )
                for focal, label in by_length
            ),
        ),
        good_words=worded("plots.sharpest_here"),
    )


def _leads_at(
    comparison: CompareFindings, focal_mm: float | None, label: str
) -> tuple[list[float], list[float]]:
    """Stops at which a lens is the sharpest, and those at which it can't be told from the sharpest."""
    at_length = (choice for choice in comparison.contested if choice.focal_length_mm == focal_mm)
    named = [choice for choice in at_length if label in choice.lenses]
    alone = [choice.f_number for choice in named if len(choice.lenses) == 1]
    return alone, [choice.f_number for choice in named if len(choice.lenses) > 1]


def _own_line(
    rows: Mapping[float, tuple[float, tuple[float, ...]]], full: float, leads: tuple[list[float], list[float]]
) -> StripLine:
    """One lens by itself: ring at its best stop, bars where no other is surely sharper."""
    path = [(math.log2(stop), 100.0 * rows[stop][0] / full) for stop in sorted(rows)]
    best = max(path, key=lambda point: point[1])
    alone, together = ([math.log2(stop) for stop in stops] for stops in leads)
    return StripLine(
        name="whole frame",
        role="frame",
        path=tuple(path),
        shots=tuple(
            (math.log2(stop), 100.0 * value / full) for stop, (_, each) in rows.items() for value in each
        ),
        best=best,
        best_percent=best[1],
        as_good=tuple(alone),
        untold=tuple(together),
    )


def _lenses_grid(comparison: CompareFindings) -> Grid:
    return Grid.of(
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


def _pair_part(
    pair: ComparedPair,
    lenses: Mapping[str, SweepLens],
    best: Mapping[str, Setting | None],
    *,
    key: str,
    answer: tuple[str, ...],
) -> Part:
    """Strips, crops and figures of a pair below its sentences: the `answer` of the whole report where it is the one."""
    grids = [
        _pair_grid(pair, rows, unit)
        for unit, rows in ((pair.unit, pair.rows), ("lpmm", pair.rows_lpmm))
        if rows
    ]
    figures = tables(*(("", grid) for grid in grids), captioned=True)
    both = lenses.get(pair.first), lenses.get(pair.second)
    title = f"{clean_text(pair.first)} and {clean_text(pair.second)}"
    return Part(
        kind="pair",
        key=key,
        title="" if answer else title,
        blocks=(
            Answer(about=title, sentences=answer) if answer else Lines(tuple(pair_sentences(pair))),
            *_plot_blocks(tuple(_pair_strips(pair, best, key=key)), alone=bool(answer)),
            *(crops_of(pair, both[0], both[1]) if both[0] and both[1] else ()),
            *([Fold("Every setting and zone", figures, minor=True)] if figures else []),
        ),
    )


def _plot_blocks(plots: tuple[Strips, ...], *, alone: bool) -> tuple[Plots, ...]:
    """Plots of a pair; where it is `alone` the whole frame stands by itself, beside the answer."""
    if not plots:
        return ()
    if not alone or len(plots) == 1:
        return (Plots("", plots),)
    return Plots("", plots[:1]), Plots(worded("plots.thirds"), plots[1:])


def _pair_strips(pair: ComparedPair, best: Mapping[str, Setting | None], *, key: str) -> Iterator[Strips]:
    """Strips of the whole frame, one a focal length; then, for each focal length, of the thirds."""
    by_focal: dict[float | None, dict[str, list[CompareRow]]] = defaultdict(lambda: defaultdict(list))
    for row in pair.rows:
        if row.f_number > 0.0:
            by_focal[row.focal_length_mm][row.zone].append(row)
    frame = {focal: zones["frame"] for focal, zones in by_focal.items() if zones["frame"]}
    whole = [row for rows in frame.values() for row in rows]
    full = max((value for row in whole or pair.rows for value in (row.first, row.second)), default=math.nan)
    if frame:
        named = len(frame) > 1
        rows = {focal_length(focal) if named else "": own for focal, own in frame.items()}
        yield _strips(pair, rows, best, full=full, key=f"{key}-frame", title="Whole frame")
    for number, (focal, zones) in enumerate(by_focal.items(), start=1):
        thirds = {THIRD_NAMES[zone]: zones[zone] for zone in ZONES[:3] if zones[zone]}
        title = f"Thirds of the picture{f', {focal_length(focal)}' if len(by_focal) > 1 else ''}"
        if thirds:
            yield _strips(pair, thirds, {}, full=full, key=f"{key}-thirds-{number}", title=title)


def _strips(
    pair: ComparedPair,
    by_name: Mapping[str, Sequence[CompareRow]],
    best: Mapping[str, Setting | None],
    *,
    full: float,
    key: str,
    title: str,
) -> Strips:
    """Both lenses over the stops, and their difference, a strip for each name."""
    rows = [row for own in by_name.values() for row in own]
    stops = sorted({row.f_number for row in rows})
    across = Axis.around("f-stop", [(math.log2(stop), f_stop(stop)) for stop in stops], margin=0.22)
    names = clean_text(pair.first), clean_text(pair.second)
    return Strips(
        key=key,
        title=title,
        about=worded("plots.lenses", first=names[0], second=names[1]),
        across=across,
        strips=tuple(
            Strip(
                name=name,
                lines=(
                    _line(own, "first", names[0], best.get(pair.first), full=full),
                    _line(own, "second", names[1], best.get(pair.second), full=full),
                ),
                differences=tuple(
                    StripDifference(
                        place=math.log2(row.f_number),
                        percent=row.difference_percent,
                        low=row.ci95_percent[0],
                        high=row.ci95_percent[1],
                        visible_from_percent=row.visible_from_percent,
                    )
                    for row in own
                ),
            )
            for name, own in by_name.items()
        ),
        scales=_scales(pair.unit, full),
        grid=Grid(
            caption=f"MTF50 in {_UNITS[pair.unit]}; difference of the second from the first, 95 % interval below",
            header=(("setting" if len(by_name) > 1 else "stop"), *names, "difference, %"),
            rows=tuple(
                (
                    f"{name}, {f_stop(row.f_number)}" if name else f_stop(row.f_number),
                    *(_figure(row.first), _figure(row.second)),
                    difference_text(row.difference_percent, row.ci95_percent),
                )
                for name, own in by_name.items()
                for row in own
            ),
        ),
        equal_percent=min(row.equal_within_percent for row in rows),
    )


def _line(
    rows: Sequence[CompareRow], role: str, name: str, best: Setting | None, *, full: float
) -> StripLine:
    """One lens over the stops, a dot a shot, a ring at its own best setting where both were photographed there."""
    places = {row.f_number: math.log2(row.f_number) for row in rows}
    values = {row.f_number: 100.0 * getattr(row, role) / full for row in rows}
    ring = next((row.f_number for row in rows if best is not None and _is_at(row, best)), None)
    return StripLine(
        name=name,
        role=role,
        path=tuple((places[stop], values[stop]) for stop in sorted(places)),
        shots=tuple(
            (places[row.f_number], 100.0 * value / full)
            for row in rows
            for value in getattr(row, f"{role}_each")
        ),
        best=None if ring is None else (places[ring], values[ring]),
        best_percent=math.nan if ring is None else values[ring],
    )


def _is_at(row: CompareRow, setting: Setting) -> bool:
    return setting.matches(Setting(focal_length_mm=row.focal_length_mm, f_number=row.f_number))


def _scales(unit: str, full: float) -> tuple[StripScale, ...]:
    """Percent of the sharpest whole frame of both, and the unit that the two are compared in."""
    own = StripScale(key=unit, legend=_UNITS[unit], per_percent=full / 100.0, decimals=3 if full < 2.0 else 0)
    legend = f"100 % = best whole frame ({own.label(100.0)} {_UNITS[unit].removesuffix(' on the sensor')})"
    percent = StripScale(key="percent", legend=legend, per_percent=1.0, decimals=0, sign=" %")
    return percent, own


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
    return f"{limit}\n{signed(row.difference_jnd, 1)} JND"
