"""The first screen of a lens: which setting, which position, whether the copy is sound, and how sure all this is.

Short lines for somebody in a hurry, each a claim that the findings bear; the full sentences stand further below.
"""

from collections.abc import Iterator, Sequence
from datetime import date, datetime
from math import isfinite
from typing import Final

from lensbench.model.setting import f_stop, focal_length, focal_order, listed
from lensbench.model.shot import ShotResult
from lensbench.model.sweep import (
    Behind,
    BestSetting,
    FocalLengthFindings,
    LensFindings,
    Purpose,
    SweepShot,
    Unclaimed,
)
from lensbench.report.draw.strips import lens_strips
from lensbench.report.page.document import Opening
from lensbench.report.text.answer import PURPOSE_NAMES, lens_title, mixed_kinds, outer_third, quick_sentences
from lensbench.report.text.words import (
    NOT_TOLD_FROM,
    clean_line,
    figure_range,
    percent,
    sentence_case,
    stop_range,
    texts,
    worded,
)
from lensbench.shot import LEAST_COVERED_PERCENT

_MOST_POSITIONS: Final = 3  # other focal lengths that are named one by one
_THIRDS: Final = {Purpose.CENTRE: "inner", Purpose.EDGES: "outer"}


def lens_opening(lens: LensFindings, shots: Sequence[SweepShot], *, copy: str, key: str) -> Opening:
    """First screen of a lens; `copy` says whether the copy is sound, in a line."""
    mixed = mixed_kinds(lens)  # of kinds that do not compare no stop is named or drawn
    focal = None if mixed else lens.at_best
    label, setting = _setting(lens, focal)
    return Opening(
        about=_about(lens, shots),
        label=label,
        setting=setting,
        beside=" ".join(_beside(lens, focal)),
        purposes=tuple(_purposes(lens, focal)),
        copy=copy,
        sure=_sure(lens),
        strips=None if mixed else lens_strips(lens, key=f"{key}-strips"),
    )


def _about(lens: LensFindings, shots: Sequence[SweepShot]) -> str:
    """«Fennel 24-70 on Box One · 35 of 36 photographs · 14 March 2026»."""
    named = {rejected.path for rejected in lens.rejected}
    left_out = len(named | {shot.planned.path for shot in shots if shot.reason})
    counted = (
        f"{lens.shots - left_out} of {lens.shots} photographs" if left_out else f"{lens.shots} photographs"
    )
    taken = days_taken([shot.measured for shot in shots if shot.used])
    return " · ".join([lens_title(lens), counted, *([taken] if taken else [])])


def days_taken(results: Sequence[ShotResult]) -> str:
    """First and last day, as one writes them; empty where no photograph tells."""
    days = []
    for text in filter(None, (result.metadata.taken_at for result in results)):
        try:
            days.append(datetime.fromisoformat(text).date())
        except ValueError:  # a camera's clock that was never set
            continue
    if not days:
        return ""
    first, last = min(days), max(days)
    return _day(first) if first == last else f"{_day(first)} to {_day(last)}"


def _day(day: date) -> str:
    return f"{day.day} {texts('opening.months')[day.month - 1]} {day.year}"


def _setting(lens: LensFindings, focal: FocalLengthFindings | None) -> tuple[str, str]:
    """What kind of best it is, and the setting in a few signs."""
    words, best = texts("opening"), lens.best
    if lens.quick is not None:
        return words["quick"], sentence_case(words[f"quick_{_quick_word(lens)}"])
    if best is None or mixed_kinds(lens):
        return words["nothing" if best is None else "mixed"], words["no_setting"]
    stop = f_stop(best.f_number)
    zoom = len(lens.by_focal_length) > 1
    setting = f"{focal_length(best.focal_length_mm)} · {stop}" if zoom else stop
    if focal is not None and len(focal.tested_f_numbers) == 1 and not zoom:
        return words["only_stop"], setting
    if not best.claimed:
        return words["unclaimed"], setting
    return words["at_border" if best.at_border else "best"], setting


def _quick_word(lens: LensFindings) -> str:
    quick = lens.quick
    verdicts = () if quick is None else (quick.grossly_uneven, quick.grossly_soft)
    return max(verdicts, key=lambda verdict: verdict.weight).value if verdicts else "cannot_tell"


def _beside(lens: LensFindings, focal: FocalLengthFindings | None) -> Iterator[str]:
    """Stops that are as good as the best, then what the other positions cost."""
    if lens.quick is not None:
        yield clean_line(quick_sentences(lens)[0].partition(": ")[2] or quick_sentences(lens)[0])
    if focal is None or lens.best is None:
        return
    tested = focal.tested_f_numbers
    if len(tested) > 1:
        yield _other_stops(focal, zoom=len(lens.by_focal_length) > 1)
    elif len(lens.by_focal_length) == 1:
        yield from outer_third(focal)
    yield from _other_positions(lens.zoom_at_own_best, again=bool(len(tested) > 1 and focal.other_stops[1]))
    if lens.best.take is not None and lens.best.take.f_number != lens.best.f_number:
        yield worded("opening.take", stop=f_stop(lens.best.take.f_number), rule=lens.best.take_rule)


def _other_stops(focal: FocalLengthFindings, *, zoom: bool) -> str:
    (good, open_ones), tested = focal.other_stops, focal.tested_f_numbers
    if not good and not open_ones:
        frame = focal.best_by_zone.get("frame")
        if frame is not None and not frame.claimed:
            return worded("opening.unclaimed_beside")
        sure = frame is not None and isfinite(sum(frame.ci95_cypx))
        at = f"At {focal_length(focal.focal_length_mm)} no" if zoom else "No"
        return worded(f"opening.{'no_other' if sure else 'none_near'}", no=at)
    parts = [f"{stop_range(good, tested)} {'is' if len(good) == 1 else 'are'} as good"] if good else []
    all_open = len(open_ones) == len(tested) - 1 > 1
    which = worded("opening.all_open") if all_open else f"{stop_range(open_ones, tested)} {NOT_TOLD_FROM}"
    parts += [which] if open_ones else []
    return f"{'; '.join(parts)}."


