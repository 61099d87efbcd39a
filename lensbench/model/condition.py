"""Frozen records of the evidence for somebody who may want to return or repair a lens."""

from dataclasses import dataclass

__all__ = ["EvidenceRow", "LensEvidence", "RuledOut", "SideFigure"]


@dataclass(frozen=True, slots=True, kw_only=True)
class EvidenceRow:
    """The asymmetry at one setting."""

    focal_length_mm: float | None
    f_number: float
    asymmetry_percent: float
    """By how much the softest side is behind the side opposite, in percent of MTF50; what the shots' scatter alone
    would make of it is taken off."""
    ci95_percent: tuple[float, float]
    softer_azimuth_deg: float
    """Where the softest side lies: 0 to the right of the picture as stored, positive counter-clockwise."""
    softer_side: str
    """The same in words: right, upper right, top and so on."""
    shots: int
    """Refocused shots, those of the turned camera included."""
    turned_shots: int
    tilt_percent: float
    """What the chart's tilt could account for at most; it is in the interval. 0 from a focus bracket."""
    source: str
    """shots, or focus bracket: the peak of every place at its own best focus."""
    seen: bool
    """Beyond chance and beyond the tilt, and large enough to matter."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SideFigure:
    """Sharpness of one side of the picture, outside of an image height of 0.5."""

    side: str
    """right, top, left, bottom."""
    mtf50_cypx: float


@dataclass(frozen=True, slots=True, kw_only=True)
class RuledOut:
    """One other cause, and whether it is out of the question."""

    cause: str
    """tilt, focus, shake, chart and wall."""
    ruled_out: bool
    why: str


@dataclass(frozen=True, slots=True, kw_only=True)
class LensEvidence:
    """A page for somebody who may want to return or repair this lens: always the same fields."""

    what: str
    """One sentence."""
    main: EvidenceRow
    """The setting that shows it most clearly."""
    rows: tuple[EvidenceRow, ...]
    """Every setting."""
    sides: tuple[SideFigure, ...]
    """At the main setting."""
    repeats: str
    """How often what was repeated."""
    turned_test: str
    ruled_out: tuple[RuledOut, ...]
    caution: str
    advice: str
    """What to do before anything is sent back."""
