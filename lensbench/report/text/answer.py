"""The plain answer of a sweep: what to set, what is as good, what serves other pictures, what is weak; and its limits.

Also what is remarked on a whole series. The findings hold figures and enumerations; every sentence is made here.
"""

import math
from collections.abc import Iterable, Iterator, Sequence
from enum import StrEnum
from typing import Final

from lensbench.model.condition import (
    CameraTilt,
    ConditionFinding,
    Decentring,
    InnerSharpness,
    QuickFindings,
    TurnedOutcome,
    Verdict,
)
from lensbench.model.errors import Note, Remark
from lensbench.model.setting import f_stop, focal_length, listed
from lensbench.model.sweep import (
    INDIFFERENCE,
    Basis,
    BestSetting,
    FocalLengthFindings,
    LensFindings,
    Observed,
    Purpose,
    Refocusing,
    SeriesRemark,
    SweepFindings,
    Unclaimed,
)
from lensbench.model.units import lwph_from_cypx
from lensbench.report.text.condition import condition_text, share, state_sentences
from lensbench.report.text.words import (
    NOT_TOLD_FROM,
    at_setting,
    clean_line,
    figure_range,
    full_scale,
    note_in_words,
    percent,
    percent_share,
    sentence_case,
    stop_range,
    worded,
)
from lensbench.shot import LEAST_COVERED_PERCENT
from lensbench.storage.text import clean_text

PURPOSE_NAMES: Final = {
    Purpose.CENTRE: "subject at the centre",
    Purpose.FRAME: "whole frame",
    Purpose.EDGES: "edges and corners",
}
_SOFT_END: Final = 0.10
"""A focal length whose best stays behind by more than this is named. Common practice, no source."""
_TERMINAL_COLUMNS: Final = 80
_CELL_COLUMNS: Final = 7
_TERMINAL_SENTENCES: Final = 3
_SAID: Final = (
    Observed.CHARTS, Observed.DISTANCES, Observed.SHARPENED, Observed.ASKEW, Observed.FRAMELESS
)  # fmt: skip
"""What is said with the answer, not only among the remarks."""
_REFOCUSED: Final = (Refocusing.SAID_ANEW, Refocusing.AGREED)
_FOCUSED_ONCE: Final = (Refocusing.SAID_ONE, Refocusing.CONTRADICTED)
_TAKEN: Final = {
    "widest": "the widest of them",
    "middle": "in the middle of them",
    "deepest": "the one with most depth of field",
}


def answer_sentences(findings: SweepFindings) -> list[str]:
    """Plain answer of a sweep, one sentence an item; each lens ends with its limits."""
    sentences = [sentence for lens in findings.lenses for sentence in lens_sentences(lens)]
    return sentences or ["No photograph could be measured."]


def short_answer(findings: SweepFindings) -> list[str]:
    """What a terminal shows: of each lens the answer in three sentences, and a table of its whole frame in percent.

    Between them stands what keeps its shots from comparing; raw files beside finished pictures get no table.
    """
    lines = []
    for lens in findings.lenses:
        table = [] if mixed_kinds(lens) else percent_table(lens)
        said = dict.fromkeys([*_first_sentences(lens), *shooting_sentences(lens)])
        lines += [*said, *([""] if table else []), *table, ""]
    return lines or answer_sentences(findings)


def _first_sentences(lens: LensFindings) -> list[str]:
    """The setting, then what keeps it from being sure, what is wrong with the copy, what is as good: three in all."""
    sentences = lens_sentences(lens)
    if lens.quick is not None or lens.best is None or mixed_kinds(lens):
        return sentences
    pressing = [note_in_words(reservation) for reservation in lens.best.reservations]
    pressing += state_sentences(lens.condition)[:1]
    pressing += [_equal_stops(lens.at_best, zoom=len(lens.by_focal_length) > 1)] if lens.at_best else []
    first, *others = sentences
    urgent = [one for one in pressing if one in others]
    return [first, *dict.fromkeys([*urgent, *others])][:_TERMINAL_SENTENCES]


