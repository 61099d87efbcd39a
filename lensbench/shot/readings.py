"""What else is to be read off the edges of one photograph, beside the SFR and its figures."""

from dataclasses import dataclass

from lensbench import optics
from lensbench.edge import Aperture, Viewing
from lensbench.records import Metadata

__all__ = ["Readings"]

_Q_DECIMALS = 3
"""So that photographs from nearly the same distance share their tables; 0.001 of q changes no figure."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Readings:
    """Optional readings; none by default, for they cost time."""

    glance: bool = False
    """Fewer and smaller regions and no lateral colour: enough to judge a shot beside the camera, in half the time."""

    physical: bool = False
    """What the blur of each edge is made of; 2 ms an edge."""
    print_height_mm: float | None = None
    """Height of a print of the whole picture; with the distance of the eye it gives acutance, SQF and JND."""
    viewing_distance_mm: float | None = None

    def viewing(self, size_px: tuple[int, int]) -> Viewing | None:
        """Give the way of looking at a picture of this size; None unless both lengths are given."""
        if self.print_height_mm is None or self.viewing_distance_mm is None:
            return None
        return Viewing(
            picture_height_px=size_px[0],
            print_height_mm=self.print_height_mm,
            distance_mm=self.viewing_distance_mm,
        )

    def aperture(
        self, metadata: Metadata, *, pixel_pitch_um: float | None, magnification: float | None, channel: str
    ) -> Aperture | None:
        """Give lens and pixel for the physical reading; None where not asked for, or not known.

        Near the chart the light comes in a narrower cone: the working f-number is N (1 + m).
        """
        if not self.physical or metadata.f_number is None or pixel_pitch_um is None:
            return None
        working = optics.effective_f_number(metadata.f_number, magnification=magnification or 0.0)
        exact = Aperture.of(f_number=working, pixel_pitch_um=pixel_pitch_um, channel=channel)
        return Aperture(q=round(exact.q, _Q_DECIMALS), relative_band=exact.relative_band)
