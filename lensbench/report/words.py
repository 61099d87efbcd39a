"""The plain answer in sentences: the same words in the page, in the PDF and on the command line."""

import math

from lensbench.report.clean import clean_text
from lensbench.report.readings import f_stop, focal_length, in_words
from lensbench.study.findings import BestSetting, CompareFindings, LensFindings, Setting, SweepFindings

__all__ = [
    "answer_sentences",
    "comparison_sentences",
    "lens_sentences",
    "lens_title",
]


def answer_sentences(findings: SweepFindings) -> list[str]:
    """Give the plain answer of a sweep, one sentence an item, lens after lens."""
    if not findings.lenses:
        return ["No photograph could be measured."]
    several = len(findings.lenses) > 1
    sentences: list[str] = []
    for lens in findings.lenses:
        own = lens_sentences(lens)
        sentences += [f"{lens_title(lens)}: {own[0]}", *own[1:]] if several else own
    return sentences


def lens_sentences(lens: LensFindings) -> list[str]:
    """Give the plain answer for one lens, its limits last."""
    answer = [clean_line(lens.answer)] if lens.answer else _composed(lens)
    return [*answer, clean_line(lens.holds_for)] if lens.holds_for else answer


def lens_title(lens: LensFindings) -> str:
    """Give the lens and its camera by name."""
    return f"{clean_text(lens.lens)} on {clean_text(lens.camera)}"


def comparison_sentences(comparison: CompareFindings) -> list[str]:
    """Give the plain answer of a comparison and what limits it."""
    cautions = [caution for pair in comparison.pairs for caution in pair.cautions]
    return [clean_line(text) for text in (comparison.answer, *dict.fromkeys(cautions)) if text]


def clean_line(text: str) -> str:
    """Give a composed sentence without hidden characters; it may be longer than a name."""
    return " ".join(cleaned for word in text.split() if (cleaned := clean_text(word, unknown="")))


def _composed(lens: LensFindings) -> list[str]:
    best = lens.best
    if best is None:
        return [f"No setting could be measured: all {lens.shots} photographs were rejected."]
    return [_best_sentence(best), *_tied_sentences(lens, best), *_border_sentence(best), *_caution(best)]


def _setting_text(setting: BestSetting | Setting) -> str:
    at = "" if math.isnan(setting.focal_length_mm) else f" at {focal_length(setting.focal_length_mm)}"
    return f"{f_stop(setting.f_number)}{at}"


def _best_sentence(best: BestSetting) -> str:
    if best.provisional:
        return f"{_setting_text(best)} came out sharpest, but no winner can be claimed yet."
    return f"Set {_setting_text(best)}."


def _tied_sentences(lens: LensFindings, best: BestSetting) -> list[str]:
    others = [setting for setting in best.tied if _place(setting) != _place(best)]
    if not others:
        return ["Every other tested setting is less sharp."]
    here = {
        s.f_number for s in others if focal_length(s.focal_length_mm) == focal_length(best.focal_length_mm)
    }
    away = [
        _setting_text(setting)
        for setting in others
        if focal_length(setting.focal_length_mm) != focal_length(best.focal_length_mm)
    ]
    return [f"{in_words([*_stops_text(here, lens, best), *away])} can't be told apart from it."]


def _stops_text(stops: set[float], lens: LensFindings, best: BestSetting) -> list[str]:
    """Give «f/4 to f/8» where every tested stop between is among them, else one by one."""
    tested = {
        point.f_number
        for focal in lens.by_focal_length
        if focal_length(focal.focal_length_mm) == focal_length(best.focal_length_mm)
        for point in focal.curve
    }
    run = stops | {best.f_number}
    between = {stop for stop in tested if min(run) <= stop <= max(run)}
    if len(run) > 2 and between <= run:
        return [f"{f_stop(min(run))} to {f_stop(max(run))}"]
    return [f_stop(stop) for stop in sorted(stops)]


def _place(setting: BestSetting | Setting) -> tuple[str, str]:
    return focal_length(setting.focal_length_mm), f_stop(setting.f_number)


def _border_sentence(best: BestSetting) -> list[str]:
    return ["It is the best tested, at the end of the range of stops."] if best.at_border else []


def _caution(best: BestSetting) -> list[str]:
    return [clean_line(best.caution)] if best.caution else []