def percent_table(lens: LensFindings) -> list[str]:
    """Lines of at most 80 columns: MTF50 of the whole frame at every stop and focal length, in percent of its best."""
    third, full_cypx = full_scale(lens) or ("", math.nan)
    if third != "frame":
        return []
    curves = {
        focal.focal_length_mm: {
            point.f_number: 100.0 * percent_share(lens, focal, full_cypx) * point.mtf50_cypx / full_cypx
            for point in focal.curve
            if point.zone == "frame"
        }
        for focal in lens.by_focal_length
    }
    stops = sorted({stop for curve in curves.values() for stop in curve})
    if len(stops) * len(curves) < 2:
        return []
    lines = ["Whole frame, in percent of its best:"]
    names = {focal_mm: focal_length(focal_mm) for focal_mm in curves}
    margin = max(map(len, names.values()))
    count = (_TERMINAL_COLUMNS - 2 - margin) // _CELL_COLUMNS
    for start in range(0, len(stops), count):
        block = stops[start : start + count]
        lines.append(f"  {'':<{margin}}" + "".join(f"{f_stop(stop):>{_CELL_COLUMNS}}" for stop in block))
        lines += [
            f"  {names[focal_mm]:<{margin}}"
            + "".join(f"{f'{curve[stop]:.0f}' if stop in curve else '-':>{_CELL_COLUMNS}}" for stop in block)
            for focal_mm, curve in curves.items()
        ]
    return lines


def lens_title(lens: LensFindings) -> str:
    """Name of the lens and its camera."""
    return f"{clean_text(lens.lens)} on {clean_text(lens.camera)}"


def lens_sentences(lens: LensFindings) -> list[str]:
    """Plain answer for one lens, its limits last."""
    name = clean_text(lens.lens)
    limits = [] if lens.basis is None else [*_corners(lens.basis), holds_for(lens.basis)]
    if lens.quick is not None:
        return [*(clean_line(sentence) for sentence in quick_sentences(lens)), *limits]
    if mixed := mixed_kinds(lens):
        return [f"{name}: {note_in_words(mixed)}", *limits]
    if lens.best is None:
        return [f"{name}: no setting could be measured.", *limits]
    zoom, at_best = len(lens.by_focal_length) > 1, lens.at_best
    if not zoom and at_best is not None and len(at_best.tested_f_numbers) == 1:
        return [
            *_one_stop(lens, at_best),
            *shooting_sentences(lens),
            *state_sentences(lens.condition),
            *limits,
        ]
    sentences = [_set_to(name, lens.best, at_best.tested_f_numbers if at_best else [], zoom=zoom)]
    sentences += _equal_lengths(lens)
    sentences += [told for focal in lens.by_focal_length if (told := _equal_stops(focal, zoom=zoom))]
    sentences += [*_taken(lens.best, zoom=zoom), *_purposes(lens, zoom=zoom), *_also_good(at_best, zoom=zoom)]
    sentences += _weak_ends(lens.zoom_at_own_best)
    if zoom or any(len(focal.tested_f_numbers) > 1 for focal in lens.by_focal_length):
        sentences += [note_in_words(reservation) for reservation in lens.best.reservations]
    return [*sentences, *shooting_sentences(lens), *state_sentences(lens.condition), *limits]


def mixed_kinds(lens: LensFindings) -> Note | None:
    """How many raw files and finished pictures stand side by side, so that no figure of the lens is shown; or None."""
    return next(iter(_of(lens.best.reservations, Unclaimed.FILE_KIND)), None) if lens.best else None


def _of(notes: Iterable[Note], *kinds: StrEnum) -> list[Note]:
    return [note for note in notes if note.kind in kinds]


def shooting_sentences(lens: LensFindings) -> Iterator[str]:
    """What of the shooting keeps figures from comparing, a line each."""
    askew_said = any(
        isinstance(finding.details, CameraTilt) and finding.verdict is Verdict.MATTERS
        for finding in lens.condition
    )
    for remark in lens.remarks:
        for note in _of(remark.observations, *_SAID):
            if not (note.kind is Observed.ASKEW and askew_said):
                yield f"{sentence_case(note_in_words(note))}."


def _corners(basis: Basis) -> Iterator[str]:
    """Say that the corners were not measured, where the targets leave them out."""
    if basis.covered_percent < LEAST_COVERED_PERCENT:
        yield worded("sweep.corners", covered=basis.covered_percent)


