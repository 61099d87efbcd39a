"""The report of an effect: the answer, its strips, and the figures of every condition."""

import math
from collections import defaultdict
from collections.abc import Callable, Sequence
from statistics import fmean, geometric_mean
from typing import Final

from lensbench.model.compare import EffectFindings, ShotFigures, ShutterSpeed
from lensbench.model.setting import shutter_speed
from lensbench.model.sweep import INDIFFERENCE
from lensbench.report.draw.panels import Axis, Line, Panel, Point, difference_text
from lensbench.report.draw.strips import Strip, StripDifference, StripLine, Strips, StripScale
from lensbench.report.page.document import WORDS, Answer, Fold, Lines, Plots, Report, method, tables
from lensbench.report.text.effect import (
    EFFECT_FIGURES,
    effect_answer,
    effect_figures,
    effect_limits,
    row_verdict,
    shutter_sentences,
    visible_in_words,
)
from lensbench.report.text.words import Grid, clean_line, known, worded
from lensbench.storage.text import clean_text

_CHANGED: Final = {
    "exposure_s": "shutter speed",
    "iso": "ISO value",
    "f_number": "f-stop",
    "focal_length_mm": "focal length",
}
_ORDERED: Final = ("exposure_s", "iso", "f_number", "focal_length_mm")
"""Levels that a line may join: those that are numbers."""
_MOST_TICKS: Final = 12
_MOST_NAMES: Final = 6  # levels that all keep their names below the plot


def effect_report(findings: EffectFindings) -> Report:
    """Report of an effect."""
    several = len(findings.levels) > 2
    figures = [] if several else effect_figures(findings)
    *cautions, holds_for = effect_limits(findings)
    title = f"Effect of the {_head(findings)}"
    rejected = [(clean_text(shot.path.name), clean_line(shot.reason)) for shot in findings.rejected]
    left_out = Grid(caption="Not used", header=("photograph", "reason"), rows=tuple(rejected))
    shutter = [_shutter_panel(findings.shutter)] if findings.shutter else []
    visible = findings.visible
    within = min((row.equal_within for row in findings.rows if row.figure == "mtf50"), default=math.nan)
    limits = {"within": within, "percent": visible.percent, "visible": visible_in_words(visible)}
    return Report(
        title=title,
        blocks=(
            Answer(about=title, sentences=(*effect_answer(findings), *figures), limits=(holds_for,)),
            Plots("", (_strips(findings), *shutter)),
            *([Lines(tuple(cautions), kind="limits")] if cautions else []),
            *tables(("Conditions", _levels_grid(findings)), captioned=True, kind="short"),
            Fold("Differences", tables(("", _differences_grid(findings)), captioned=True), minor=True),
            *tables(("Left out", left_out if rejected else None)),
            method("effect", **limits),
            WORDS,
        ),
        version=findings.version,
    )


def _head(findings: EffectFindings) -> str:
    """What was changed, as the head of a column."""
    return _CHANGED.get(findings.by, findings.by)


def _levels_grid(findings: EffectFindings) -> Grid:
    reference = findings.reference
    return Grid.of(
        findings.levels,
        "Means over the whole frame",
        {
            _head(findings): lambda one: clean_text(one.level) + " (reference)" * (one.level == reference),
            "shots": lambda one: str(one.shots),
            "MTF50, cycles/pixel": lambda one: known(one.mtf50_cypx),
            "noise, %": lambda one: known(one.noise_percent, ".2f"),
            "overshoot, %": lambda one: known(one.overshoot_percent, ".1f"),
            "veil, %": lambda one: known(round(one.veil_percent, 1) + 0.0, ".1f"),
        },
    )


def _differences_grid(findings: EffectFindings) -> Grid:
    return Grid.of(
        findings.rows,
        f"Difference from «{clean_text(findings.reference)}», 95 % interval below",
        {
            _head(findings): lambda row: clean_text(row.level),
            "figure": lambda row: EFFECT_FIGURES[row.figure],
            "zone": lambda row: row.zone,
            "difference": lambda row: difference_text(row.difference, row.ci95),
            "visible from": lambda row: f"{row.visible_from:g}",
            "equal within": lambda row: f"{row.equal_within:g}",
            "verdict": lambda row: row_verdict(row).replace(", ", "\n") + "\nby sharpening" * row.processed,
        },
    )


