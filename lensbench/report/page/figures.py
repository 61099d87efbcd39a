"""The figures of a lens as tables: a row a focal length and a column a purpose, a row a stop, and zoom positions."""

from collections.abc import Sequence

from lensbench.model.setting import f_stop, focal_length, focal_order
from lensbench.model.shot import ZONES
from lensbench.model.sweep import (
    BestSetting,
    CurvePoint,
    FocalLengthFindings,
    LensFindings,
    Purpose,
    SharpEnough,
)
from lensbench.report.draw.strips import THIRD_NAMES, StripScale, scales_of
from lensbench.report.page.document import Block, Figure, Figures, Table
from lensbench.report.text.answer import PURPOSE_NAMES
from lensbench.report.text.words import (
    NOT_MEASURED,
    NOT_TOLD_FROM,
    UNTOLD_COLUMN,
    Grid,
    full_scale,
    percent_share,
    stop_range,
    worded,
)


def figure_blocks(lens: LensFindings) -> tuple[Block, ...]:
    """Every table of figures; none where nothing was measured."""
    scale = full_scale(lens)
    if scale is None:
        return ()
    scales = scales_of(scale[1], lens, THIRD_NAMES[scale[0]])
    purposes: list[Block] = []
    if lens.quick is None:
        purposes += [figures] if (figures := purpose_figures(lens, scale[1], scales)) else []
        purposes += [Table("", grid) for grid in (kept_grid(lens), zoom_stops_grid(lens)) if grid is not None]
    return (*purposes, *_stop_figures(lens, scale[1], scales))


def _in_percent(
    record: BestSetting | CurvePoint, full_cypx: float, *, share: float = 1.0, words: str = "", note: str = ""
) -> Figure:
    to_percent = 100.0 / full_cypx
    low, high = record.ci95_cypx
    ends = to_percent * low, to_percent * high
    return Figure(
        words=words, percent=to_percent * record.mtf50_cypx, ci95_percent=ends, share=share, note=note
    )


def purpose_figures(lens: LensFindings, full_cypx: float, scales: tuple[StripScale, ...]) -> Figures | None:
    """Best stop of every purpose at every focal length; None where only one stop was tested."""
    focals = _with_purposes(lens)
    purposes = list(dict.fromkeys(purpose for focal in focals for purpose in focal.best_by_purpose))
    if not purposes:
        return None
    counted = "; ".join(
        f"{PURPOSE_NAMES[Purpose(purpose)]}: "
        f"{'mean of the three thirds' if zone == 'frame' else f'{zone} third of the picture'}"
        for purpose, zone in lens.purposes.items()
    )
    return Figures(
        caption=" ".join(
            filter(None, (worded("sweep.by_purpose"), f"What counts: {counted}." * bool(counted)))
        ),
        header=("focal length", *(PURPOSE_NAMES[Purpose(purpose)] for purpose in purposes)),
        rows=tuple(
            (
                focal_length(focal.focal_length_mm),
                tuple(
                    _purpose(lens, focal, focal.best_by_purpose.get(purpose), full_cypx)
                    for purpose in purposes
                ),
            )
            for focal in focals
        ),
        scales=scales,
    )


def _with_purposes(lens: LensFindings) -> list[FocalLengthFindings]:
    """Focal lengths at which there was a stop to choose."""
    focals = [focal for focal in lens.by_focal_length if len({point.f_number for point in focal.curve}) > 1]
    return [focal for focal in focals if focal.best_by_purpose]


def _purpose(
    lens: LensFindings, focal: FocalLengthFindings, best: BestSetting | None, full_cypx: float
) -> Figure:
    if best is None:
        return Figure()
    tested = _tested(focal)
    good, doubtful = best.other_stops
    notes = [f"as good: {stop_range(good, tested)}"] if good else []
    notes += [f"{stop_range(doubtful, tested)} {NOT_TOLD_FROM}"] if doubtful else []
    ruled = best.take is not None and best.take.f_number != best.f_number
    notes += [f"take {f_stop(best.take.f_number)}"] if ruled and best.take else []
    words = f_stop(best.f_number) + ", best tested" * best.at_border
    share = percent_share(lens, focal, full_cypx) if best.zone == "frame" else 1.0
    return _in_percent(best, full_cypx, share=share, words=words, note="; ".join(notes))


def _tested(focal: FocalLengthFindings) -> list[float]:
    return sorted({point.f_number for point in focal.curve})


def kept_grid(lens: LensFindings) -> Grid | None:
    """Stops over which the whole frame keeps a share of its best; None where none were told."""
    frames = [
        (focal, focal.best_by_purpose[Purpose.FRAME])
        for focal in _with_purposes(lens)
        if Purpose.FRAME in focal.best_by_purpose
    ]
    frames = [(focal, frame) for focal, frame in frames if frame.sharp_enough]
    if not frames:
        return None
    return Grid(
        caption=worded("sweep.kept"),
        header=(
            "focal length",
            *(f"{enough.level_percent:.0f} % of the best" for enough in frames[0][1].sharp_enough),
        ),
        rows=tuple(
            (
                focal_length(focal.focal_length_mm),
                *(_kept_stops(enough, _tested(focal)) for enough in frame.sharp_enough),
            )
            for focal, frame in frames
        ),
    )


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
        caption=f"Which position is sharpest over the whole frame{provisional}",
        header=("stop", "sharpest", "as good", UNTOLD_COLUMN),
        rows=tuple((name, focal_length(best.focal_length_mm), *_other_lengths(best)) for name, best in bests),
    )


def _other_lengths(best: BestSetting) -> tuple[str, str]:
    """Positions as good, and those that can't be told from the best."""
    as_good, not_told = (
        ", ".join(focal_length(length_mm) for length_mm in sorted(others, key=focal_order)) or NOT_MEASURED
        for others in best.other_lengths_mm
    )
    return as_good, not_told


def _stop_figures(
    lens: LensFindings, full_cypx: float, scales: tuple[StripScale, ...]
) -> tuple[Figures, ...]:
    """Row for every stop and column for every focal length, a table for each third; the whole frame first."""
    made = []
    for zone in ("frame", *(third for third in ZONES if third != "frame")):
        columns = [
            (
                {point.f_number: point for point in focal.curve if point.zone == zone},
                percent_share(lens, focal, full_cypx) if zone == "frame" else 1.0,
            )
            for focal in lens.by_focal_length
        ]
        stops = sorted({stop for points, _ in columns for stop in points if stop > 0.0})
        if stops:
            rows = tuple(
                (
                    f_stop(stop),
                    tuple(
                        _in_percent(points[stop], full_cypx, share=share) if stop in points else Figure()
                        for points, share in columns
                    ),
                )
                for stop in stops
            )
            header = ("stop", *(focal_length(focal.focal_length_mm) for focal in lens.by_focal_length))
            caption = worded("sweep.by_stop", third=THIRD_NAMES[zone])
            made.append(Figures(caption=caption, header=header, rows=rows, scales=scales, third=zone))
    return tuple(made)