def _one_stop(lens: LensFindings, focal: FocalLengthFindings) -> Iterator[str]:
    """Sharpness and evenness of a lens of which one stop was tested, as of a phone's: there is none to choose."""
    mtf50 = {zone: figure.mtf50_cypx for zone, figure in focal.zones.items()}
    lwph = lwph_from_cypx(mtf50["frame"], lens.picture_height_px) if lens.picture_height_px else math.nan
    widths = f", {lwph:.0f} LW/PH" if math.isfinite(lwph) else ""
    yield (
        f"{clean_text(lens.lens)} at {f_stop(focal.best_f_number)}, the only stop tested: the whole frame reaches "
        f"{mtf50['frame']:.3f} cy/px{widths}."
    )
    yield from outer_third(focal)
    for finding in lens.condition:
        details = finding.details
        if (
            isinstance(details, Decentring)
            and finding.verdict is not Verdict.MATTERS
            and details.main.softer_side
        ):
            yield f"The softest side, the {details.main.softer_side}, is {share(details.main.percent)} softer."


def outer_third(focal: FocalLengthFindings) -> Iterator[str]:
    """How far the outer third stays behind the inner at the best stop."""
    mtf50 = {zone: figure.mtf50_cypx for zone, figure in focal.zones.items()}
    if "inner" in mtf50 and "outer" in mtf50:
        loss = 100.0 * (1.0 - mtf50["outer"] / mtf50["inner"])
        yield f"The outer third is {percent(abs(loss))} {'softer' if loss >= 0.0 else 'sharper'} than the inner."


def _set_to(name: str, best: BestSetting, tested: Sequence[float], *, zoom: bool) -> str:
    stop = f_stop(best.f_number)
    setting = f"{focal_length(best.focal_length_mm)} and {stop}" if zoom else stop
    border = ""
    if best.at_border and len(tested) > 1:
        beyond = "wider" if best.f_number == tested[0] else "smaller"
        border = f" (best tested: no {beyond} stop was photographed, and one may be better)"
    if not best.claimed:
        return f"{name}: {setting} came out sharpest over the whole frame{border}."
    return f"{name}: set {setting}{border} for the sharpest whole frame."


def _equal_lengths(lens: LensFindings) -> Iterator[str]:
    """Name the other focal lengths that come up to the best one, each at its own best stop."""
    best = lens.zoom_at_own_best
    if best is None:
        return
    good, untold = best.other_lengths_mm
    for behind in best.behind:
        length = focal_length(behind.focal_length_mm)
        if behind.focal_length_mm in good:
            yield f"{length} is as good (within {100.0 * INDIFFERENCE:.0f} %)."
        elif behind.focal_length_mm in untold:
            yield f"{length} can't be told from it ({percent(behind.percent)} softer in these shots)."


def _equal_stops(focal: FocalLengthFindings, *, zoom: bool) -> str:
    tested = focal.tested_f_numbers
    at = f"At {focal_length(focal.focal_length_mm)} " if zoom else ""
    if len(tested) < 2:
        return f"{at}only {f_stop(focal.best_f_number)} was tested." if at else ""
    good, tied = focal.other_stops
    best = f"{f_stop(focal.best_f_number)} is best; " if zoom else ""
    if not good and not tied:
        if not math.isfinite(sum(focal.best_by_zone["frame"].ci95_cypx)):  # without repeats nothing is sure
            return sentence_case(f"{at}{best}no other stop came near in these shots.")
        return f"{at}only {f_stop(focal.best_f_number)}." if at else "No other stop is as sharp."
    if good and not tied:
        alike = stop_range([focal.best_f_number, *good], tested)
        return f"{at}{alike} differ by less than {100.0 * INDIFFERENCE:.0f} %, which hardly shows."
    doubtful = f"{stop_range(tied, tested)} {NOT_TOLD_FROM}"
    surely = [f"{stop_range(good, tested)} {'is' if len(good) == 1 else 'are'} as good"] if good else []
    return f"{at}{best}{'; '.join([*surely, doubtful])}."


def _taken(best: BestSetting, *, zoom: bool) -> Iterator[str]:
    """Name the stop that the photographer's own rule takes from the equally good ones."""
    here = [one for one in best.tied if one.focal_length_mm == best.focal_length_mm]
    if best.take is not None and best.take_rule in _TAKEN and len(here) > 1:
        at = f" at {focal_length(best.focal_length_mm)}" if zoom else ""
        yield f"Take {f_stop(best.take.f_number)}{at}, {_TAKEN[best.take_rule]}."


