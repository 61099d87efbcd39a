"""What the report of a sweep says, lens by lens: the answer, what to set, plots, state of the lens, method."""

from collections import Counter, defaultdict
from collections.abc import Callable, Sequence
from itertools import chain
from math import isfinite, log2
from typing import Final

from lensbench.model.errors import Remark, Severity
from lensbench.model.measured import finite_median
from lensbench.model.setting import f_stop, focal_length
from lensbench.model.shot import ChartSeen, RejectedShot, ShotResult
from lensbench.model.sweep import LensFindings, SweepFindings, SweepShot
from lensbench.report.draw.curves import response_panel
from lensbench.report.draw.field import FieldMap, field_maps
from lensbench.report.page.document import (
    WORDS,
    Answer,
    Block,
    Cards,
    Fold,
    Lines,
    Opening,
    Part,
    Plots,
    Report,
    tables,
)
from lensbench.report.page.evidence import evidence_part
from lensbench.report.page.figures import figure_blocks
from lensbench.report.page.made_from import made_from
from lensbench.report.page.opening import lens_opening
from lensbench.report.page.shots import MOST_PICTURES, shot_rows
from lensbench.report.page.sound import copy_headline, sound_blocks
from lensbench.report.text.answer import lens_sentences, lens_title, series_remark
from lensbench.report.text.blur import lens_blur_sentence
from lensbench.report.text.words import (
    NOT_MEASURED,
    Grid,
    clean_line,
    figure_range,
    known,
    photo_labels,
    texts,
    worded,
)
from lensbench.storage.text import clean_text

_UNPLACED: Final = "Files that belong to no lens"
_MOST_MAPS: Final = 6  # maps of the field that are shown at once
_ODD: Final = "odd_shape"
_ODD_BY_CHANCE: Final = 0.02
"""Share of edges up to which it is no matter of the shooting: sound simulated shoots raise it on up to 1 %."""


def sweep_report(findings: SweepFindings, shots: Sequence[SweepShot]) -> Report:
    """Report of a sweep: a part for each lens, in this order, then what belongs to none, and the words."""
    lenses = tuple(
        _lens_part(
            lens,
            [shot for shot in shots if (shot.planned.lens, shot.planned.camera) == (lens.lens, lens.camera)],
            findings,
            key=f"lens-{number}",
        )
        for number, lens in enumerate(findings.lenses, start=1)
    )
    unplaced = _unplaced_grid(findings.unplaced)
    nothing = () if lenses else (Answer(about="", sentences=("No photograph could be measured.",)),)
    titles = [lens_title(lens) for lens in findings.lenses] or ["Nothing measured"]
    cards = tuple(
        (part.key, clean_text(lens.lens), part.blocks[0])
        for lens, part in zip(findings.lenses, lenses, strict=True)
        if isinstance(part.blocks[0], Opening)
    )
    above = (Cards(f"{len(cards)} lenses", cards),) if len(cards) > 1 else ()
    return Report(
        title=f"{titles[0] if len(titles) == 1 else f'{len(titles)} lenses'}: sharpness",
        blocks=(*nothing, *above, *lenses, *tables((_UNPLACED, unplaced)), WORDS),
        version=findings.version,
    )


