"""What the report of a sweep says, lens by lens: the answer, what to set, plots, state of the lens, method."""

from collections import Counter, defaultdict
from collections.abc import Callable, Iterable, Sequence
from itertools import chain
from math import isfinite, isnan, log2, nan
from statistics import median

from lensbench.model.errors import Remark, Severity
from lensbench.model.setting import Setting, f_stop, focal_length, focal_order
from lensbench.model.shot import ZONES, ChartSeen, RejectedShot, ShotResult, ZoneFigure
from lensbench.model.sweep import (
    BestSetting,
    FocalLengthFindings,
    LensFindings,
    Purpose,
    SharpEnough,
    SweepFindings,
    SweepShot,
)
from lensbench.report.answer import PURPOSE_NAMES, lens_sentences, lens_title, series_remark
from lensbench.report.blur import lens_blur_sentence
from lensbench.report.curves import field_maps, response_panel
from lensbench.report.document import WORDS, Answer, Block, Part, Plot, Plots, Report, method, tables
from lensbench.report.evidence import evidence_part
from lensbench.report.panels import Grid
from lensbench.report.shots import shot_rows
from lensbench.report.sound import sound_blocks
from lensbench.report.strips import lens_strips
from lensbench.report.tables import photo_labels
from lensbench.report.words import (
    NOT_MEASURED,
    UNTOLD_COLUMN,
    Scale,
    clean_line,
    known,
    mtf50_cell,
    sd_of,
    stop_range,
    worded,
)
from lensbench.storage.text import clean_text


def sweep_report(findings: SweepFindings, shots: Sequence[SweepShot]) -> Report:
    """Report of a sweep: a part for each lens, in this order, then what belongs to none, and the words."""
    lenses = tuple(
        _lens_part(
            lens,
            [shot for shot in shots if (shot.planned.lens, shot.planned.camera) == (lens.lens, lens.camera)],
            key=f"lens-{number}",
            method_name=findings.method,
        )
        for number, lens in enumerate(findings.lenses, start=1)
    )
    unplaced = _rejected_grid(findings.unplaced, caption="Files that belong to no lens")
    nothing = () if lenses else (Answer(about="", sentences=("No photograph could be measured.",)),)
    titles = [lens_title(lens) for lens in findings.lenses] or ["Nothing measured"]
    return Report(
        title=f"{titles[0] if len(titles) == 1 else f'{len(titles)} lenses'}: sharpness",
        blocks=(*nothing, *lenses, *tables(("Files that belong to no lens", unplaced)), WORDS),
        version=findings.version,
    )


def _lens_part(lens: LensFindings, shots: list[SweepShot], *, key: str, method_name: str) -> Part:
    sd, rejected = lens.shot_sd_percent, {own.path for own in lens.rejected}
    rejected |= {shot.planned.path for shot in shots if shot.reason}
    spread = f" (here {sd:.1f} % of MTF50, from {clean_text(lens.spread_from)})" if isfinite(sd) else ""
    strips, response = lens_strips(lens, key=f"{key}-strips"), response_panel(lens, shots, key=key)
    plots: tuple[Plot, ...] = (
        *([] if strips is None else [strips]),
        *([] if response is None else [response]),
        *field_maps(lens, shots, key=key),
    )
    blocks: tuple[Block, ...] = (
        _answer(lens, shots, counted=f"{lens.shots} photographs, {len(rejected)} not used"),
        *tables(
            ("What to set", purposes_grid(lens)),
            ("Zoom positions", zoom_stops_grid(lens)),
            ("By focal length and zone", _summary(lens)),
            captioned=True,
        ),
        Plots("Plots", plots),
        *sound_blocks(lens),
        *tables(
            ("Distortion and light", distortion_and_shading_grid(lens, shots)),
            ("About the shooting", _remarks_grid(lens, shots)),
        ),
        shot_rows(lens, shots),
        method("sweep", name=clean_text(method_name), spread=spread),
        *evidence_part(lens, shots, key=key),
    )
    return Part(kind="lens", key=key, blocks=blocks)


def _answer(lens: LensFindings, shots: list[SweepShot], *, counted: str) -> Answer:
    """Answer for one lens: what the blur is made of stands behind it, before its limits."""
    sentences = lens_sentences(lens)
    limits = sentences[-1:] if lens.basis is not None else []
    blur = lens_blur_sentence(lens, shots)
    said = [*sentences[: len(sentences) - len(limits)], *([blur] if blur else [])]
    return Answer(about=f"{lens_title(lens)} · {counted}", sentences=tuple(said), limits=tuple(limits))


