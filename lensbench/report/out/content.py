"""What a report says, in order, ready for the page and for the PDF alike.

What the chart tells of a lens beside sharpness: distortion, the fall of light, how much of the frame was covered.

The tables of a decision: what to set for which picture, and which zoom position at which stop.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from math import isfinite, log2
from statistics import median

from lensbench.model.flags import FLAGS, Remark, Severity
from lensbench.model.setting import focal_order
from lensbench.model.shot import ZONES, RejectedShot, ShotResult
from lensbench.model.sweep import BestSetting, FocalLengthFindings, LensFindings, SweepFindings, SweepShot
from lensbench.report.draw.curves import response_panel, scale_of_lens, sharpness_panels, zoom_panel
from lensbench.report.draw.field import FieldMap, field_maps
from lensbench.report.draw.panels import Grid, Panel
from lensbench.report.out.evidence import EvidenceContent, evidence_content
from lensbench.report.out.tables import photo_labels
from lensbench.report.text.blur import lens_blur_sentence
from lensbench.report.text.figures import (
    NOT_MEASURED,
    Scale,
    clean_line,
    f_stop,
    focal_length,
    lens_sentences,
    lens_title,
    with_interval,
)
from lensbench.report.text.glossary import method_sentences

__all__ = ["LensContent", "SweepContent", "beside_grid", "purposes_grid", "sweep_content", "zoom_stops_grid"]


def beside_grid(lens: LensFindings, shots: Sequence[SweepShot]) -> Grid | None:
    """Give a row for every focal length, of the shots used; None where the chart tells nothing."""
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
            "light far out, widest stop",
            "light far out, narrowest stop",
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
    stops = round(log2(percent / 100.0), 1) + 0.0  # no -0.0
    return f"{f_stop(stop)}: {percent:.0f} % ({stops:+.1f} stops)\n{height:.2f} of the way to the corner"


def _middle(values: Sequence[float]) -> float | None:
    finite = [value for value in values if isfinite(value)]
    return median(finite) if finite else None


_ENOUGH = "Stops that surely keep 95, 90 or 80 % of the MTF50 at the best one; below, where more of them probably do."


def purposes_grid(lens: LensFindings) -> Grid | None:
    """Give a row for every purpose and focal length; None where only one stop was tested, or no best one named."""
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
    told = [f"{purpose}: {weights}" for purpose, weights in lens.purposes.items()]
    return f"What counts: {'; '.join(told)}." if told else ""


def _purpose_row(focal_mm: float | None, best: BestSetting, *, ruled: bool) -> tuple[str, ...]:
    others = [f_stop(one.f_number) for one in best.tied if one.f_number != best.f_number]
    take = f_stop(best.take.f_number) if best.take else NOT_MEASURED
    enough = [_runs(one.surely, one.probably) for one in best.sharp_enough]
    stop = f_stop(best.f_number) + ("\nbest tested" if best.at_border else "")
    return (
        best.zone,
        focal_length(focal_mm),
        stop,
        ", ".join(others) or NOT_MEASURED,
        *([take] if ruled else []),
        *enough,
    )


def _runs(surely: Sequence[float], probably: Sequence[float]) -> str:
    """Give the sure run, and below it the probable one where that is wider."""
    if not surely:
        return f"{NOT_MEASURED}\nprobably {_run(probably)}" if probably else NOT_MEASURED
    wider = f"\nprobably {_run(probably)}" if len(probably) > len(surely) else ""
    return f"{_run(surely)}{wider}"


def _run(stops: Sequence[float]) -> str:
    return f_stop(stops[0]) if len(stops) == 1 else f"{f_stop(stops[0])} to {f_stop(stops[-1])}"


def zoom_stops_grid(lens: LensFindings) -> Grid | None:
    """Give a row for each position at its own best stop, and for every stop shared by two or more positions."""
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


@dataclass(frozen=True, slots=True, kw_only=True)
class LensContent:
    """All that a report says of one lens."""

    key: str
    title: str
    answer: tuple[str, ...]
    """The plain answer, its limits last."""
    limited: bool
    """Whether the last sentence says what the answer holds for."""
    counted: str
    """How many photographs it rests on."""
    summary: Grid
    purposes: Grid | None
    """What to set for which picture."""
    zoom_stops: Grid | None
    """Which zoom position at which stop."""
    zoom: Panel | None
    stops: tuple[Panel, ...]
    fields: tuple[FieldMap, ...]
    response: Panel | None
    condition: Grid | None
    beside: Grid | None
    """Distortion, fall of light, framing."""
    evidence: EvidenceContent | None
    """For somebody who may want to return or repair the lens."""
    rejected: Grid | None
    remarks: Grid | None
    method: tuple[str, ...]

    @property
    def panels(self) -> tuple[Panel, ...]:
        """Every curve plot, in reading order."""
        zoom = () if self.zoom is None else (self.zoom,)
        return (*zoom, *self.stops, *(() if self.response is None else (self.response,)))


@dataclass(frozen=True, slots=True, kw_only=True)
class SweepContent:
    """All that a report says of a sweep."""

    lenses: tuple[LensContent, ...]
    unplaced: Grid | None
    version: str


def sweep_content(findings: SweepFindings, shots: Sequence[SweepShot]) -> SweepContent:
    """Give everything that the reports of a sweep say."""
    lenses = tuple(
        _lens_content(lens, _shots_of(lens, shots), key=f"lens-{number}", method=findings.method)
        for number, lens in enumerate(findings.lenses, start=1)
    )
    unplaced = _rejected_grid(findings.unplaced, caption="Files that belong to no lens")
    return SweepContent(lenses=lenses, unplaced=unplaced, version=findings.version)


def _shots_of(lens: LensFindings, shots: Sequence[SweepShot]) -> list[SweepShot]:
    return [shot for shot in shots if (shot.planned.lens, shot.planned.camera) == (lens.lens, lens.camera)]


def _lens_content(lens: LensFindings, shots: list[SweepShot], *, key: str, method: str) -> LensContent:
    rejected = _all_rejected(lens, shots)
    return LensContent(
        key=key,
        title=lens_title(lens),
        answer=_answer(lens, shots),
        limited=bool(lens.holds_for),
        counted=f"{lens.shots} photographs, {len(rejected)} not used",
        summary=_summary(lens),
        purposes=purposes_grid(lens),
        zoom_stops=zoom_stops_grid(lens),
        zoom=zoom_panel(lens, key=key),
        stops=tuple(sharpness_panels(lens, key=key)),
        fields=tuple(field_maps(lens, shots, key=key)),
        response=response_panel(lens, shots, key=key),
        condition=_condition_grid(lens),
        beside=beside_grid(lens, shots),
        evidence=evidence_content(lens, shots, key=key),
        rejected=_rejected_grid(rejected, caption="Photographs that were not used"),
        remarks=_remarks_grid(lens, shots),
        method=tuple(method_sentences(lens, method=method)),
    )


def _answer(lens: LensFindings, shots: list[SweepShot]) -> tuple[str, ...]:
    """Put what the blur is made of behind the answer, before its limits."""
    sentences, blur = lens_sentences(lens), lens_blur_sentence(lens, shots)
    if blur:
        sentences.insert(len(sentences) - bool(lens.holds_for), blur)
    return tuple(sentences)


def _summary(lens: LensFindings) -> Grid:
    if lens.quick is not None:
        return Grid(
            caption="MTF50 in cycles/pixel at the stops of the ten-minute test, 95 % interval below",
            header=("focal length", "stop", *ZONES),
            rows=tuple(row for focal in lens.by_focal_length for row in _stop_rows(focal)),
        )
    scale = scale_of_lens(lens)
    return Grid(
        caption="MTF50 in cycles/pixel at the best stop, 95 % interval below",
        header=("focal length", "best stop", "as good", *ZONES),
        rows=tuple(_summary_row(focal, scale) for focal in lens.by_focal_length),
    )


def _summary_row(focal: FocalLengthFindings, scale: Scale) -> tuple[str, ...]:
    tied = ", ".join(f_stop(stop) for stop in focal.tied_f_numbers if stop != focal.best_f_number)
    zones = [_zone_cell(focal, zone, scale) for zone in ZONES]
    return (focal_length(focal.focal_length_mm), f_stop(focal.best_f_number), tied or NOT_MEASURED, *zones)


def _stop_rows(focal: FocalLengthFindings) -> list[tuple[str, ...]]:
    """Give a row for every stop, as none is called the best."""
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
    return Grid(
        caption="State of the lens",
        header=("what", "verdict", "evidence", "caution", "what to do next"),
        rows=tuple(
            tuple(
                clean_line(text) or NOT_MEASURED
                for text in (each.subject, each.verdict, each.evidence, each.caution, each.advice)
            )
            for each in lens.condition
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
        *_grouped([lens.remarks], "the whole shoot", "the whole shoot"),
        *_grouped([result.quality for result in results], "1 photograph", "{} photographs"),
        *_grouped([edge.flags for edge in edges], "1 edge", "{} edges"),
    ]
    if not groups:
        return None
    order = list(reversed(Severity))
    groups.sort(key=lambda group: order.index(group[0].severity))
    return Grid(
        caption="Remarks on quality",
        header=("seen on", "remark", "what to do"),
        rows=tuple((where, clean_line(remark.message), remark.advice) for remark, where in groups),
    )


def _grouped(raised: Sequence[tuple[Remark, ...]], one: str, many: str) -> list[tuple[Remark, str]]:
    """Give each flag once, with the first figure seen and how often it was raised."""
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
