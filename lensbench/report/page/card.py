"""What a pocket card says of one lens: a row for each focal length, the stops to use, and what to beware of.

A lens of one focal length has a row for each purpose instead: subject at the centre, whole frame, edges and corners.
"""

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from math import nan
from typing import Final

from lensbench.model.condition import Subject, Verdict
from lensbench.model.measured import CopyVerdict, KeptSession, PocketRow
from lensbench.model.setting import f_stop, focal_length
from lensbench.model.sweep import POCKET_PERCENT, BestSetting, FocalLengthFindings, LensFindings
from lensbench.report.text.answer import mixed_kinds
from lensbench.report.text.condition import side_name
from lensbench.report.text.words import at_setting, worded
from lensbench.storage.text import clean_text
from lensbench.sweep import copy_verdict

_ZONE_NAMES: Final = {"inner": "centre", "frame": "whole frame", "outer": "corners"}
"""Zone -> what it counts for, in a card's few letters."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PocketCard:
    """One lens."""

    lens: str
    about: str  # its camera, and which test of it this is
    rows: tuple[PocketRow, ...]  # by focal length, or by purpose; empty where no best stop was found
    warnings: tuple[str, ...]

    def name(self, row: PocketRow) -> str:
        """What stands before a row."""
        if len({each.zone for each in self.rows}) > 1:
            return _ZONE_NAMES[row.zone]
        return focal_length(row.focal_length_mm) if row.focal_length_mm else _ZONE_NAMES[row.zone]


def lens_pocket_card(lens: LensFindings) -> PocketCard:
    """Pocket card of a lens that was just swept."""
    focals = () if lens.best is None or mixed_kinds(lens) else lens.by_focal_length
    zones = tuple(_ZONE_NAMES) if len(focals) == 1 else ("frame",)
    found = (
        _row(lens, focal, best)
        for focal in focals
        for zone in zones
        if (best := focal.best_by_zone.get(zone)) is not None
    )
    rows = tuple(row for row in found if row.stops)
    condition = [copy_verdict(finding) for finding in lens.condition]
    about = [clean_text(lens.camera), f"{lens.shots - len(lens.rejected)} photographs"]
    return _card(lens.lens, about, rows, condition, quick=lens.quick is not None)


def kept_pocket_card(session: KeptSession) -> PocketCard:
    """Pocket card of a lens that the library keeps."""
    from lensbench.library import pocket_rows  # noqa: PLC0415  a sweep needs no library

    single = len({shot.setting.focal_length_mm for shot in session.counted}) == 1
    zones = tuple(_ZONE_NAMES) if single else ("frame",)
    rows = tuple(row for zone in zones for row in pocket_rows(session, zone=zone))
    about = [session.camera, session.session, f"{session.photographs} photographs"]
    return _card(session.lens, about, rows, session.condition)


def _row(lens: LensFindings, focal: FocalLengthFindings, best: BestSetting) -> PocketRow:
    return PocketRow(
        focal_length_mm=focal.focal_length_mm,
        zone=best.zone,
        stops={point.f_number: point.exact_f_number for point in focal.curve if point.zone == best.zone},
        best_f_number=best.f_number,
        enough=best.keeping(POCKET_PERCENT),
        percent=_percent(lens, focal),
        claimed=best.claimed,
    )


def _percent(lens: LensFindings, focal: FocalLengthFindings) -> float:
    """What a focal length keeps of the sharpest one, as the answer says it; NaN for a single one."""
    zoom = lens.zoom_at_own_best
    if zoom is None:
        return nan
    behind = {each.focal_length_mm: each.percent for each in zoom.behind}
    return 100.0 - max(behind.get(focal.focal_length_mm, nan), 0.0)


def _card(
    lens: str,
    about: Sequence[str],
    rows: tuple[PocketRow, ...],
    condition: Iterable[CopyVerdict],
    *,
    quick: bool = False,
) -> PocketCard:
    warnings = [*_of_the_copy(condition), *_of_the_rows(rows)]
    if not rows:
        warnings.append(worded("card.quick" if quick else "card.nothing"))
    whole = ["whole frame"] if rows and len({row.zone for row in rows}) == 1 else []
    words = " · ".join([*about[:1], *whole, *about[1:]])
    return PocketCard(lens=clean_text(lens), about=words, rows=rows, warnings=tuple(warnings))


def _of_the_copy(condition: Iterable[CopyVerdict]) -> Iterator[str]:
    """What matters in use, or spoils the test."""
    for judged in condition:
        if judged.verdict is not Verdict.MATTERS:
            continue
        match judged.subject:
            case Subject.DECENTRING if judged.percent is not None and judged.side is not None:
                key = "leaning" if judged.setting is None else "uneven"
                at = "" if judged.setting is None else at_setting(judged.setting)
                yield worded(f"card.{key}", side=side_name(judged.side), percent=judged.percent, at=at)
            case Subject.FOCUS_SHIFT | Subject.TILT:
                yield worded(f"card.{judged.subject}")


def _of_the_rows(rows: Sequence[PocketRow]) -> Iterator[str]:
    below = [(row, stop) for row in rows for stop in stops_below(row)]
    if len(below) == 1:
        row, stop = below[0]
        at = f" at {focal_length(row.focal_length_mm)}" if row.focal_length_mm and len(rows) > 1 else ""
        yield worded("card.below", stops=f_stop(stop), at=at, level=POCKET_PERCENT)
    elif below:
        yield worded("card.below_many", level=POCKET_PERCENT)
    if not all(row.claimed for row in rows):
        yield worded("card.unclaimed_some" if any(row.claimed for row in rows) else "card.unclaimed")


def stops_below(row: PocketRow) -> list[float]:
    """Stops between the first and the last that keep their share, which do not."""
    kept = () if row.enough is None else row.enough.probably
    return [stop for stop in sorted(row.stops) if kept and min(kept) < stop < max(kept) and stop not in kept]