def distortion_and_shading_grid(lens: LensFindings, shots: Sequence[SweepShot]) -> Grid | None:
    """Row for every focal length, of the shots used; None where the chart tells nothing."""
    rows = []
    for focal_mm in (focal.focal_length_mm for focal in lens.by_focal_length):
        by_stop: dict[float, list[ChartSeen]] = defaultdict(list)
        for shot in shots:
            setting = shot.planned.setting
            if shot.used and isinstance(shot.result, ShotResult) and setting.focal_length_mm == focal_mm:
                by_stop[setting.f_number].append(shot.result.chart)
        charts = list(chain.from_iterable(by_stop.values()))
        framing_percent = _finite_median(chart.framing_percent for chart in charts)
        if isfinite(framing_percent):
            distortion_percent = _finite_median(chart.radial_distortion_percent for chart in charts)
            lights = (_light(stop, by_stop[stop]) for stop in (min(by_stop), max(by_stop)))
            distortion, framing = known(distortion_percent, "+.1f", " %"), known(framing_percent, ".0f", " %")
            rows.append((focal_length(focal_mm), distortion, *lights, framing))
    if not rows:
        return None
    return Grid(
        caption="Median of the photographs used; light in percent of the middle's, from the chart's paper",
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
    percent = _finite_median(chart.outermost_light_percent for chart in charts)
    height = _finite_median(chart.outermost_height for chart in charts)
    if isnan(height) or not percent > 0.0:
        return NOT_MEASURED
    stops = round(log2(percent / 100.0), 1)
    fall = f"{percent:.0f} % ({stops:+.1f} stops)" if stops else "hardly any fall"
    return f"{f_stop(stop)}: {fall}\n{height:.2f} of the way to the corner"


def _finite_median(values: Iterable[float]) -> float:
    finite = [value for value in values if isfinite(value)]
    return median(finite) if finite else nan


def purposes_grid(lens: LensFindings) -> Grid | None:
    """Row for every purpose and focal length; None where only one stop was tested, or no best one named."""
    focals = [focal for focal in lens.by_focal_length if len({point.f_number for point in focal.curve}) > 1]
    bests = [(focal, best) for focal in focals for best in focal.best_by_purpose.values()]
    if not bests:
        return None
    counted = [
        f"{PURPOSE_NAMES[Purpose(purpose)]}: "
        f"{'mean of the three thirds' if zone == 'frame' else f'{zone} third of the picture'}"
        for purpose, zone in lens.purposes.items()
    ]
    levels = [f"{enough.level_percent:.0f} % of the best" for enough in bests[0][1].sharp_enough]
    ruled = any(best.take_rule != "best" for _, best in bests)
    return Grid(
        caption=worded("sweep.enough") + (f" What counts: {'; '.join(counted)}." if counted else ""),
        header=("picture", "focal length", "best stop", "as good", UNTOLD_COLUMN, *["take"] * ruled, *levels),
        rows=tuple(_purpose_row(focal, best, ruled=ruled) for focal, best in bests),
    )


def _purpose_row(focal: FocalLengthFindings, best: BestSetting, *, ruled: bool) -> tuple[str, ...]:
    tested = sorted({point.f_number for point in focal.curve})
    take = f_stop(best.take.f_number) if best.take else NOT_MEASURED
    return (
        PURPOSE_NAMES[Purpose(best.zone)],
        focal_length(focal.focal_length_mm),
        f_stop(best.f_number) + "\nbest tested" * best.at_border,
        _other_stops(best.as_good, best),
        _other_stops([setting for setting in best.tied if setting not in best.as_good], best),
        *[take] * ruled,
        *(_kept_stops(enough, tested) for enough in best.sharp_enough),
    )


def _other_stops(settings: Iterable[Setting], best: BestSetting) -> str:
    stops = sorted(setting.f_number for setting in settings if setting.f_number != best.f_number)
    return ", ".join(f_stop(stop) for stop in stops) or NOT_MEASURED


def _kept_stops(enough: SharpEnough, tested: Sequence[float]) -> str:
    """Sure stops, and below them the probable ones where those are more."""
    more = len(enough.probably) > len(enough.surely)
    wider = f"\nprobably {stop_range(enough.probably, tested)}" if more else ""
    return f"{stop_range(enough.surely, tested) or NOT_MEASURED}{wider}"


def zoom_stops_grid(lens: LensFindings) -> Grid | None:
    """Row for each position at its own best stop, and for every stop shared by two or more positions."""
    bests = [("each at its own best", lens.zoom_at_own_best)] if lens.zoom_at_own_best else []
    bests += [(f_stop(best.f_number), best) for best in lens.zoom_at_equal_stop]
    if not bests:
        return None
    provisional = "; provisional" * any(best.provisional for _, best in bests)
    return Grid(
        caption=f"The whole frame, MTF50 in cycles/pixel, 95 % interval below{provisional}",
        header=("stop", "sharpest position", "as good", UNTOLD_COLUMN, "MTF50"),
        rows=tuple(
            (name, focal_length(best.focal_length_mm), *_other_lengths(best), mtf50_cell(best))
            for name, best in bests
        ),
    )


def _other_lengths(best: BestSetting) -> tuple[str, str]:
    """Positions as good, and those that can't be told from the best."""
    good = {setting.focal_length_mm for setting in best.as_good} - {best.focal_length_mm}
    tied = {setting.focal_length_mm for setting in best.tied} - {best.focal_length_mm} - good
    as_good, not_told = (
        ", ".join(focal_length(length_mm) for length_mm in sorted(others, key=focal_order)) or NOT_MEASURED
        for others in (good, tied)
    )
    return as_good, not_told


def _summary(lens: LensFindings) -> Grid:
    if lens.quick is not None:
        return _stops_summary(lens)
    scale = Scale.of_lens(lens)

    def cell(figure: ZoneFigure | None) -> str:
        also = "" if figure is None else scale.also(figure.mtf50_cypx, sd_of(figure.ci95_cypx))
        return "\n".join([mtf50_cell(figure), *([also] if also else [])])

    return Grid(
        caption=worded("sweep.at_best"),
        header=("focal length", "best stop", "as good", UNTOLD_COLUMN, *ZONES),
        rows=tuple(
            (
                focal_length(focal.focal_length_mm),
                f_stop(focal.best_f_number),
                *(stop_range(stops, stops) or NOT_MEASURED for stops in _equal_stops(focal)),
                *(cell(focal.zones.get(zone)) for zone in ZONES),
            )
            for focal in lens.by_focal_length
        ),
    )


def _equal_stops(focal: FocalLengthFindings) -> tuple[list[float], list[float]]:
    """Stops as good as the best, and those that can't be told from it."""
    good = [stop for stop in focal.as_good_f_numbers if stop != focal.best_f_number]
    return good, [stop for stop in focal.tied_f_numbers if stop not in {*good, focal.best_f_number}]


def _stops_summary(lens: LensFindings) -> Grid:
    """Row for every stop of a ten-minute test, as none is called the best."""
    rows = []
    for focal in lens.by_focal_length:
        points = {(point.f_number, point.zone): point for point in focal.curve}
        rows += [
            (
                focal_length(focal.focal_length_mm),
                f_stop(stop),
                *(mtf50_cell(points.get((stop, zone))) for zone in ZONES),
            )
            for stop in sorted({point.f_number for point in focal.curve})
        ]
    return Grid(
        caption="MTF50 in cycles/pixel at the stops of the ten-minute test, 95 % interval below",
        header=("focal length", "stop", *ZONES),
        rows=tuple(rows),
    )


def _rejected_grid(rejected: tuple[RejectedShot, ...], *, caption: str) -> Grid | None:
    labels = photo_labels(tuple(shot.path for shot in rejected))
    columns: dict[str, Callable[[RejectedShot], str]] = {
        "photograph": lambda shot: labels[shot.path],
        "why": lambda shot: clean_line(shot.reason),
    }
    return Grid.of(rejected, caption, columns) if rejected else None


def _remarks_grid(lens: LensFindings, shots: list[SweepShot]) -> Grid | None:
    results = [shot.result for shot in shots if isinstance(shot.result, ShotResult)]
    series = tuple(series_remark(remark) for remark in lens.remarks)
    groups = [
        *_grouped([series], "the whole shoot", "the whole shoot"),
        *_grouped([result.quality for result in results], "1 photograph", "{} photographs"),
        *_grouped([edge.edge.flags for result in results for edge in result.edges], "1 edge", "{} edges"),
    ]
    order = list(reversed(Severity))
    groups.sort(key=lambda group: order.index(group[0].severity))
    rows = tuple((where, clean_line(remark.message), remark.advice) for remark, where in groups)
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
