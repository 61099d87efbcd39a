"""What the report of a sweep says, lens by lens: the answer, what to set, plots, state of the lens, method."""

from collections.abc import Sequence
from math import isfinite, log2
from statistics import median

from lensbench.model.flags import FLAGS, Remark, Severity
from lensbench.model.setting import f_stop, focal_length, focal_order
from lensbench.model.shot import ZONES, RejectedShot, ShotResult
from lensbench.model.sweep import (
    BestSetting,
    FocalLengthFindings,
    LensFindings,
    Purpose,
    SweepFindings,
    SweepShot,
)
from lensbench.report.draw.curves import response_panel, scale_of_lens, sharpness_panels, zoom_panel
from lensbench.report.draw.field import FieldMap, field_maps
from lensbench.report.draw.panels import Grid, Panel
from lensbench.report.out.document import WORDS, Answer, Block, Part, Plots, Report, Steps, tables
from lensbench.report.out.evidence import evidence_part
from lensbench.report.out.tables import photo_labels
from lensbench.report.text.answer import (
    PURPOSE_NAMES,
    lens_sentences,
    lens_title,
    series_remark,
    zone_in_words,
)
from lensbench.report.text.blur import lens_blur_sentence
from lensbench.report.text.condition import condition_text, verdict_text
from lensbench.report.text.glossary import method_sentences
from lensbench.report.text.words import NOT_MEASURED, Scale, clean_line, stop_range, with_interval

_NOT_USED = "Left out"


