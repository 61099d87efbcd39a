"""Figures as text: f-stops, focal lengths, and MTF50 in every unit that is known."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

from lensbench.units import lpmm_from_cypx, lwph_from_cypx, nominal_f_number

__all__ = ["Scale", "f_stop", "focal_length", "in_words", "interval_text", "with_interval"]

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
    if focal_length_mm is None or not math.isfinite(focal_length_mm):
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
