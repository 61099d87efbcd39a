"""What a report says, in order, ready for the page and for the PDF alike."""

from collections.abc import Sequence
from dataclasses import dataclass

from lensbench.flags import FLAGS, Remark, Severity
from lensbench.records import ZONES, RejectedShot, ShotResult
from lensbench.report.beside import beside_grid
from lensbench.report.blur_words import lens_blur_sentence
from lensbench.report.choices import purposes_grid, zoom_stops_grid
from lensbench.report.clean import photo_labels
from lensbench.report.curves import scale_of_lens, sharpness_panels, zoom_panel
from lensbench.report.evidence import EvidenceContent, evidence_content
from lensbench.report.field import FieldMap, field_maps
from lensbench.report.glossary import method_sentences
from lensbench.report.panels import Grid, Panel
from lensbench.report.readings import NOT_MEASURED, Scale, f_stop, focal_length, with_interval
from lensbench.report.responses import response_panel
from lensbench.report.words import clean_line, lens_sentences, lens_title
from lensbench.study.findings import FocalLengthFindings, LensFindings, SweepFindings, SweepShot

__all__ = ["LensContent", "SweepContent", "sweep_content"]


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
