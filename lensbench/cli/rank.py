"""`lensbench rank`: orders near-identical frames by sharpness."""

from math import isfinite
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from lensbench.cli.output import say, say_document
from lensbench.model.errors import SettingError

if TYPE_CHECKING:
    from lensbench.rank import PairOdds, RankedFrame, Ranking

__all__ = ["rank"]


def rank(
    photos: Annotated[
        list[Path],
        typer.Argument(metavar="PHOTO... | FOLDER", help="Two or more frames of one scene, or their folder."),
    ],
    as_json: Annotated[bool, typer.Option("--json", help="Print one JSON document.")] = False,
) -> None:
    """Order near-identical frames of any scene by sharpness; no chart is needed.

    The frames must show the same scene, of one camera, size and file format: the camera hardly moved between
    them. They are laid over one another and compared where the scene has detail; a file that cannot be read is
    left out and named. Frames that can't be told apart share a group; where none can be told apart, no order is
    named and the exit status is 1. Blur is in px, contrast in percent of the sharpest frame's at the frequency
    named (in cycles per pixel).

    Example: lensbench rank burst_1.dng burst_2.dng burst_3.dng
    """
    from lensbench.cli.output import progress_bar
    from lensbench.rank import frames_of
    from lensbench.rank import rank as rank_frames
    from lensbench.report.text.words import clean_line
    from lensbench.storage.text import clean_text

    paths = _without_copies(frames_of(photos))
    with progress_bar("comparing") as progress:
        ranking = rank_frames(paths, progress=progress)
    for one in ranking.left_out:
        say(f"left out: {clean_text(one.path.name)}: {clean_line(one.reason)}", err=True)
    if as_json:
        from lensbench.report.out.json_form import plain
        from lensbench.report.out.write import json_text

        say_document(json_text(plain(ranking)))
    elif ranking.told_apart:
        say(*_lines(ranking))
    if not ranking.told_apart:
        say(f"lensbench: {ranking.answer}", err=True)
        raise typer.Exit(1)


def _without_copies(paths: list[Path]) -> list[Path]:
    """Leave out files of equal content, and say so: a copy tells nothing that its original does not."""
    from lensbench.storage.text import clean_text
    from lensbench.sweep import copies_among, copies_in_words

    copies = copies_among(paths)
    for sentence in copies_in_words(copies):
        say(clean_text(sentence), err=True)
    frames = [path for path in paths if path not in copies]
    if len(frames) < 2:
        raise SettingError(
            "only one photograph is there, and copies of it; give two or more of the same scene"
        )
    return frames


_COLUMNS = "  {:>4} {:>5}  {:<28} {:>12} {:>16} {:>13}"


def _lines(ranking: "Ranking") -> list[str]:
    head = _COLUMNS.format("rank", "group", "frame", "contrast, %", "95 % interval", "more blur, px")
    rows = [_row(frame) for frame in ranking.frames]
    sure = [_odds(pair) for pair in _neighbours(ranking)]
    detail = f"Contrast at {ranking.frequency_cypx:.2f} cycles/pixel, against the sharpest; {ranking.pieces} places."
    return [ranking.answer, "", head, *rows, "", detail, *sure, *ranking.cautions]


def _row(frame: "RankedFrame") -> str:
    from lensbench.storage.text import clean_text

    low, high = frame.ci95_percent
    return _COLUMNS.format(
        frame.rank,
        frame.group,
        clean_text(frame.photo.name),
        _signed(frame.detail_percent),
        f"{_signed(low)} to {_signed(high)}" if isfinite(low) and frame.rank > 1 else "-",
        f"{frame.extra_blur_px:.2f}",
    )


def _signed(percent: float) -> str:
    return f"{percent:+.1f}" if abs(percent) >= 0.05 else "0.0"


def _neighbours(ranking: "Ranking") -> list["PairOdds"]:
    """Give each frame's odds against the next in the order."""
    following = {
        frame.photo: after.photo for frame, after in zip(ranking.frames, ranking.frames[1:], strict=False)
    }
    return [pair for pair in ranking.pairs if following.get(pair.sharper) == pair.softer]


def _odds(pair: "PairOdds") -> str:
    from lensbench.storage.text import clean_text

    names = f"{clean_text(pair.sharper.name)} is sharper than {clean_text(pair.softer.name)}"
    chance = "above 99.9 %" if pair.probability > 0.999 else f"{100.0 * pair.probability:.1f} %"
    apart = "" if pair.told_apart else ", can't be told apart"
    return f"  {names}: {chance}{apart}"
