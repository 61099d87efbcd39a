"""The plain answer in sentences: the same words in the page, in the PDF and on the command line.

The study finds the words; here they are cleaned of hidden characters (a lens's name comes from the file) and
parted into sentences.
"""

import math
import re

from lensbench.report.clean import clean_text
from lensbench.report.readings import f_stop, focal_length, in_words
from lensbench.study.compare_records import CompareFindings
from lensbench.study.findings import LensFindings, SweepFindings

__all__ = [
    "answer_sentences",
    "clean_line",
    "comparison_answer",
    "comparison_limits",
    "comparison_sentences",
    "lens_sentences",
    "lens_title",
]

_WORTH_NAMING = ("decentring", "field curvature", "focus shift", "astigmatism")
_BETWEEN_SENTENCES = re.compile(r"(?<=[.!?]) (?=[A-Z])")


def answer_sentences(findings: SweepFindings) -> list[str]:
    """Give the plain answer of a sweep, one sentence an item; each lens ends with its limits."""
    sentences = [sentence for lens in findings.lenses for sentence in lens_sentences(lens)]
    return sentences or ["No photograph could be measured."]


def lens_sentences(lens: LensFindings) -> list[str]:
    """Give the plain answer for one lens, its limits last."""
    answer = _parted(lens.answer, name=lens.lens) if lens.answer else [_shortest_answer(lens)]
    answer += _state(lens)
    return [*answer, clean_line(lens.holds_for)] if lens.holds_for else answer


def _state(lens: LensFindings) -> list[str]:
    """Name what was seen of the lens's state; the ten-minute test has said it already."""
    seen = [one.subject for one in lens.condition if one.verdict == "seen" and one.subject in _WORTH_NAMING]
    if not seen or lens.quick is not None:
        return []
    named = in_words(seen)
    return [
        f"{named[0].upper()}{named[1:]} {'was' if len(seen) == 1 else 'were'} seen: look at «State of the lens»."
    ]


def lens_title(lens: LensFindings) -> str:
    """Give the lens and its camera by name."""
    return f"{clean_text(lens.lens)} on {clean_text(lens.camera)}"


def comparison_sentences(comparison: CompareFindings) -> list[str]:
    """Give the plain answer of a comparison, a sentence or a pair of lenses an item, and what limits it."""
    return [*comparison_answer(comparison), *comparison_limits(comparison)]


def comparison_answer(comparison: CompareFindings) -> list[str]:
    """Give the plain answer of a comparison: the whole first, then what is said of each pair."""
    if len(comparison.pairs) == 1 and comparison.pairs[0].sentences:
        return [clean_line(sentence) for sentence in comparison.pairs[0].sentences]
    if comparison.headline:
        return [clean_line(text) for text in (comparison.headline, *(one.answer for one in comparison.pairs))]
    return [clean_line(comparison.answer)] if comparison.answer else []


def comparison_limits(comparison: CompareFindings) -> list[str]:
    """Give what a comparison rests on, and what it must not be taken for."""
    cautions = [caution for pair in comparison.pairs for caution in pair.cautions]
    return [
        clean_line(text)
        for text in (comparison.looked_at, *dict.fromkeys(cautions), comparison.holds_for)
        if text
    ]


def clean_line(text: str) -> str:
    """Give a composed sentence without hidden characters; it may be longer than a name."""
    return " ".join(cleaned for word in text.split() if (cleaned := clean_text(word, unknown="")))


def _parted(answer: str, *, name: str) -> list[str]:
    """Part an answer into sentences, but never inside the lens's name that it begins with."""
    head = name if answer.startswith(name) else ""
    first, *rest = _BETWEEN_SENTENCES.split(answer.removeprefix(head))
    beginning = f"{clean_text(head)}{first}" if head else first
    return [clean_line(sentence) for sentence in (beginning, *rest)]


def _shortest_answer(lens: LensFindings) -> str:
    if lens.best is None:
        return "No setting could be measured."
    known = not math.isnan(lens.best.focal_length_mm)
    at = f" at {focal_length(lens.best.focal_length_mm)}" if known else ""
    return f"Set {f_stop(lens.best.f_number)}{at}."