def _purposes(lens: LensFindings, *, zoom: bool) -> Iterator[str]:
    """Say which stop serves a subject at the centre, and which the edges, where those were seen."""
    if all(len(focal.tested_f_numbers) < 2 for focal in lens.by_focal_length):
        return
    frame = lens.best_by_purpose.get(Purpose.FRAME)
    others = {
        f"for {'a ' * (purpose == Purpose.CENTRE)}{PURPOSE_NAMES[Purpose(purpose)]}": best
        for purpose, best in lens.best_by_purpose.items()
        if purpose != Purpose.FRAME
    }
    if others and frame and all((one.take, one.tied) == (frame.take, frame.tied) for one in others.values()):
        yield f"The same holds {listed(list(others))}."
    elif others:
        told = [f"{purpose} set {_setting(best, zoom=zoom)}" for purpose, best in others.items()]
        yield sentence_case(f"{', '.join(told)}.")


def _setting(best: BestSetting, *, zoom: bool) -> str:
    stop = f_stop(best.take.f_number if best.take else best.f_number)
    if zoom:
        return f"{focal_length(best.focal_length_mm)} and {stop}"
    good = [one.f_number for one in best.as_good if f_stop(one.f_number) != stop]
    doubtful = [
        one.f_number for one in best.tied if f_stop(one.f_number) != stop and one.f_number not in good
    ]
    told = [f"{listed([f_stop(f_number) for f_number in good])} as good"] if good else []
    told += [f"{listed([f_stop(f_number) for f_number in doubtful])} {NOT_TOLD_FROM}"] if doubtful else []
    return f"{stop} ({'; '.join(told)})" if told else stop


def _also_good(focal: FocalLengthFindings | None, *, zoom: bool) -> Iterator[str]:
    """Name the stops beside the equally good ones over which the whole frame keeps a share of its best."""
    frame = None if focal is None else focal.best_by_purpose.get(Purpose.FRAME)
    if focal is None or frame is None or len(tested := focal.tested_f_numbers) < 2:
        return
    sure = any(enough.surely for enough in frame.sharp_enough)
    named = {setting.f_number for setting in frame.tied}
    parts: list[str] = []
    for enough in sorted(frame.sharp_enough, key=lambda one: -one.level_percent):
        fresh = [stop for stop in (enough.surely if sure else enough.probably) if stop not in named]
        if fresh:
            softer = f"{100.0 - enough.level_percent:.0f} %{'' if parts else ' softer'}"
            parts.append(f"{stop_range(fresh, tested)} (at most {softer})")
            named.update(fresh)
    if parts:
        at = f" at {focal_length(focal.focal_length_mm)}" if zoom else ""
        yield f"{'Also' if sure else 'Probably also'} good{at}: {'; '.join(parts)}."


def _weak_ends(best: BestSetting | None) -> Iterator[str]:
    """Name the focal lengths that surely stay behind the sharpest at their own best stop, with their intervals."""
    if best is None:
        return
    weak = [
        f"{focal_length(behind.focal_length_mm)} is {behind.percent:.0f} % softer "
        f"({figure_range(*behind.ci95_percent, '.0f')} %)"
        for behind in best.behind
        if behind.percent > 100.0 * _SOFT_END and behind.ci95_percent[0] > 0.0
    ]
    if weak:
        yield f"Each at its own best stop, {listed(weak)} than {focal_length(best.focal_length_mm)}."


def holds_for(basis: Basis) -> str:
    """Say what the findings hold for: this copy, body, kind of file, distance and number of shots."""
    files = ", ".join(("raw" if basis.sensor_data else "finished pictures", *basis.channels))
    low_m, high_m = (distance_mm / 1000.0 for distance_mm in basis.distance_mm)
    distance = f"; at {figure_range(low_m, high_m, '.2g')} m" if math.isfinite(low_m) else ""
    if distance and math.isfinite(basis.distance_focal_lengths[0]):
        distance += f" ({figure_range(*basis.distance_focal_lengths, '.0f')} focal lengths)"
    fewest, most = basis.shots_a_setting
    plural = "s" * (most > 1)
    kind = f"{'refocused ' * (basis.refocusing in _REFOCUSED)}shot{plural}"
    kind += f" or focus bracket{plural}" if basis.bracketed else ""
    shots = f"{figure_range(fewest, most, 'd')} {kind} a setting"
    if basis.refocusing in _FOCUSED_ONCE and not basis.bracketed:
        times = "once" if most == 1 else f"{figure_range(fewest, most, 'd')} times"
        shots = f"focused {times} a setting, whatever the number of frames"
    return f"Holds for this copy on this body; {files}{distance}; {shots}."


