"""Figures as text: f-stops, focal lengths, and MTF50 in every unit that is known.

The plain answer in sentences: the same words in the page, in the PDF and on the command line.

The study finds the words; here they are cleaned of hidden characters (a lens's name comes from the file) and
parted into sentences.
"""

import math
import re
from collections.abc import Sequence
from dataclasses import dataclass

from lensbench.model.compare import CompareFindings
from lensbench.model.sweep import LensFindings, SweepFindings
from lensbench.model.units import lpmm_from_cypx, lwph_from_cypx, nominal_f_number
from lensbench.storage.text import clean_text

__all__ = [
    "Scale",
    "answer_sentences",
    "clean_line",
    "comparison_answer",
    "comparison_limits",
    "comparison_sentences",
    "f_stop",
    "focal_length",
    "in_words",
    "lens_sentences",
    "lens_title",
    "with_interval",
]


NOT_MEASURED = "–"


def f_stop(f_number: float | None) -> str:
    """Give the f-stop as engraved.

    >>> f_stop(5.657)
    'f/5.6'
    """
    if f_number is None or not math.isfinite(f_number):
        return "unknown f-stop"
    return f"f/{nominal_f_number(f_number):g}"


def focal_length(focal_length_mm: float | None) -> str:
    """Give the focal length in millimetres, without needless digits.

    >>> focal_length(35.0)
    '35 mm'
    """
    if focal_length_mm is None:
        return "unknown focal length"
    return f"{round(focal_length_mm, 1):g} mm"


def in_words(items: Sequence[str]) -> str:
    """Give a list as one reads it aloud.

    >>> in_words(["a", "b", "c"])
    'a, b and c'
    """
    if len(items) < 2:
        return "".join(items)
    return f"{', '.join(items[:-1])} and {items[-1]}"


@dataclass(frozen=True, slots=True, kw_only=True)
class Scale:
    """What turns cycles per pixel into the other units; None where it is not known."""

    pixel_pitch_um: float | None = None
    picture_height_px: int | None = None

    def lpmm(self, frequency_cypx: float) -> float | None:
        """Give line pairs per millimetre on the sensor, or None without a pixel pitch."""
        return None if self.pixel_pitch_um is None else lpmm_from_cypx(frequency_cypx, self.pixel_pitch_um)

    def lwph(self, frequency_cypx: float) -> float | None:
        """Give line widths per picture height, or None without a picture size."""
        if self.picture_height_px is None:
            return None
        return lwph_from_cypx(frequency_cypx, self.picture_height_px)

    def also(self, frequency_cypx: float) -> str:
        """Give the same frequency in the other known units: «75 lp/mm, 2400 LW/PH»."""
        if not math.isfinite(frequency_cypx):
            return ""
        lpmm, lwph = self.lpmm(frequency_cypx), self.lwph(frequency_cypx)
        parts = [] if lpmm is None else [f"{lpmm:.0f} lp/mm"]
        parts += [] if lwph is None else [f"{lwph:.0f} LW/PH"]
        return ", ".join(parts)


def with_interval(value: float, ci95: tuple[float, float]) -> str:
    r"""Give a figure with its 95 % interval on a second line.

    >>> with_interval(0.2931, (0.2889, 0.2973))
    '0.293\n0.289–0.297'
    """
    if not math.isfinite(value):
        return NOT_MEASURED
    interval = interval_text(ci95)
    return f"{value:.3f}\n{interval}" if interval else f"{value:.3f}"


def interval_text(ci95: tuple[float, float]) -> str:
    """Give an interval, or nothing where it is not known (one shot has none)."""
    low, high = ci95
    return f"{low:.3f}–{high:.3f}" if math.isfinite(low) and math.isfinite(high) else ""


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
    known = lens.best.focal_length_mm is not None
    at = f" at {focal_length(lens.best.focal_length_mm)}" if known else ""
    return f"Set {f_stop(lens.best.f_number)}{at}."
