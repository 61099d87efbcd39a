"""What the blur of an edge is made of, part by part, all on one scale."""

from dataclasses import dataclass
from typing import Final

from lensbench.model.shot import PhysicalFit

__all__ = ["BlurParts", "blur_parts"]


_GAUSSIAN: Final = 0.187_391
"""MTF50 times sigma of a Gaussian: sqrt(ln 2 / 2) / pi."""
_DIFFRACTION: Final = 0.403_973
"""MTF50 times q of a perfect round pupil."""
_DISC: Final = 0.705_085
"""MTF50 times diameter of a disc: where 2 J1(pi u) / (pi u) falls to one half."""
_PIXEL: Final = 0.603_355
"""MTF50 of a square pixel along a row or column: where sinc(f) falls to one half."""


@dataclass(frozen=True, slots=True, kw_only=True)
class BlurParts:
    """Each part as the sigma of the Gaussian that alone would have the same MTF50."""

    diffraction_px: float
    pixel_px: float
    defocus_px: float
    other_px: float
    """Lens faults, shake, the print: all that is like a Gaussian."""

    @property
    def largest(self) -> str:
        """Name the largest: diffraction, pixel, defocus or other."""
        sizes = {name: getattr(self, f"{name}_px") for name in ("diffraction", "pixel", "defocus", "other")}
        return max(sizes, key=lambda name: float(sizes[name]))


def blur_parts(reading: PhysicalFit) -> BlurParts:
    """Tell the parts of the blur that a physical reading found.

    Every constant solves «transfer = 1/2» for one part alone. The scale is for comparing parts; squares of parts of
    different shape only nearly add up.
    """
    return BlurParts(
        diffraction_px=_GAUSSIAN / _DIFFRACTION * reading.diffraction_q,
        pixel_px=_GAUSSIAN / _PIXEL,
        defocus_px=_GAUSSIAN / _DISC * reading.defocus_disc_px,
        other_px=reading.gaussian_sigma_px,
    )