def series_remark(remark: SeriesRemark) -> Remark:
    """Remark on a whole series with its figures in words."""
    told = "; ".join(note_in_words(observation) for observation in remark.observations)
    if remark.shots:
        length = [focal_length(remark.focal_length_mm)] if remark.focal_length_mm else []
        setup = [*length, *([clean_line(remark.condition)] if remark.condition else [])]
        told = f"{', '.join([*setup, f'{remark.shots} shots'])}: {told}"
    return Remark(flag=remark.flag, seen=told)


def quick_sentences(lens: LensFindings) -> list[str]:
    """The answer of a ten-minute test, a thought an item; empty where none was asked for."""
    quick = lens.quick
    if quick is None:
        return []
    decentring = [finding for finding in lens.condition if isinstance(finding.details, Decentring)]
    blurred = "" if quick.grossly_soft is Verdict.WITHIN_LIMITS else worded("quick.blurred")
    inner = [_inner(length) for length in quick.inner]
    return [
        f"{lens.lens}: {_quick_verdict(quick, lens.condition)}",
        *(condition_text(finding).evidence for finding in decentring),
        f"Sharpness: {' '.join(inner) + blurred if inner else worded('quick.unknown')}",
        worded("quick.method", shots=lens.shots),
    ]


def _quick_verdict(quick: QuickFindings, condition: Sequence[ConditionFinding]) -> str:
    soft = quick.grossly_soft is Verdict.MATTERS
    details = (finding.details for finding in condition)
    decentring = next((detail for detail in details if isinstance(detail, Decentring)), None)
    if decentring is not None and quick.grossly_uneven is Verdict.MATTERS:
        return _uneven(decentring, soft=soft)
    if soft:
        return worded("quick.soft")
    if Verdict.CANNOT_TELL in (quick.grossly_uneven, quick.grossly_soft):
        return f"nothing wrong seen, but {_doubt(quick, condition)}"
    return worded("quick.slightly_uneven" if quick.slightly_uneven else "quick.sound")


def _uneven(details: Decentring, *, soft: bool) -> str:
    main, turned = details.main, details.turned
    size = "the plane of best focus is tilted"
    if main.matters:
        size = f"the {main.softer_side} is {share(main.percent)} softer at {at_setting(main)}"
    stayed = turned.outcome is TurnedOutcome.STAYED
    what = ("chart" if turned.chart_only else "camera") if turned.told else worded("evidence.turned.either")
    still = f", and turning the {what} did not move it" if stayed else ""
    also = " The centre is soft as well." if soft else ""
    again = "Repeat once" if stayed and not turned.chart_only else "Repeat once with the camera turned"
    return f"grossly uneven: {size}{still}.{also} {again}, then return it."


def _doubt(quick: QuickFindings, condition: Sequence[ConditionFinding]) -> str:
    if not quick.inner:
        return worded("quick.doubt.unknown")
    for finding in condition if quick.grossly_uneven is Verdict.CANNOT_TELL else ():
        angles = finding.details
        if isinstance(angles, CameraTilt) and finding.verdict is not Verdict.WITHIN_LIMITS:
            askew_deg = max(abs(angles.yaw_deg), abs(angles.pitch_deg))
            return worded("quick.doubt.askew", askew_deg=askew_deg)
    return worded(f"quick.doubt.{'soft' if quick.grossly_soft is Verdict.CANNOT_TELL else 'scatter'}")


def _inner(length: InnerSharpness) -> str:
    """The centre against what physics allows, and what the wider stop loses; ordinary for a wide stop."""
    allowed = f"{length.share_percent:.0f} % of what diffraction, pixel and a home print allow"
    parts = {"the centre is": length.wide_inner_percent, "the outer part": length.wide_outer_percent}
    changes = [
        f"{part} {abs(percent):.0f} % {'softer' if percent < 0.0 else 'sharper'}"
        for part, percent in parts.items()
        if math.isfinite(percent)
    ]
    wide = ""
    if changes and math.isfinite(length.wide_f_number):
        wide = f"; at {f_stop(length.wide_f_number)} {', '.join(changes)}"
    return f"at {at_setting(length)} the centre reaches {allowed}{wide}."
