"""The way back from a finished picture's codes to linear light.

References
----------
sRGB: IEC 61966-2-1:1999. ICC tone curves: ICC.1:2022, clauses 10.6 (curveType) and 10.18
(parametricCurveType). Luminance weights: ITU-R BT.709-6, item 3.2.
"""

import math
import struct
from dataclasses import dataclass
from typing import Final

import numpy as np

from lensbench.model.errors import SettingError
from lensbench.model.units import FloatArray

LUMINANCE_WEIGHTS: Final = {"red": 0.2126, "green": 0.7152, "blue": 0.0722}
"""ITU-R BT.709-6, item 3.2: shares of linear red, green and blue in luminance."""

_GAMMA_LIMITS: Final = (0.2, 5.0)
_FORMS: Final = "auto, linear, srgb or gamma:X, for example gamma:2.2"


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Tone:
    """A curve from codes to linear light, both from 0 to 1."""

    name: str
    """linear, srgb, gamma:X or icc."""
    code: FloatArray
    """Codes at which the curve is given, rising."""
    light: FloatArray
    """Linear light at these codes."""

    def table(self, levels: int) -> FloatArray:
        """Linear light for every code 0 .. levels - 1."""
        return np.interp(np.linspace(0.0, 1.0, levels), self.code, self.light)


_STEPS: Final = 65_536


def _curve(name: str, light: FloatArray) -> Tone:
    return Tone(name=name, code=np.linspace(0.0, 1.0, light.size), light=light)


def linear_tone() -> Tone:
    """Tone of a file whose codes are linear light."""
    return _curve("linear", np.array([0.0, 1.0]))


def srgb_tone() -> Tone:
    """Inverse of the sRGB curve (IEC 61966-2-1)."""
    code = np.linspace(0.0, 1.0, _STEPS)
    low = code <= 0.04045
    return _curve("srgb", np.where(low, code / 12.92, ((code + 0.055) / 1.055) ** 2.4))


def gamma_tone(gamma: float) -> Tone:
    """Light = code ** gamma."""
    return _curve(f"gamma:{gamma:g}", np.linspace(0.0, 1.0, _STEPS) ** gamma)


def parse_encoding(encoding: str) -> Tone | None:
    """Tone that the user named, or None for auto.

    Raises
    ------
    SettingError
        The text is none of the known forms, or the exponent is outside 0.2 to 5.
    """
    name = encoding.strip().lower()
    if name == "auto":
        return None
    if name == "linear":
        return linear_tone()
    if name == "srgb":
        return srgb_tone()
    if name.startswith("gamma:"):
        return gamma_tone(_exponent(name.removeprefix("gamma:"), encoding=encoding))
    raise SettingError(f"encoding «{encoding}» is unknown: give {_FORMS}")


def _exponent(text: str, *, encoding: str) -> float:
    try:
        gamma = float(text)
    except ValueError:
        gamma = math.nan
    if not _GAMMA_LIMITS[0] <= gamma <= _GAMMA_LIMITS[1]:
        low, high = _GAMMA_LIMITS
        raise SettingError(f"encoding «{encoding}»: the exponent must lie between {low:g} and {high:g}")
    return gamma


def icc_tone(profile: bytes) -> Tone | None:
    """Read the green (or grey) tone curve out of an ICC profile; None where it holds none that we know.

    A curve that is within one 10-bit step of the sRGB curve, or of a straight line, bears that name.
    """
    try:
        light = _icc_curve(profile)
    except (IndexError, OverflowError, ValueError, struct.error):
        return None
    if light is None or light.size < 2 or not np.all(np.isfinite(light)) or np.any(np.diff(light) < 0.0):
        return None
    tone = _curve("icc", np.clip(light, 0.0, 1.0))
    for known in (srgb_tone(), linear_tone()):
        if np.max(np.abs(known.table(1024) - tone.table(1024))) < 1.0 / 1024.0:
            return known
    return tone


def _icc_curve(profile: bytes) -> FloatArray | None:
    (count,) = struct.unpack_from(">I", profile, 128)
    tags = {
        profile[at : at + 4]: struct.unpack_from(">II", profile, at + 4)
        for at in range(132, 132 + 12 * min(count, 200), 12)
    }
    offset, length = tags.get(b"gTRC") or tags.get(b"kTRC") or (0, 0)
    data = profile[offset : offset + length]
    if data[:4] == b"curv":
        return _sampled_curve(data)
    if data[:4] == b"para":
        return _parametric_curve(data)
    return None


def _sampled_curve(data: bytes) -> FloatArray:
    """ICC.1:2022, 10.6: no entry is a straight line, one an exponent as u8Fixed8, more a table."""
    (count,) = struct.unpack_from(">I", data, 8)
    values = np.frombuffer(data, ">u2", count, 12).astype(np.float64)
    if count == 0:
        return np.array([0.0, 1.0])
    if count == 1:
        return np.linspace(0.0, 1.0, _STEPS) ** (float(values[0]) / 256.0)
    return values / 65535.0


def _parametric_curve(data: bytes) -> FloatArray | None:
    """ICC.1:2022, 10.18, table 68: up to (a x + b)^g + e from d upwards, c x + f below."""
    (kind,) = struct.unpack_from(">H", data, 8)
    size = {0: 1, 1: 3, 2: 4, 3: 5, 4: 7}.get(kind)
    if size is None:
        return None
    read = [value / 65536.0 for value in struct.unpack_from(f">{size}i", data, 12)]
    gamma, a, b, c, d, e, f = _all_seven(kind, read)
    code = np.linspace(0.0, 1.0, _STEPS)
    return np.where(code >= d, np.maximum(a * code + b, 0.0) ** gamma + e, c * code + f)


def _all_seven(kind: int, read: list[float]) -> tuple[float, ...]:
    """Bring the five kinds of parametric curve to the fullest one."""
    if kind == 0:
        return (read[0], 1.0, 0.0, 0.0, 0.0, 0.0, 0.0)
    gamma, a, b = read[:3]
    if kind in (1, 2):
        c = read[3] if kind == 2 else 0.0
        return (gamma, a, b, 0.0, -b / a if a else 0.0, c, c)
    if kind == 3:
        return (gamma, a, b, read[3], read[4], 0.0, 0.0)
    return (gamma, a, b, *read[3:])
