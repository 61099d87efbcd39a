"""What the library keeps of a measured lens, and the checks that anything from outside must pass."""

import math
import unicodedata
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from lensbench.clean import one_line
from lensbench.errors import LibraryError
from lensbench.textfiles import number_in

__all__ = [
    "EDGE_COLUMNS",
    "BestKept",
    "EdgeFigures",
    "KeptSession",
    "KeptShot",
    "ZoneKept",
    "figure",
    "name_of",
    "same_name",
]

EdgeFigures = npt.NDArray[np.float32]

EDGE_COLUMNS: Final = (
    *("center_row_px", "center_col_px", "image_height", "azimuth_deg"),
    *("mtf50_cypx", "mtf50_sd_cypx", "mtf30_cypx", "mtf20_cypx", "mtf10_cypx"),
    *("overshoot_percent", "snr"),
)
"""Figures that are kept of every edge, in this order."""

LONGEST_NAME: Final = 160
"""Of a lens, a camera, a session or a file; no honest one is longer. [characters]"""


@dataclass(frozen=True, slots=True, kw_only=True)
class ZoneKept:
    """One zone of one photograph, in cycles per pixel."""

    mtf50_cypx: float
    sagittal_cypx: float
    tangential_cypx: float


@dataclass(frozen=True, slots=True, kw_only=True)
class BestKept:
    """What the sweep found to be the best setting for the whole frame."""

    focal_length_mm: float
    f_number: float
    mtf50_cypx: float
    ci95_cypx: tuple[float, float]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class KeptShot:
    """One photograph that counts; an unknown figure is NaN."""

    file: str
    focal_length_mm: float
    f_number: float
    """Nominal, by which the setting is named."""
    exact_f_number: float
    focus_group: str
    """Shots of one group at one setting were not refocused between; empty: refocused."""
    iso: float
    magnification: float
    zones: dict[str, ZoneKept]
    edges: EdgeFigures
    """Shape (edges, columns), columns as `EDGE_COLUMNS`."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class KeptSession:
    """One lens on one camera, as one sweep measured it."""

    lens: str
    camera: str
    session: str
    """By which sweeps of the same lens are told apart."""
    added_at: str
    """ISO 8601, UTC."""
    pixel_pitch_um: float | None
    size_px: tuple[int, int] | None
    """(lesser side, greater side) of the photographs."""
    sensor_data: bool
    best: BestKept | None
    shots: tuple[KeptShot, ...]

    @property
    def focal_lengths_mm(self) -> tuple[float, ...]:
        """The focal lengths photographed, ascending; unknown ones are left out."""
        known = {shot.focal_length_mm for shot in self.shots if math.isfinite(shot.focal_length_mm)}
        return tuple(sorted(known))

    @property
    def title(self) -> str:
        """The lens, its camera and its session in one line."""
        return f"{self.lens} on {self.camera}, session «{self.session}»"


def name_of(text: object, what: str) -> str:
    """Give a name on one line, without hidden characters and cut to length.

    Raises
    ------
    LibraryError
        It is no text, or nothing is left of it.
    """
    if not isinstance(text, str):
        raise LibraryError(f"the {what} is {text!r}, not a text")
    line = one_line(text)[:LONGEST_NAME]
    if not line:
        raise LibraryError(f"the {what} is empty")
    return line


def same_name(one: str, other: str) -> bool:
    """Tell whether two names are one, whatever their capitals and composed letters."""
    return _folded(one) == _folded(other)


def _folded(name: str) -> str:
    return unicodedata.normalize("NFKC", name).casefold()


def figure(value: object, what: str, name: str = "") -> float:
    """Give a number from outside; NaN for nothing. The quantity's name, where given, says what it can be.

    Raises
    ------
    LibraryError
        It is no number, an infinite one, or beyond belief.
    """
    if value is None:
        return math.nan
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise LibraryError(f"{what} is {value!r}, not a number")
    try:
        number = float(value)
    except OverflowError:
        number = math.inf
    if math.isinf(number):
        raise LibraryError(f"{what} is not finite")
    if not math.isnan(number) and math.isnan(number_in(number, name)):
        raise LibraryError(f"{what} is {number:g}, which it cannot be")
    return number
