"""Frozen records of what a comparison found; `comparison.json` mirrors them name by name.

A figure that does not exist is NaN (null in JSON); an unknown focal length is None.
"""

from dataclasses import dataclass

__all__ = ["CompareFindings", "CompareRow", "ComparedLens", "ComparedPair", "StopChoice"]


@dataclass(frozen=True, slots=True, kw_only=True)
class ComparedLens:
    """One lens that is compared, and where its figures come from."""

    label: str
    """Unique among those compared: the lens, with the camera or the folder where that is needed."""
    lens: str
    camera: str
    folder: str
    shots: int
    pixel_pitch_um: float | None
    picture_height_px: int | None


@dataclass(frozen=True, slots=True, kw_only=True)
class CompareRow:
    """Two lenses at the same focal length, f-number and zone, in `ComparedPair.unit`."""

    focal_length_mm: float | None
    f_number: float
    zone: str
    first: float
    second: float
    first_shots: int
    second_shots: int
    difference_percent: float
    """Second over first, less one; positive where the second is sharper."""
    ci95_percent: tuple[float, float]
    """NaN where the spread between shots is not known; joint over the pairs of lenses where there are several."""
    verdict: str
    """first, second, equal, can't tell."""
    difference_jnd: float = float("nan")
    """Second less first on the quality ruler, for `CompareFindings.looked_at`."""
    ci95_jnd: tuple[float, float] = (float("nan"), float("nan"))
    visible_from_percent: float = float("nan")
    """Difference of MTF50 that is just seen here; NaN where even the double would not be seen."""
    seen: str = "can't tell"
    """Which one looks sharper: first, second, none (no difference one could see), can't tell; empty where the way of
    looking is not known."""


@dataclass(frozen=True, slots=True, kw_only=True)
class StopChoice:
    """Which lens at which stop: one focal length, f-number and zone."""

    focal_length_mm: float | None
    f_number: float
    zone: str
    lenses: tuple[str, ...]
    """Labels of those that no other is sharper than, the highest figure first."""
    photographed: tuple[str, ...]
    """Labels of all lenses with this setting."""
    seen: str
    """Whether the first looks sharper than those that are not among `lenses` (than the other ones, where all are):
    visible, none (no difference one could see), some, can't tell; empty where only one lens was photographed."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ComparedPair:
    """Two lenses side by side."""

    first: str
    """Label of the first lens."""
    second: str
    unit: str
    """cypx on like sensors, else lpmm where both pitches are known (lwph beside it), else lwph."""
    rows: tuple[CompareRow, ...]
    rows_lwph: tuple[CompareRow, ...]
    """The same in line widths per picture height; empty on like sensors."""
    best_row: CompareRow | None
    """Each at its own best setting for the whole frame (`focal_length_mm`, `f_number` are the first's)."""
    answer: str
    cautions: tuple[str, ...]
    overall: CompareRow | None = None
    """Mean over all equal settings, whole frame; focal length None and f-number NaN."""
    sentences: tuple[str, ...] = ()
    """The answer, a sentence an item."""


@dataclass(frozen=True, slots=True, kw_only=True)
class CompareFindings:
    """Everything a comparison found."""

    lenses: tuple[ComparedLens, ...]
    pairs: tuple[ComparedPair, ...]
    answer: str
    version: str = ""
    headline: str = ""
    """The answer's first sentence, over all pairs."""
    choices: tuple[StopChoice, ...] = ()
    """Which lens at which stop, every zone."""
    looked_at: str = ""
    """For which way of looking a difference counts as seen."""
    holds_for: str = ""
    """Copies, bodies, distance, number of shots."""
