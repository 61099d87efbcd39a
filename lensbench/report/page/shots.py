"""Every photograph of a lens in a row: five of its edges to look at, its setting, whether it counts, what to do.

Those that were left out stand first. What a remark says of most of the photographs is the shooting's, and stands there.
"""

from collections import Counter
from collections.abc import Iterator, Sequence
from itertools import groupby
from typing import Final

from lensbench.model.errors import Remark, Severity
from lensbench.model.setting import Setting
from lensbench.model.shot import RejectedShot, ShotResult
from lensbench.model.sweep import LensFindings, SweepShot
from lensbench.report.draw.thumbnail_strip import strip_url
from lensbench.report.page.document import ShotRow, ShotRows
from lensbench.report.text.words import at_setting, clean_line, photo_labels, texts, worded

MOST_PICTURES: Final = 2000
"""In one report: they take 6.4 MB of the page at the most."""


def shot_rows(lens: LensFindings, shots: Sequence[SweepShot], *, most: int = MOST_PICTURES) -> ShotRows:
    """Rows of one lens, what was left out first; of more than `most` photographs, each setting's first have pictures.

    What the findings name and `shots` don't hold has a row without a setting.
    """
    known = {shot.planned.path for shot in shots}
    strangers = [own for own in lens.rejected if own.path not in known]
    labels = photo_labels((*(shot.planned.path for shot in shots), *(own.path for own in strangers)))
    pictured = {id(shot) for shot in _by_turns(shots)[:most]}
    everywhere = _everywhere(shots)
    counting = Counter(shot.planned.setting for shot in shots if shot.used)

    def row(shot: SweepShot) -> ShotRow:
        result = shot.result if isinstance(shot.result, ShotResult) else None
        remarks = [] if result is None else _remarks(result, everywhere)
        left_out = clean_line(_reason(shot))
        advice = _after(counting[shot.planned.setting]) if result is not None and not shot.used else ""
        return ShotRow(
            photo=labels[shot.planned.path],
            setting=_named(shot.planned.setting),
            picture=strip_url(result.thumbnails) if result is not None and id(shot) in pictured else "",
            verdict=_counts(remarks) if shot.used else left_out,
            advice=" ".join(dict.fromkeys(remark.advice for remark in remarks)) if shot.used else advice,
        )

    in_order = sorted(shots, key=lambda shot: (shot.planned.setting.order, shot.planned.path))
    unread = [ShotRow(photo=labels[own.path], verdict=clean_line(own.reason)) for own in strangers]
    by_choice = sorted((shot for shot in in_order if shot.planned.by_choice), key=_reason)
    wanted = [shot for shot in in_order if not shot.used and not shot.planned.by_choice]
    return ShotRows(
        title=worded("shots.title"),
        about=_about(shots, len(pictured)),
        left_out=(*map(row, wanted), *unread, *_skipped(by_choice)),
        counted=tuple(row(shot) for shot in in_order if shot.used),
    )


def _named(setting: Setting) -> str:
    return at_setting(setting) if setting.f_number > 0.0 or setting.focal_length_mm else ""


def _by_turns(shots: Sequence[SweepShot]) -> list[SweepShot]:
    """Measured shots: those left out, then the first of each setting, the second of each, and so on."""
    taken: Counter[Setting] = Counter()
    turns = []
    for shot in shots:
        if isinstance(shot.result, ShotResult) and shot.result.thumbnails:
            taken[shot.planned.setting] += shot.used
            turns.append((taken[shot.planned.setting] if shot.used else 0, shot))
    return [shot for _, shot in sorted(turns, key=lambda turn: turn[0])]


def _everywhere(shots: Sequence[SweepShot]) -> set[str]:
    """Flags that more than half of the photographs raise."""
    results = [shot.result for shot in shots if isinstance(shot.result, ShotResult)]
    raised = Counter(flag for result in results for flag in {remark.flag for remark in result.quality})
    return {flag for flag, count in raised.items() if count > max(1, len(results) / 2)}


def _remarks(result: ShotResult, everywhere: set[str]) -> list[Remark]:
    return [
        remark
        for remark in result.quality
        if remark.severity is not Severity.INFO and remark.flag not in everywhere
    ]


def _counts(remarks: Sequence[Remark]) -> str:
    said = "; ".join(clean_line(remark.message) for remark in remarks)
    return worded("shots.remarked", remarks=said) if said else worded("shots.counts")


def _reason(shot: SweepShot) -> str:
    return shot.result.reason if isinstance(shot.result, RejectedShot) else shot.reason


def _after(others: int) -> str:
    """What to do about a photograph that was measured and left out, by how many of its setting count."""
    words = texts("shots.again")
    return str(
        words["no_other"]
        if not others
        else words["one"]
        if others == 1
        else words["some"].format(others=others)
    )


def _skipped(shots: Sequence[SweepShot]) -> Iterator[ShotRow]:
    """A row for each reason of the photographer's own, however many photographs it is of."""
    for reason, group in groupby(shots, key=_reason):
        members = list(group)
        name = members[0].planned.path.name
        count = worded("shots.photographs", count=len(members), first=name) if len(members) > 1 else name
        yield ShotRow(photo=clean_line(count), verdict=worded("shots.skipped", reason=clean_line(reason)))


def _about(shots: Sequence[SweepShot], pictured: int) -> str:
    if not pictured:
        return ""
    measured = sum(isinstance(shot.result, ShotResult) for shot in shots)
    fewer = worded("shots.fewer", pictured=pictured, measured=measured) if pictured < measured else ""
    return f"{worded('shots.about')}{fewer}"