def _lens_part(lens: LensFindings, shots: list[SweepShot], findings: SweepFindings, *, key: str) -> Part:
    response, maps = response_panel(lens, shots, key=key), tuple(field_maps(lens, shots, key=key))
    copy = copy_headline(lens.condition) if lens.condition else ""
    blocks: tuple[Block, ...] = (
        lens_opening(lens, shots, copy=copy, key=key),
        *_field_blocks(lens, maps),
        *sound_blocks(lens),
        shot_rows(lens, shots, most=MOST_PICTURES // len(findings.lenses)),
        *tables(("About the shooting", _remarks_grid(lens, shots))),
        Fold(
            "Figures",
            (
                *figure_blocks(lens),
                *tables(("", distortion_and_shading_grid(lens, shots))),
                *([] if response is None else [Plots("", (response,))]),
            ),
        ),
        _in_full(lens, shots),
        made_from(lens, shots, findings),
        *evidence_part(lens, shots, key=key),
    )
    return Part(kind="lens", key=key, blocks=blocks)


def _field_blocks(lens: LensFindings, maps: tuple[FieldMap, ...]) -> tuple[Block, ...]:
    """Maps of the field; of many those of both ends and of the best position, the others folded."""
    if len(maps) <= _MOST_MAPS:
        return (Plots("Field", maps),) if maps else ()
    best_mm = lens.best.focal_length_mm if lens.best else None
    best = next((map_ for map_ in maps if map_.focal_length_mm == best_mm), maps[len(maps) // 2])
    first = [map_ for map_ in maps if map_ in (maps[0], best, maps[-1])]
    rest = tuple(map_ for map_ in maps if map_ not in first)
    return Plots("Field", tuple(first)), Fold(f"{len(rest)} more positions", (Plots("", rest),), minor=True)


def _in_full(lens: LensFindings, shots: list[SweepShot]) -> Fold:
    """The answer in full sentences: what the blur is made of stands before the limits."""
    sentences = lens_sentences(lens)
    limits = sentences[-1:] if lens.basis is not None else []
    blur = lens_blur_sentence(lens, shots)
    said = (*sentences[: len(sentences) - len(limits)], *([blur] if blur else []))
    return Fold(
        "The answer in full",
        (Lines(said, kind="lead"), *([Lines(tuple(limits), kind="limits")] * bool(limits))),
    )


def distortion_and_shading_grid(lens: LensFindings, shots: Sequence[SweepShot]) -> Grid | None:
    """Row for every focal length, of the shots used; None where the chart tells nothing."""
    rows, heights = [], list[float]()
    for focal_mm in (focal.focal_length_mm for focal in lens.by_focal_length):
        by_stop: dict[float, list[ChartSeen]] = defaultdict(list)
        for shot in shots:
            setting = shot.planned.setting
            if shot.used and isinstance(shot.result, ShotResult) and setting.focal_length_mm == focal_mm:
                by_stop[setting.f_number].append(shot.result.chart)
        charts = list(chain.from_iterable(by_stop.values()))
        framing_percent = finite_median(chart.framing_percent for chart in charts)
        if isfinite(framing_percent):
            distortion_percent = finite_median(chart.radial_distortion_percent for chart in charts)
            lights = (_light(stop, by_stop[stop]) for stop in (min(by_stop), max(by_stop)))
            distortion, framing = known(distortion_percent, "+.1f", " %"), known(framing_percent, ".0f", " %")
            rows.append((focal_length(focal_mm), distortion, *lights, framing))
            heights += [chart.outermost_height for chart in charts if isfinite(chart.outermost_height)]
    if not rows:
        return None
    where = figure_range(min(heights), max(heights), ".2f") if heights else ""
    return Grid(
        caption=worded("sweep.light") + (worded("sweep.light_at", heights=where) if where else ""),
        header=(
            "focal length",
            "distortion at the corner",
            "brightness near the corner, widest stop",
            "brightness near the corner, narrowest stop",
            "picture covered by targets",
        ),
        rows=tuple(rows),
    )


def _light(stop: float, charts: Sequence[ChartSeen]) -> str:
    """Say the paper's brightness at the outermost targets' distance, and in stops."""
    percent = finite_median(chart.outermost_light_percent for chart in charts)
    if not percent > 0.0:
        return NOT_MEASURED
    stops = round(log2(percent / 100.0), 1)
    fall = f"{percent:.0f} % ({stops:+.1f} stops)" if stops else "hardly any fall"
    return f"{f_stop(stop)}: {fall}"


def _unplaced_grid(rejected: tuple[RejectedShot, ...]) -> Grid | None:
    labels = photo_labels(tuple(shot.path for shot in rejected))
    columns: dict[str, Callable[[RejectedShot], str]] = {
        "photograph": lambda shot: labels[shot.path],
        "why": lambda shot: clean_line(shot.reason),
    }
    return Grid.of(rejected, _UNPLACED, columns) if rejected else None


def _remarks_grid(lens: LensFindings, shots: list[SweepShot]) -> Grid | None:
    results = [shot.result for shot in shots if isinstance(shot.result, ShotResult)]
    series = tuple(series_remark(remark) for remark in lens.remarks)
    edges = [edge.edge.flags for result in results for edge in result.edges]
    odd = sum(any(remark.flag == _ODD for remark in flags) for flags in edges)
    if odd <= _ODD_BY_CHANCE * len(edges):
        edges = [tuple(remark for remark in flags if remark.flag != _ODD) for flags in edges]
    groups = [
        *_grouped([series], "the whole shoot", "the whole shoot"),
        *_grouped([result.quality for result in results], "1 photograph", "{} photographs"),
        *_grouped(edges, "1 edge", "{} edges"),
    ]
    order = list(reversed(Severity))
    groups.sort(key=lambda group: order.index(group[0].severity))
    raw = lens.basis is not None and lens.basis.sensor_data
    own = texts("shooting.advice") | (texts("shooting.raw_advice") if raw else {})
    rows = tuple(
        (where, clean_line(remark.message), own.get(remark.flag, remark.advice)) for remark, where in groups
    )
    grid = Grid(caption="About the shooting", header=("seen on", "remark", "what to do"), rows=rows)
    return grid if rows else None


def _grouped(raised: Sequence[tuple[Remark, ...]], one: str, many: str) -> list[tuple[Remark, str]]:
    """Each flag once, with the first figure seen and how often it was raised."""
    firsts: dict[str, Remark] = {}
    for remark in chain.from_iterable(raised):
        firsts.setdefault(remark.flag, remark)
    counts = Counter(flag for remarks in raised for flag in {remark.flag for remark in remarks})
    return [
        (remark, one if counts[flag] == 1 else many.format(counts[flag])) for flag, remark in firsts.items()
    ]
