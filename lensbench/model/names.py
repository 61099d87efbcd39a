"""Names of stops and focal lengths as lenses bear them, and lists as one reads them aloud.

The only spellers of the package: every room that names a setting does it by these.
"""

from collections.abc import Sequence
from math import isfinite

from lensbench.model.units import nominal_f_number

__all__ = ["f_stop", "focal_length", "listed"]


def f_stop(f_number: float | None) -> str:
    """F-stop as engraved.

    >>> f_stop(5.657)
    'f/5.6'
    """
    if f_number is None or not isfinite(f_number):
        return "unknown f-stop"
    return f"f/{nominal_f_number(f_number):g}"


def focal_length(focal_length_mm: float | None) -> str:
    """Focal length in millimetres, without needless digits.

    >>> focal_length(35.0)
    '35 mm'
    """
    if focal_length_mm is None or not isfinite(focal_length_mm):
        return "unknown focal length"
    return f"{round(focal_length_mm, 1):g} mm"


def listed(names: Sequence[str]) -> str:
    """Join names as one reads them aloud.

    >>> listed(["a", "b", "c"])
    'a, b and c'
    """
    return " and ".join(part for part in (", ".join(names[:-1]), *names[-1:]) if part)
