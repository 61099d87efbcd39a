"""One photograph: any slanted edge in it, or the chart."""

import json
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from lensbench import shot as shot_room
from lensbench.door import rows_frame
from lensbench.edge import Aperture, find_edges, measure_edges
from lensbench.model.errors import SettingError
from lensbench.model.shot import Box, Edge, Metadata, Samples, ShotResult
from lensbench.model.units import picture_height_px
from lensbench.photo import Photo, open_photo, pixel_pitch_um
from lensbench.report.out.json_form import edge_as_json, headed, shot_as_json
from lensbench.shot import MeasureOptions

if TYPE_CHECKING:
    import pandas as pd

_USUAL: Final = MeasureOptions()
_AT_LPMM: Final = "the contrast at line pairs per mm"
_PHYSICAL: Final = "the physical reading"


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class EdgeResult:
    """The edges measured in one photograph."""

    image: Path
    edges: tuple[Edge, ...]
    """Those that could not be measured are in it, with NaN figures and the flag that says why."""
    pixel_pitch_um: float | None
    picture_height_px: int
    at_lpmm: tuple[float, ...] = ()
    """Line pairs per mm at which the contrast stands in the document."""

    def to_json(self) -> str:
        """Document that `lensbench edge --json` prints."""
        form = headed("edges", {"image": str(self.image), "edges": self._forms()})
        return json.dumps(form, allow_nan=False)

    def to_pandas(self) -> "pd.DataFrame":
        """One row an edge, with the figures of the document."""
        return rows_frame(self._forms())

    def _forms(self) -> list[dict[str, Any]]:
        at_lpmm, pitch_um = self.at_lpmm, self.pixel_pitch_um
        return [edge_as_json(edge, at_lpmm=at_lpmm, pixel_pitch_um=pitch_um) for edge in self.edges]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PhotoResult:
    """Everything measured in one photograph of the chart."""

    shot: ShotResult
    at_lpmm: tuple[float, ...] = ()
    """Line pairs per mm at which the contrast stands in the document."""

    def to_json(self) -> str:
        """Document that `lensbench measure --json` prints."""
        return json.dumps(self._form(), allow_nan=False)

    def to_pandas(self) -> "pd.DataFrame":
        """One row an edge, with the figures of the document."""
        return rows_frame(self._form()["edges"])

    def _form(self) -> dict[str, Any]:
        return shot_as_json(self.shot, at_lpmm=self.at_lpmm)


def measure_edge(
    image: Path | str,
    *,
    regions: Sequence[tuple[int, int, int, int]] = (),
    channel: str = "auto",
    options: MeasureOptions = _USUAL,
    f_number: float | None = None,
    at_lpmm: Sequence[float] = (),
) -> EdgeResult:
    """Measure any slanted edges in any photograph.

    Parameters
    ----------
    image : path
        Raw, JPEG, PNG or TIFF.
    regions : sequence of (top, left, height, width)
        Each with one edge; by default the program finds them, and where it finds none, the result has none. [px]
    channel : str
        auto, green, red, blue or luminance.
    options : MeasureOptions
        Method, pitch, tone curve, and how a print is looked at. What the blur is made of is told wherever f-number
        and pitch are known.
    f_number : float, optional
        Of the lens, where the metadata do not tell it.
    at_lpmm : sequence of float
        Line pairs per mm on the sensor to read the contrast at.

    Raises
    ------
    ImageError
        The file cannot be opened.
    SettingError
        No such channel or encoding, or the pixel pitch is missing for what was asked.
    """
    photo = open_photo(image, encoding=options.encoding)
    pitch_um = options.pitch_um or pixel_pitch_um(photo.metadata, photo.size_px)
    if pitch_um is None and (at_lpmm or f_number is not None):
        raise _unknown(photo.path, "pixel pitch", _AT_LPMM if at_lpmm else _PHYSICAL, give="pitch_um")
    name = photo.channel(channel)
    stop, aperture = f_number or photo.metadata.f_number, None
    if stop is not None and pitch_um is not None:
        aperture = Aperture.of(f_number=stop, pixel_pitch_um=pitch_um, channel=name)
    boxes = [Box(top=top, left=left, height=height, width=width) for top, left, height, width in regions]
    height_px = picture_height_px(photo.size_px, orientation=photo.metadata.orientation)
    edges = measure_edges(
        [_cut(photo, box, name) for box in boxes or _found(photo)],
        method=options.method,
        physical=aperture,
        viewing=options.viewing(height_px),
    )
    if options.method == "refined" and aperture is not None:
        edges = [shot_room.flagged_if_too_crisp(edge, aperture.q) for edge in edges]
    return EdgeResult(
        image=Path(image),
        edges=tuple(edges),
        pixel_pitch_um=pitch_um,
        picture_height_px=height_px,
        at_lpmm=tuple(at_lpmm),
    )


def measure(
    photo: Path | str,
    options: MeasureOptions = _USUAL,
    *,
    f_number: float | None = None,
    camera: str | None = None,
    at_lpmm: Sequence[float] = (),
) -> PhotoResult:
    """Measure one photograph of the chart.

    Parameters
    ----------
    photo : path
        Raw, JPEG, PNG or TIFF.
    options : MeasureOptions
        How it is measured.
    camera : str, optional
        Name, where the photograph does not tell it.
    f_number, at_lpmm
        As for `measure_edge`.

    Raises
    ------
    ImageError
        The file cannot be opened, or no edge in it can be measured.
    ChartError
        There is no chart in it, or not one of ours.
    SettingError
        The pixel pitch or the f-number is missing for what was asked.
    """
    known = None if f_number is None else Metadata(f_number=f_number)
    shot = shot_room.measure_shot(Path(photo), options, overrides=known)
    if shot.pixel_pitch_um is None and (at_lpmm or options.physical):
        raise _unknown(shot.path, "pixel pitch", _AT_LPMM if at_lpmm else _PHYSICAL, give="pitch_um")
    if shot.metadata.f_number is None and options.physical:
        raise _unknown(shot.path, "f-number", _PHYSICAL, give="f_number")
    named = replace(shot, metadata=replace(shot.metadata, camera=shot.metadata.camera or camera))
    return PhotoResult(shot=named, at_lpmm=tuple(at_lpmm))


def _unknown(path: Path, what: str, reading: str, *, give: str) -> SettingError:
    return SettingError(f"{path.name}: its {what} is not known; {reading} needs it", give=(give,))


def _cut(photo: Photo, box: Box, channel: str) -> Samples:
    """Cut a region; one that reaches outside the picture comes empty, and so gets its flag among the others."""
    rows, cols = photo.size_px
    if box.top + box.height <= rows and box.left + box.width <= cols:
        return photo.cut(box, channel)
    nothing = np.empty((0, 0), bool)
    return Samples(box=box, channel=channel, values=np.empty((0, 0)), present=nothing, clipped=nothing)


def _found(photo: Photo) -> list[Box]:
    overview = photo.overview()
    return find_edges(overview.grey, factor=overview.factor)
