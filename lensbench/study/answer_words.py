"""Stops and focal lengths by the names a photographer uses."""

from collections.abc import Sequence

import numpy as np

from lensbench.study.findings import FocalLengthFindings

__all__ = ["length", "stop_name", "stop_range", "tie_in_words"]


def stop_name(f_number: float) -> str:
    """Give an f-stop as engraved.

    >>> stop_name(8.0)
    'f/8'
    """
    return f"f/{f_number:g}"


def length(focal_length_mm: float) -> str:
    """Give a focal length in millimetres."""
    return f"{focal_length_mm:g} mm" if np.isfinite(focal_length_mm) else "the unnamed focal length"


def stop_range(f_numbers: Sequence[float], tested: Sequence[float]) -> str:
    """Name f-stops as a range where no tested one is left out between.

    >>> stop_range((4.0, 5.6, 8.0), (2.8, 4.0, 5.6, 8.0, 11.0))
    'f/4 to f/8'
    >>> stop_range((4.0, 8.0), (4.0, 5.6, 8.0))
    'f/4 and f/8'
    """
    names = [stop_name(f_number) for f_number in sorted(f_numbers)]
    between = [f_number for f_number in tested if min(f_numbers) <= f_number <= max(f_numbers)]
    if len(names) > 2 and len(set(between)) == len(names):
        return f"{names[0]} to {names[-1]}"
    return " and ".join(filter(None, (", ".join(names[:-1]), names[-1])))


def tie_in_words(focal: FocalLengthFindings) -> str:
    """Say whether the tied stops can't be told apart, or can but differ by too little to matter."""
    frame = {point.f_number: point.ci95_cypx for point in focal.curve if point.zone == "frame"}
    tied = [frame[stop] for stop in focal.tied_f_numbers if stop in frame]
    apart = max(low for low, _ in tied) > min(high for _, high in tied) if tied else False
    return "differ by less than 3 %, which hardly shows" if apart else "can't be told apart"