def _strips(findings: EffectFindings) -> Strips:
    """Two conditions over the order of shooting, more of them side by side; below, the differences."""
    percents = _percents(findings)
    rows = [row for row in findings.rows if (row.figure, row.zone) == ("mtf50", "frame")]
    layout = _by_turns if len(findings.levels) == 2 else _side_by_side
    across, lines, places = layout(findings, percents)
    differences = tuple(
        StripDifference(
            place=places[row.level],
            percent=row.difference,
            low=row.ci95[0],
            high=row.ci95[1],
            visible_from_percent=row.visible_from,
        )
        for row in rows
    )
    drift = worded("effect.drift_left_in")
    if findings.drift:
        drift = worded("effect.drift", percent=findings.drift.percent_per_shot)
    reference = clean_text(findings.reference)
    legend = f"100 % = mean of «{reference}»"
    return Strips(
        key="effect-strips",
        title=f"Sharpness against «{reference}», whole frame",
        about=f"{worded('plots.effect')} {drift}",
        across=across,
        strips=(Strip(name="", lines=lines, differences=differences),),
        scales=(StripScale(key="percent", legend=legend, per_percent=1.0, decimals=0, sign=" %"),),
        grid=_shots_grid(findings, percents),
        equal_percent=min((row.equal_within for row in rows), default=100.0 * INDIFFERENCE),
        every_name=layout is _side_by_side and len(findings.levels) <= _MOST_NAMES,
    )


_Layout = tuple[Axis, tuple[StripLine, ...], dict[str, float]]
"""What runs across, the lines over it, and where the difference of each level stands."""


def _by_turns(findings: EffectFindings, percents: Sequence[float]) -> _Layout:
    """Two levels in the order of shooting, so that drift and scatter are seen; their difference in the middle."""
    lines = []
    for level, role in zip(findings.levels, ("first", "second"), strict=True):
        shots = zip(findings.shots, enumerate(percents, start=1), strict=True)
        path = tuple(
            (float(number), percent) for shot, (number, percent) in shots if shot.level == level.level
        )
        lines.append(StripLine(name=clean_text(level.level), role=role, path=path, shots=path))
    count = len(percents)
    ticks = tuple(
        (float(number), f"{'shot ' * (number == 1)}{number}")
        for number in range(1, count + 1, math.ceil(count / _MOST_TICKS))
    )
    across = Axis(title="shot", low=0.5, high=count + 0.5, ticks=ticks)
    return across, tuple(lines), {findings.levels[1].level: (count + 1) / 2.0}


def _side_by_side(findings: EffectFindings, percents: Sequence[float]) -> _Layout:
    """Each level at a place of its own, joined by their means where they are numbers."""
    places = {level.level: float(place) for place, level in enumerate(findings.levels)}
    shots = tuple(
        (places[shot.level], percent) for shot, percent in zip(findings.shots, percents, strict=True)
    )
    means = {place: fmean(percent for at, percent in shots if at == place) for place in places.values()}
    path = tuple(means.items()) if findings.by in _ORDERED else ()
    across = Axis.around(_head(findings), [(place, clean_text(name)) for name, place in places.items()])
    return across, (StripLine(name="whole frame", role="frame", path=path, shots=shots),), places


def _percents(findings: EffectFindings) -> list[float]:
    """Every shot in percent of the reference's mean at its setting, or of all of its shots where it has none there."""
    own: dict[str, list[float]] = defaultdict(list)
    for shot in findings.shots:
        if shot.level == findings.reference:
            own[shot.setting].append(shot.mtf50_cypx)
    together = [value for values in own.values() for value in values]
    return [
        100.0 * shot.mtf50_cypx / geometric_mean(own.get(shot.setting, together)) for shot in findings.shots
    ]


def _shots_grid(findings: EffectFindings, percents: Sequence[float]) -> Grid:
    columns: dict[str, Callable[[tuple[int, ShotFigures, float]], str]] = {
        "shot": lambda numbered: str(numbered[0]),
        _head(findings): lambda numbered: clean_text(numbered[1].level),
        "setting": lambda numbered: clean_text(numbered[1].setting, unknown=""),
        "MTF50, cy/px": lambda numbered: f"{numbered[1].mtf50_cypx:.4f}",
        "percent": lambda numbered: f"{numbered[2]:.0f} %",
    }
    numbered = [
        (n, shot, percent) for n, (shot, percent) in enumerate(zip(findings.shots, percents, strict=True), 1)
    ]
    return Grid.of(numbered, "Every shot that counts", columns)


def _shutter_panel(shutter: ShutterSpeed) -> Panel:
    marks = [Point(math.log2(time), 100.0 * shaken / shots) for time, shots, shaken in shutter.shares]
    speeds = ((math.log2(time), shutter_speed(time)) for time, _, _ in shutter.shares)
    percents = tuple((float(percent), f"{percent}") for percent in range(0, 101, 20))
    return Panel(
        key="effect-shutter",
        title="Shots that show shake",
        about=" ".join(shutter_sentences(shutter)),
        across=Axis.around("shutter speed", speeds),
        up=Axis(title="shots that show shake, %", low=0.0, high=100.0, ticks=percents),
        lines=(Line.through(marks, name="shaken", role="frame"),),
        level=10.0 if math.isfinite(shutter.exposure_s) else None,
        grid=Grid(
            caption="Shots and those that show shake",
            header=("speed", "shots", "shaken"),
            rows=tuple(
                (shutter_speed(time), str(shots), str(shaken)) for time, shots, shaken in shutter.shares
            ),
        ),
    )
