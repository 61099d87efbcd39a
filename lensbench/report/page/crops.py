"""Two lenses side by side to look at: actual pixels about the same targets, at the centre and in the corners.

The pixels come from the sweeps (one shot a setting), in equal tone: a target's dark quarters in one grey, its bright
ones in another, whatever the light was. Only targets that both lenses were photographed with at that place are shown.
"""

from collections.abc import Iterator, Sequence
from typing import Final

from lensbench.model.compare import ComparedPair, CompareRow
from lensbench.model.measured import SweepLens
from lensbench.model.setting import Setting
from lensbench.model.shot import Place, Thumbnail
from lensbench.report.draw.thumbnail_strip import strip_url, strip_width_px
from lensbench.report.page.document import CropRow, Crops
from lensbench.report.text.words import at_setting, worded
from lensbench.storage.text import clean_text

SIDE_PX: Final = 54
"""Of each piece: five fit a telephone of 320 pixels one to one, and a page twice as large."""
MOST_SETTINGS: Final = 4

Kept = dict[Place, Thumbnail]


def crops_of(pair: ComparedPair, first: SweepLens, second: SweepLens) -> tuple[Crops, ...]:
    """Crops at the widest common stop of each focal length and at the sharpest one; none where no pixels were kept."""
    shown = []
    for row in _worth_showing([row for row in pair.rows if row.zone == "frame"]):
        pieces = [_pieces(lens, row) for lens in (first, second)]
        shared = [
            place
            for place in Place
            if place in pieces[0]
            and place in pieces[1]
            and pieces[0][place].target == pieces[1][place].target
        ]
        if shared:
            shown += [
                CropRow(
                    setting=at_setting(row),
                    name=clean_text(label),
                    picture=strip_url([own[place] for place in shared], SIDE_PX),
                    places=", ".join(shared),
                )
                for label, own in zip((pair.first, pair.second), pieces, strict=True)
            ]
    if not shown:
        return ()
    about = worded("compare.crops", places=", ".join(Place))
    unlike = [] if pair.unit == "cypx" else [worded("compare.crops_unlike")]
    width_px = strip_width_px(SIDE_PX)
    return (
        Crops(
            title="See for yourself",
            about=" ".join([about, *unlike]),
            caution="".join(unlike),
            rows=tuple(shown[: 2 * MOST_SETTINGS]),
            width_px=width_px,
            height_px=SIDE_PX,
        ),
    )


def _worth_showing(frame: Sequence[CompareRow]) -> Iterator[CompareRow]:
    """The widest stop of each focal length, where lenses differ most, and the stop at which both are sharpest."""
    seen: set[float | None] = set()
    for row in sorted(frame, key=lambda row: row.f_number):
        if row.focal_length_mm not in seen:
            seen.add(row.focal_length_mm)
            yield row
    sharpest = max(frame, key=lambda row: row.first * row.second, default=None)
    if sharpest is not None and any(
        row.focal_length_mm == sharpest.focal_length_mm and row.f_number < sharpest.f_number for row in frame
    ):
        yield sharpest


def _pieces(lens: SweepLens, row: CompareRow) -> Kept:
    """Pixels kept of a lens at the setting of a row, by place."""
    at = Setting(focal_length_mm=row.focal_length_mm, f_number=row.f_number)
    shots = [shot for shot in lens.counted if shot.setting.matches(at)]
    return {thumbnail.place: thumbnail for shot in shots for thumbnail in shot.thumbnails}