def _other_positions(best: BestSetting | None, *, again: bool) -> Iterator[str]:
    """What each other focal length costs at its own best stop; of many, the groups.

    `again`: stops that can't be told from the best were just named, so that positions follow with «nor».
    """
    if best is None:
        return
    good, untold = best.other_lengths_mm
    others = [row for row in best.behind if row.focal_length_mm != best.focal_length_mm]
    others.sort(key=lambda row: focal_order(row.focal_length_mm))
    soft = [row for row in others if row.focal_length_mm not in good | untold]
    open_ones = listed([focal_length(length) for length in sorted(untold, key=focal_order)])
    told = [f"Nor can {open_ones}." if again else f"{open_ones} {NOT_TOLD_FROM}."] if open_ones else []
    if len(others) <= _MOST_POSITIONS:
        rows = [row for row in others if row.focal_length_mm in good or row in soft]
        yield from [*told, *(_position(row, good=row.focal_length_mm in good) for row in rows)]
        return
    lengths = [focal_length(length) for length in sorted(good, key=focal_order)]
    as_sharp = [f"{listed(lengths)} {'is' if len(lengths) == 1 else 'are'} as sharp."] if lengths else []
    yield from [*told, *as_sharp]
    if soft:
        least, most = min(row.percent for row in soft), max(soft, key=lambda row: row.percent)
        yield worded(
            "opening.softest",
            size=figure_range(least, most.percent, ".0f"),
            length=focal_length(most.focal_length_mm),
        )


def _position(row: Behind, *, good: bool) -> str:
    length, low_high = focal_length(row.focal_length_mm), figure_range(*row.ci95_percent, ".0f")
    if good:
        size = percent(max(row.percent, 0.0))
        return worded(
            "opening.as_sharp",
            length=length,
            size=f" ({size} softer, which hardly shows)" * (size != "nothing"),
        )
    interval = f" ({low_high} %)" if isfinite(sum(row.ci95_percent)) else ""
    return f"{length} is {percent(row.percent)} softer{interval}."


def _purposes(lens: LensFindings, focal: FocalLengthFindings | None) -> Iterator[tuple[str, str, str]]:
    """Setting for the centre, for edges and corners, and the stops that keep most of the best."""
    if focal is None or len(focal.tested_f_numbers) < 2:
        return
    for purpose, third in _THIRDS.items():
        best = (
            lens.best_by_purpose.get(purpose) or lens.best_by_zone.get(third) or focal.best_by_zone.get(third)
        )
        if best is not None:
            what = f"{sentence_case(PURPOSE_NAMES[purpose])} ({third} third)"
            yield (what, *_for_purpose(lens, best, purpose))
    frame = focal.best_by_purpose.get(Purpose.FRAME)
    enough = min(frame.sharp_enough, key=lambda one: one.level_percent, default=None) if frame else None
    if enough is not None and (enough.surely or enough.probably):
        at = f" at {focal_length(focal.focal_length_mm)}" if len(lens.by_focal_length) > 1 else ""
        stops = stop_range(enough.surely or enough.probably, focal.tested_f_numbers)
        yield (
            f"Keeps {enough.level_percent:.0f} % of its best{at}",
            stops,
            "" if enough.surely else "more likely than not",
        )


def _for_purpose(lens: LensFindings, best: BestSetting, purpose: Purpose) -> tuple[str, str]:
    """Setting, and the other stops of the same position that serve as well."""
    of_length = (focal for focal in lens.by_focal_length if focal.focal_length_mm == best.focal_length_mm)
    focal = next(of_length, None)
    own = best if focal is None else focal.best_by_purpose.get(purpose, best)
    tested = [] if focal is None else focal.tested_f_numbers
    good, tied = (
        {setting.f_number for setting in group if setting.focal_length_mm == best.focal_length_mm}
        - {best.f_number}
        for group in (own.as_good, own.tied)
    )
    open_ones = sorted(tied - good)
    setting = f_stop(best.f_number)
    if len(lens.by_focal_length) > 1:
        setting = f"{focal_length(best.focal_length_mm)} · {setting}"
    notes = [f"{stop_range(sorted(good), tested)} as good"] if good else []
    notes += [f"{stop_range(open_ones, tested)} {NOT_TOLD_FROM}"] if open_ones else []
    return setting, "; ".join(notes)


def _sure(lens: LensFindings) -> str:
    """How far the answer can be trusted, the gravest doubt first."""
    words, basis = texts("opening.sure"), lens.basis
    kinds = [] if lens.best is None else [note.kind for note in lens.best.reservations]
    if Unclaimed.FILE_KIND in kinds:  # what else seems to be is made of that
        return worded("opening.sure.file_kind")
    doubts = [words[str(kind)] for kind in kinds]
    if basis is not None and basis.covered_percent < LEAST_COVERED_PERCENT:
        doubts.append(words["corners"].format(covered=basis.covered_percent))
    if basis is None or lens.best is None:
        return " ".join(doubts)
    fewest, most = basis.shots_a_setting
    shots = f"{figure_range(fewest, most, 'd')} shot{'s' * (most > 1)}"
    if isfinite(lens.shot_sd_percent) and most > 1 and not doubts:
        return worded("opening.sure.claims", shots=shots, sd=lens.shot_sd_percent)
    rests = [] if Unclaimed.FEW_SHOTS in kinds else [words["shots"].format(shots=shots)]
    return " ".join([*doubts, *rests])
