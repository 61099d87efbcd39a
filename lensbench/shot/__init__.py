"""One photograph of the chart: find it, measure its edges, tell how the camera stood and what went wrong.

Each name is loaded at its first use, as in `edge`.
"""

from importlib import import_module
from typing import TYPE_CHECKING, Any, Final

if TYPE_CHECKING:
    from lensbench.shot.geometry import place_of, zone_borders, zone_of
    from lensbench.shot.measure import measure_shot
    from lensbench.shot.options import MeasureOptions
    from lensbench.shot.quality import LEAST_COVERED_PERCENT, common_blur, flagged_if_too_crisp
    from lensbench.shot.zones import is_usable, mean_by_zone, means_by_zone

_PARTS: Final = {
    "geometry": "place_of zone_borders zone_of",
    "measure": "measure_shot",
    "options": "MeasureOptions",
    "quality": "LEAST_COVERED_PERCENT common_blur flagged_if_too_crisp",
    "zones": "is_usable mean_by_zone means_by_zone",
}
"""File -> the names that it gives to this door."""


def __getattr__(name: str) -> Any:
    for part, names in _PARTS.items():
        if name in names.split():
            return getattr(import_module(f"{__name__}.{part}"), name)
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
