"""Reading back which stop serves which picture, out of the findings of a sweep."""

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

__all__ = ["PurposeRead", "purposes_of"]


@dataclass(frozen=True, slots=True, kw_only=True)
class PurposeRead:
    """The best stop of one focal length for one purpose."""

    purpose: str
    focal_length_mm: float
    f_number: float
    tied_f_numbers: tuple[float, ...]
    surely: dict[float, tuple[float, ...]]
    """Percent of the best -> the f-numbers that surely keep it."""
    probably: dict[float, tuple[float, ...]]


def purposes_of(lens: Mapping[str, Any]) -> tuple[PurposeRead, ...]:
    """Read the purposes of one lens of `findings.json`; what is damaged or not there is passed over."""
    return tuple(
        _purpose(purpose, focal, best)
        for focal in _dicts(lens.get("by_focal_length"))
        for purpose, best in (focal.get("best_by_purpose") or {}).items()
        if isinstance(best, dict)
    )


def _purpose(purpose: str, focal: Mapping[str, Any], best: Mapping[str, Any]) -> PurposeRead:
    enough = _dicts(best.get("sharp_enough"))
    return PurposeRead(
        purpose=purpose,
        focal_length_mm=_number(focal.get("focal_length_mm")),
        f_number=_number(best.get("f_number")),
        tied_f_numbers=tuple(_number(one.get("f_number")) for one in _dicts(best.get("tied"))),
        surely={_number(one.get("level_percent")): _numbers(one.get("surely")) for one in enough},
        probably={_number(one.get("level_percent")): _numbers(one.get("probably")) for one in enough},
    )


def _dicts(value: object) -> list[dict[str, Any]]:
    return [one for one in value if isinstance(one, dict)] if isinstance(value, list) else []


def _numbers(value: object) -> tuple[float, ...]:
    return tuple(_number(one) for one in value) if isinstance(value, list) else ()


def _number(value: object) -> float:
    return float(value) if isinstance(value, int | float) else math.nan
