"""A described camera: its pixels, its colour filters and its noise."""

from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from lensbench.model.errors import SettingError

COLOR_NAMES: Final = ("red", "green", "blue")
"""In the order of the DNG colour codes 0, 1, 2."""

CFA_PATTERNS: Final = ("rggb", "bggr", "grbg", "gbrg", "xtrans", "mono")

MOST_PIXELS: Final = 150_000_000
"""Above the largest single sensors on sale; a guard against a slip of the finger."""

_XTRANS: Final = "gbggrg rgrbgb gbggrg grggbg bgbrgr grggbg"
"""A six by six arrangement with green in every row and column; common knowledge, from memory."""

CFA_TILES: Final = {"rggb": "rg gb", "bggr": "bg gr", "grbg": "gr bg", "gbrg": "gb rg", "xtrans": _XTRANS}


@dataclass(frozen=True, slots=True, kw_only=True)
class Camera:
    """A camera by its description; invented names only."""

    maker: str = "Invented"
    model: str = "Box One"
    rows: int = 1160
    cols: int = 1740
    pitch_um: float = 4.0
    cfa: str = "rggb"
    """One of the four Bayer phases, xtrans or mono."""
    black: int = 512
    white: int = 16383
    bits: int = 14
    electrons_at_white: float = 40_000.0
    """At base ISO; it falls as the ISO rises."""
    base_iso: int = 100
    read_noise_electrons: float = 3.0
    red_response: float = 0.5
    """Share of the green signal that red sites give under white light."""
    blue_response: float = 0.6

    def __post_init__(self) -> None:
        if self.cfa not in CFA_PATTERNS:
            raise SettingError(f"colour filter «{self.cfa}» is not known; take one of {CFA_PATTERNS}.")
        if self.rows % 2 or self.cols % 2 or min(self.rows, self.cols) < 16:
            raise SettingError(f"a picture of {self.rows}x{self.cols} px: sides must be even and 16 or more.")
        if self.rows * self.cols > MOST_PIXELS:
            raise SettingError(
                f"a picture of {self.rows}x{self.cols} px is larger than {MOST_PIXELS / 1e6:g} million pixels."
            )
        if not 0 <= self.black < self.white < 2**self.bits:
            raise SettingError(
                f"black {self.black} and white {self.white} must rise, below 2^{self.bits} = {2**self.bits}."
            )

    @property
    def center_px(self) -> tuple[float, float]:
        """Centre of the picture (row, column)."""
        return (self.rows - 1) / 2.0, (self.cols - 1) / 2.0

    @property
    def half_diagonal_px(self) -> float:
        """From the picture's centre to its corner."""
        return float(np.hypot(self.rows, self.cols) / 2.0)

    @property
    def channels(self) -> tuple[str, ...]:
        """The channels that the sensor has."""
        return ("grey",) if self.cfa == "mono" else ("green", "red", "blue")

    def response(self, channel: str) -> float:
        """Signal of a channel under white light, as a share of green's."""
        return {"red": self.red_response, "blue": self.blue_response}.get(channel, 1.0)

    def tile(self) -> npt.NDArray[np.uint8]:
        """Smallest repeating piece of the colour filter: 0 red, 1 green, 2 blue."""
        rows = CFA_TILES[self.cfa].split()
        return np.array([["rgb".index(letter) for letter in row] for row in rows], dtype=np.uint8)

    def sites(self, channel: str) -> npt.NDArray[np.bool_]:
        """Mask, True where the sensor has a site of this channel, shape (rows, cols)."""
        if channel == "grey":
            return np.ones((self.rows, self.cols), dtype=np.bool_)
        tile = self.tile() == COLOR_NAMES.index(channel)
        times = (-(-self.rows // tile.shape[0]), -(-self.cols // tile.shape[1]))
        return np.tile(tile, times)[: self.rows, : self.cols]
