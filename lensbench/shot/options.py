"""How a photograph is measured: the one record of options, from the command line to the measurement.

Everything in it holds for all photographs that are measured together; what one photograph's metadata lack stands in
its own row of a shots table.
"""

from dataclasses import dataclass
from math import isfinite
from typing import TYPE_CHECKING, Final

from lensbench.edge import Aperture, Viewing, viewing_of
from lensbench.model.errors import SettingError
from lensbench.model.shot import Metadata, PrintProfile
from lensbench.model.units import PITCH_LIMITS_UM

if TYPE_CHECKING:
    from lensbench.edge import Method

_Q_DECIMALS: Final = 3
"""So that photographs from nearly the same distance share their tables; 0.001 of q changes no figure."""
_PRINT_AND_EYE: Final = ("print_height_mm", "viewing_distance_mm")


@dataclass(frozen=True, slots=True, kw_only=True)
class MeasureOptions:
    """How photographs are measured; the defaults are those of the commands.

    Raises
    ------
    SettingError
        The pitch is beyond what sensors have, or one of a print's height and its distance is missing.
    """

    method: "Method" = "refined"
    pitch_um: float | None = None
    """Pixel pitch, where the metadata do not tell it or are wrong. [um]"""
    encoding: str = "auto"
    """Tone curve of finished pictures: auto, linear, srgb or gamma:X."""
    print_profile: PrintProfile | None = None
    """Of the print that was photographed: it is divided out, and figures that it spoils are refused."""
    physical: bool = False
    """What the blur of each edge is made of, where f-number and pitch are known; 2 ms an edge."""
    print_height_mm: float | None = None
    """Height of a print of the whole picture as it is viewed; with the eye's distance it gives acutance."""
    viewing_distance_mm: float | None = None
    fast: bool = False
    """Fewer and smaller regions and no lateral colour: enough to judge a shot beside the camera, in half the time."""

    def __post_init__(self) -> None:
        low_um, high_um = PITCH_LIMITS_UM
        if self.pitch_um is not None and not low_um <= self.pitch_um <= high_um:
            raise SettingError(
                f"pixel pitch {self.pitch_um:g} um: give {low_um:g} to {high_um:g} micrometres"
            )
        if (self.print_height_mm is None) != (self.viewing_distance_mm is None):
            raise SettingError("a print's height and the eye's distance go together", give=_PRINT_AND_EYE)
        lengths = (self.print_height_mm or 1.0, self.viewing_distance_mm or 1.0)
        if not all(isfinite(length) and length > 0.0 for length in lengths):
            raise SettingError(
                "a print's height and the eye's distance are lengths above 0", give=_PRINT_AND_EYE
            )

    @property
    def print_and_eye_mm(self) -> tuple[float, float] | None:
        """A print's height and the eye's distance; None where they were not given."""
        if self.print_height_mm is None or self.viewing_distance_mm is None:
            return None
        return self.print_height_mm, self.viewing_distance_mm

    def viewing(self, picture_height_px: int) -> Viewing | None:
        """Way of looking at a picture of this height; None unless both lengths are given."""
        if self.print_and_eye_mm is None:
            return None
        return viewing_of(picture_height_px, print_and_eye_mm=self.print_and_eye_mm)

    def aperture(
        self, metadata: Metadata, *, pixel_pitch_um: float | None, magnification: float | None, channel: str
    ) -> Aperture | None:
        """Lens and pixel for the physical reading; None where not asked for, or not known.

        Near the chart the light comes in a narrower cone: the working f-number is N (1 + m).
        """
        if not self.physical or metadata.f_number is None or pixel_pitch_um is None:
            return None
        exact = Aperture.of(
            f_number=metadata.f_number,
            pixel_pitch_um=pixel_pitch_um,
            channel=channel,
            magnification=magnification,
        )
        return Aperture(q=round(exact.q, _Q_DECIMALS), relative_band=exact.relative_band)
