"""Find the sharpest f-stop, zoom position and lens by your own measurement.

The public interface: `import lensbench`, then `lensbench.sweep("shots")`. Nothing heavy is loaded before the first use.
See docs/reference/python.md.
"""

import sys
from importlib import import_module
from types import ModuleType
from typing import TYPE_CHECKING, Any, Final

if TYPE_CHECKING:
    __version__: str
    from lensbench.door.library import AdviceResult, Library, PictureResult
    from lensbench.door.measuring import EdgeResult, PhotoResult, measure, measure_edge
    from lensbench.door.studies import (
        CompareResult,
        EffectResult,
        RankResult,
        SweepResult,
        compare,
        effect,
        rank,
        remake,
        sweep,
    )
    from lensbench.library import Wanted
    from lensbench.model.errors import LensError
    from lensbench.shot import MeasureOptions
    from lensbench.stats import Tie
    from lensbench.sweep import Running

__all__ = [
    "AdviceResult",
    "CompareResult",
    "EdgeResult",
    "EffectResult",
    "LensError",
    "Library",
    "MeasureOptions",
    "PhotoResult",
    "PictureResult",
    "RankResult",
    "Running",
    "SweepResult",
    "Tie",
    "Wanted",
    "__version__",
    "compare",
    "effect",
    "measure",
    "measure_edge",
    "rank",
    "remake",
    "sweep",
]

_ROOMS: Final = {
    "door.library": "AdviceResult Library PictureResult",
    "door.measuring": "EdgeResult PhotoResult measure measure_edge",
    "door.studies": "CompareResult EffectResult RankResult SweepResult compare effect rank remake sweep",
    "library": "Wanted",
    "model.errors": "LensError",
    "shot": "MeasureOptions",
    "stats": "Tie",
    "sweep": "Running",
}
_HOME: Final = {name: f"lensbench.{room}" for room, names in _ROOMS.items() for name in names.split()}
"""Where each public name is at home; loaded at its first use."""


def __getattr__(name: str) -> Any:
    if name == "__version__":
        from importlib.metadata import version  # noqa: PLC0415  it loads much

        return version("lensbench")
    if name not in _HOME:
        raise AttributeError(f"module 'lensbench' has no attribute {name!r}")
    return getattr(import_module(_HOME[name]), name)


def __dir__() -> list[str]:
    return sorted(__all__)


class _Package(ModuleType):
    """`lensbench.sweep` stays the function, also when the folder `lensbench/sweep` is imported, of the same name."""

    def __setattr__(self, name: str, value: object) -> None:
        if not (name in _HOME and isinstance(value, ModuleType)):
            super().__setattr__(name, value)


sys.modules[__name__].__class__ = _Package
