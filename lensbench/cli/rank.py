"""`lensbench rank`: orders near-identical frames by sharpness."""

from math import isfinite
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

import lensbench
from lensbench.cli.options import AsJson
from lensbench.cli.output import progress_bar, say, say_document

if TYPE_CHECKING:
    from lensbench.rank import PairOdds, RankedFrame


def rank(
    photos: Annotated[
        list[Path],
        typer.Argument(metavar="PHOTO... | FOLDER", help="Two or more frames of one scene, or their folder."),
    ],
    as_json: AsJson = False,
) -> None:
    """Order near-identical frames of any scene by sharpness; no chart is needed.

    The frames must show the same scene, of one camera, size and file format: the camera hardly moved between
    them. They are laid over one another and compared where the scene has detail; a file that cannot be read is
    left out and named. Frames that can't be told apart share a group; where none can be told apart, no order is
    named and the exit status is 1. Blur is in px, contrast in percent of the sharpest frame's at the frequency
    named (in cycles per pixel).

    Example: lensbench rank burst_1.dng burst_2.dng burst_3.dng
    """
    from lensbench.report import clean_line
    from lensbench.storage.text import clean_text
    from lensbench.sweep import copies_in_words

    with progress_bar("comparing") as progress:
        done = lensbench.rank(photos, progress=progress)
    for sentence in copies_in_words(done.copies):
        say(clean_text(sentence), err=True)
    ranking = done.ranking
    for rejection in ranking.left_out:
        say(f"left out: {clean_text(rejection.path.name)}: {clean_line(rejection.reason)}", err=True)
    if as_json:
        say_document(done.to_json())
    elif ranking.told_apart:
        say(*_lines(done))
    if not ranking.told_apart:
        say(f"lensbench: {ranking.answer}", err=True)
        raise typer.Exit(1)


_COLUMNS = "  {:>4} {:>5}  {:<28} {:>12} {:>16} {:>13}"


def _lines(done: "lensbench.RankResult") -> list[str]:
    ranking = done.ranking
    head = _COLUMNS.format("rank", "group", "frame", "contrast, %", "95 % interval", "more blur, px")
    rows = [_row(frame) for frame in ranking.frames]
    sure = [_odds(pair) for pair in done.neighbours]
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


def _odds(pair: "PairOdds") -> str:
    from lensbench.storage.text import clean_text

    names = f"{clean_text(pair.sharper.name)} is sharper than {clean_text(pair.softer.name)}"
    chance = "above 99.9 %" if pair.probability > 0.999 else f"{100.0 * pair.probability:.1f} %"
    apart = "" if pair.told_apart else ", can't be told apart"
    return f"  {names}: {chance}{apart}"