def sweep_report(findings: SweepFindings, shots: Sequence[SweepShot]) -> Report:
    """Report of a sweep: a part for each lens, in this order, then what belongs to none, and the words."""
    lenses = tuple(
        _lens_part(
            lens,
            [shot for shot in shots if (shot.planned.lens, shot.planned.camera) == (lens.lens, lens.camera)],
            key=f"lens-{number}",
            method=findings.method,
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


def _lens_part(lens: LensFindings, shots: list[SweepShot], *, key: str, method: str) -> Part:
    rejected = _all_rejected(lens, shots)
    zoom, response = zoom_panel(lens, key=key), response_panel(lens, shots, key=key)
    plots: tuple[Panel | FieldMap, ...] = (
        *([] if zoom is None else [zoom]),
        *sharpness_panels(lens, key=key),
        *([] if response is None else [response]),
        *field_maps(lens, shots, key=key),
    )
    evidence = evidence_part(lens, shots, key=key)
    blocks: tuple[Block, ...] = (
        _answer(lens, shots, counted=f"{lens.shots} photographs, {len(rejected)} not used"),
        *tables(
            ("What to set", purposes_grid(lens)),
            ("Zoom positions", zoom_stops_grid(lens)),
            ("By focal length and zone", _summary(lens)),
            captioned=True,
        ),
        Plots("Plots", plots),
        *tables(("Is the copy sound?", _condition_grid(lens)), kind="state"),
        *tables(
            ("Distortion and light", distortion_and_shading_grid(lens, shots)),
            (_NOT_USED, _rejected_grid(rejected, caption=_NOT_USED)),
            ("About the shooting", _remarks_grid(lens, shots)),
        ),
        Steps("Method and limits", tuple(method_sentences(lens, method=method))),
        *([] if evidence is None else [evidence]),
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
    for focal in lens.by_focal_length:
        results = [
            (shot.planned.setting.f_number, shot.result)
            for shot in shots
            if shot.used
            and isinstance(shot.result, ShotResult)
            and shot.planned.setting.focal_length_mm == focal.focal_length_mm
        ]
        if any(isfinite(result.chart.framing_percent) for _, result in results):
            rows.append(_row(focal.focal_length_mm, results))
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


def _row(focal_mm: float | None, results: Sequence[tuple[float | None, ShotResult]]) -> tuple[str, ...]:
    stops = sorted({stop for stop, _ in results if stop is not None})
    light = [
        _light(stop, [result for at, result in results if at == stop]) for stop in stops[:1] + stops[-1:]
    ]
    distortion = _middle([result.chart.radial_distortion_percent for _, result in results])
    framing = _middle([result.chart.framing_percent for _, result in results])
    return (
        focal_length(focal_mm),
        NOT_MEASURED if distortion is None else f"{distortion:+.1f} %",
        *(light or [NOT_MEASURED, NOT_MEASURED]),
        NOT_MEASURED if framing is None else f"{framing:.0f} %",
    )


def _light(stop: float, results: Sequence[ShotResult]) -> str:
    """Say the paper's brightness at the outermost targets' distance, and in stops."""
    percent = _middle([result.chart.outermost_light_percent for result in results])
    height = _middle([result.chart.outermost_height for result in results])
    if percent is None or height is None or percent <= 0.0:
        return NOT_MEASURED
    stops = round(log2(percent / 100.0), 1)
    fall = f"{percent:.0f} % ({stops:+.1f} stops)" if stops else "hardly any fall"
    return f"{f_stop(stop)}: {fall}\n{height:.2f} of the way to the corner"


def _middle(values: Sequence[float]) -> float | None:
    finite = [value for value in values if isfinite(value)]
    return median(finite) if finite else None


_ENOUGH = "Stops that surely keep 95, 90 or 80 % of the MTF50 at the best one; below, where more of them probably do."


def purposes_grid(lens: LensFindings) -> Grid | None:
    """Row for every purpose and focal length; None where only one stop was tested, or no best one named."""
    focals = [focal for focal in lens.by_focal_length if len({point.f_number for point in focal.curve}) > 1]
    bests = [(focal.focal_length_mm, best) for focal in focals for best in focal.best_by_purpose.values()]
    if not bests:
        return None
    levels = [f"{one.level_percent:.0f} % of the best" for one in bests[0][1].sharp_enough]
    ruled = any(best.take_rule != "best" for _, best in bests)
    return Grid(
        caption=f"{_ENOUGH} {_weights(lens)}".strip(),
        header=("picture", "focal length", "best stop", "as good", *(["take"] if ruled else []), *levels),
        rows=tuple(_purpose_row(focal_mm, best, ruled=ruled) for focal_mm, best in bests),
    )


def _weights(lens: LensFindings) -> str:
    told = [
        f"{PURPOSE_NAMES[Purpose(purpose)]}: {zone_in_words(zone)}" for purpose, zone in lens.purposes.items()
    ]
    return f"What counts: {'; '.join(told)}." if told else ""


def _purpose_row(focal_mm: float | None, best: BestSetting, *, ruled: bool) -> tuple[str, ...]:
    others = [f_stop(one.f_number) for one in best.tied if one.f_number != best.f_number]
    take = f_stop(best.take.f_number) if best.take else NOT_MEASURED
    enough = [_runs(one.surely, one.probably) for one in best.sharp_enough]
    stop = f_stop(best.f_number) + ("\nbest tested" if best.at_border else "")
    return (
        PURPOSE_NAMES[Purpose(best.zone)],
        focal_length(focal_mm),
        stop,
        ", ".join(others) or NOT_MEASURED,
        *([take] if ruled else []),
        *enough,
    )


def _runs(surely: Sequence[float], probably: Sequence[float]) -> str:
    """Sure run, and below it the probable one where that is wider."""
    sure, wider = stop_range(surely, surely), stop_range(probably, probably)
    if len(probably) > len(surely):
        return f"{sure or NOT_MEASURED}\nprobably {wider}"
    return sure or NOT_MEASURED


def zoom_stops_grid(lens: LensFindings) -> Grid | None:
    """Row for each position at its own best stop, and for every stop shared by two or more positions."""
    rows = [("each at its own best", lens.zoom_at_own_best)] if lens.zoom_at_own_best else []
    rows += [(f_stop(one.f_number), one) for one in lens.zoom_at_equal_stop]
    if not rows:
        return None
    provisional = any(best.provisional for _, best in rows if best)
    caption = "The whole frame, MTF50 in cycles/pixel, 95 % interval below"
    return Grid(
        caption=f"{caption}{'; provisional' if provisional else ''}",
        header=("stop", "sharpest position", "as good", "MTF50"),
        rows=tuple(_zoom_row(name, best) for name, best in rows if best),
    )


def _zoom_row(name: str, best: BestSetting) -> tuple[str, ...]:
    others = sorted({one.focal_length_mm for one in best.tied} - {best.focal_length_mm}, key=focal_order)
    return (
        name,
        focal_length(best.focal_length_mm),
        ", ".join(focal_length(one) for one in others) or NOT_MEASURED,
        with_interval(best.mtf50_cypx, best.ci95_cypx),
    )


def _summary(lens: LensFindings) -> Grid:
    if lens.quick is not None:
        return Grid(
            caption="MTF50 in cycles/pixel at the stops of the ten-minute test, 95 % interval below",
            header=("focal length", "stop", *ZONES),
            rows=tuple(row for focal in lens.by_focal_length for row in _stop_rows(focal)),
        )
    scale = scale_of_lens(lens)
    return Grid(
        caption="MTF50 in cycles/pixel at the best stop; below, its 95 % interval and the same in line pairs/mm and "
        "line widths per picture height, where known",
        header=("focal length", "best stop", "as good", *ZONES),
        rows=tuple(_summary_row(focal, scale) for focal in lens.by_focal_length),
    )


def _summary_row(focal: FocalLengthFindings, scale: Scale) -> tuple[str, ...]:
    tied = ", ".join(f_stop(stop) for stop in focal.tied_f_numbers if stop != focal.best_f_number)
    zones = [_zone_cell(focal, zone, scale) for zone in ZONES]
    return (focal_length(focal.focal_length_mm), f_stop(focal.best_f_number), tied or NOT_MEASURED, *zones)


def _stop_rows(focal: FocalLengthFindings) -> list[tuple[str, ...]]:
    """Row for every stop, as none is called the best."""
    cells = {(point.f_number, point.zone): point for point in focal.curve}
    stops = sorted({point.f_number for point in focal.curve})
    return [
        (
            focal_length(focal.focal_length_mm),
            f_stop(stop),
            *(
                with_interval(point.mtf50_cypx, point.ci95_cypx)
                if (point := cells.get((stop, zone)))
                else NOT_MEASURED
                for zone in ZONES
            ),
        )
        for stop in stops
    ]


def _zone_cell(focal: FocalLengthFindings, zone: str, scale: Scale) -> str:
    figure = focal.zones.get(zone)
    if figure is None:
        return NOT_MEASURED
    lines = (with_interval(figure.mtf50_cypx, figure.ci95_cypx), scale.also(figure.mtf50_cypx))
    return "\n".join(line for line in lines if line)


def _condition_grid(lens: LensFindings) -> Grid | None:
    if not lens.condition:
        return None
    texts = [(finding, condition_text(finding)) for finding in lens.condition]
    return Grid(
        caption="Is the copy sound?",
        header=("what", "verdict", "evidence", "caution", "what to do next"),
        rows=tuple(
            (
                finding.subject.value,
                verdict_text(finding),
                text.evidence,
                text.caution or NOT_MEASURED,
                text.advice or NOT_MEASURED,
            )
            for finding, text in texts
        ),
    )


def _all_rejected(lens: LensFindings, shots: list[SweepShot]) -> tuple[RejectedShot, ...]:
    known = {rejected.path for rejected in lens.rejected}
    left_out = [
        RejectedShot(path=shot.planned.path, reason=shot.reason)
        for shot in shots
        if shot.reason and shot.planned.path not in known
    ]
    return (*lens.rejected, *left_out)


def _rejected_grid(rejected: tuple[RejectedShot, ...], *, caption: str) -> Grid | None:
    if not rejected:
        return None
    labels = photo_labels(tuple(each.path for each in rejected))
    rows = tuple((labels[each.path], clean_line(each.reason)) for each in rejected)
    return Grid(caption=caption, header=("photograph", "why"), rows=rows)


def _remarks_grid(lens: LensFindings, shots: list[SweepShot]) -> Grid | None:
    results = [shot.result for shot in shots if isinstance(shot.result, ShotResult)]
    edges = [edge.edge for result in results for edge in result.edges]
    groups = [
        *_grouped(
            [tuple(series_remark(remark) for remark in lens.remarks)], "the whole shoot", "the whole shoot"
        ),
        *_grouped([result.quality for result in results], "1 photograph", "{} photographs"),
        *_grouped([edge.flags for edge in edges], "1 edge", "{} edges"),
    ]
    if not groups:
        return None
    order = list(reversed(Severity))
    groups.sort(key=lambda group: order.index(group[0].severity))
    return Grid(
        caption="About the shooting",
        header=("seen on", "remark", "what to do"),
        rows=tuple((where, clean_line(remark.message), remark.advice) for remark, where in groups),
    )


def _grouped(raised: Sequence[tuple[Remark, ...]], one: str, many: str) -> list[tuple[Remark, str]]:
    """Each flag once, with the first figure seen and how often it was raised."""
    firsts: dict[str, Remark] = {}
    counts = dict.fromkeys(FLAGS, 0)
    for remarks in raised:
        for flag in {remark.flag for remark in remarks}:
            counts[flag] += 1
        for remark in remarks:
            firsts.setdefault(remark.flag, remark)
    return [
        (remark, one if counts[flag] == 1 else many.format(counts[flag])) for flag, remark in firsts.items()
    ]
