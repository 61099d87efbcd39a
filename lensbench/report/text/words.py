"""The one vocabulary: figures with their unit and interval, ranges of stops, doubt; each is spelled here alone.

Longer texts stand in `words.toml` and are filled in here. Names of stops, focal lengths and shutter speeds, and lists,
are spelled in `model.setting`.
"""

import math
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from functools import reduce
from operator import getitem
from pathlib import Path
from typing import Any, Final, Protocol, TypeVar

from lensbench.model.compare import WayOfLooking
from lensbench.model.errors import Note
from lensbench.model.setting import Setting, f_stop, focal_length, listed
from lensbench.model.shot import ZONES, ShotResult
from lensbench.model.sweep import FocalLengthFindings, LensFindings, SweepShot
from lensbench.storage.text import clean_text, told_apart, words_of

NOT_MEASURED: Final = "–"
CANNOT_TELL: Final = "can't tell"
NOT_TOLD_APART: Final = "can't be told apart"
NOT_TOLD_FROM: Final = "can't be told from it"
UNTOLD_COLUMN: Final = "not told apart"

Record = TypeVar("Record")
Cell = Callable[[Record], str]


def texts(where: str) -> Any:
    """Text of `words.toml`, or a table or list of texts, by the names that lead to it: «condition.tilt»."""
    return reduce(getitem, where.split("."), words_of("report.text"))


def worded(where: str, **figures: Any) -> str:
    """Text of `words.toml` with its figures filled in.

    >>> worded("advice.no_stop", near="2 m", far="9 m")
    'No single stop is sharp from 2 m to 9 m.'
    """
    return str(texts(where).format(**figures))


def note_in_words(note: Note) -> str:
    """Sentence or clause of a note, whatever it is about, without hidden characters."""
    names, values = [clean_text(name) for name in note.names], note.values
    first, last = (values[0], values[-1]) if values else (math.nan, math.nan)
    template: str = texts(f"notes.{type(note.kind).__name__}.{note.kind}")
    return template.format(
        *values,
        limit=note.limit,
        names=listed(names),
        quoted=[f"«{name}»" for name in names],
        source="is assumed" if names == ["assumed"] else f"was taken from the {listed(names)}",
        stop=f_stop(first),
        other=f_stop(last),
        lengths=f"{figure_range(first, last, 'g')} mm",
        sizes=listed(
            [f"{rows:.0f} x {cols:.0f}" for rows, cols in zip(values[::2], values[1::2], strict=False)]
        ),
        scales=[1.0 / value if value else math.nan for value in values],
        size=abs(first),
        percents=[f"{value:.{int(value < 9.5)}f} %" if value >= 0.05 else "under 0.1 %" for value in values],
        grows="grows" if first > 0.0 else "shrinks",
    )


def stop_range(f_numbers: Sequence[float], tested: Sequence[float]) -> str:
    """Name f-stops, three or more that were tested next to each other by the first and the last.

    >>> stop_range((2.8, 5.6, 8.0, 11.0), (2.8, 4.0, 5.6, 8.0, 11.0))
    'f/2.8 and f/5.6 to f/11'
    """
    places = {stop: place for place, stop in enumerate(sorted({*tested, *f_numbers}))}
    runs: list[list[float]] = []
    for stop in sorted(set(f_numbers)):
        if runs and places[stop] == places[runs[-1][-1]] + 1:
            runs[-1].append(stop)
        else:
            runs.append([stop])
    names: list[str] = []
    for run in runs:
        names += (
            [f"{f_stop(run[0])} to {f_stop(run[-1])}"] if len(run) > 2 else [f_stop(stop) for stop in run]
        )
    return listed(names)


def figure_range(low: float, high: float, form: str) -> str:
    """One figure, or two where they are spelled differently.

    >>> figure_range(1.0, 3.0, ".0f"), figure_range(2.0, 2.1, ".0f")
    ('1 to 3', '2')
    """
    ends = format(low, form), format(high, form)
    return ends[0] if ends[0] == ends[1] else f"{ends[0]} to {ends[1]}"


def signed(value: float, decimals: int = 0) -> str:
    """Figure with its sign, and zero as such.

    >>> signed(2.6), signed(-0.04, 1)
    ('+3', '0')
    """
    rounded = round(value, decimals)
    return f"{rounded:+.{decimals}f}" if rounded else "0"


def percent(share_percent: float) -> str:
    """Loss in whole percent.

    >>> percent(12.4), percent(0.4), percent(0.0)
    ('12 %', 'under 1 %', 'nothing')
    """
    if share_percent < 0.05:
        return "nothing"
    return f"{share_percent:.0f} %" if share_percent >= 0.95 else "under 1 %"


def looked_at(way: WayOfLooking) -> str:
    """How a picture is looked at: «at 100 % on a screen 60 cm away»."""
    if way.pixel_for_pixel:
        return f"at 100 % on a screen {way.distance_mm / 10.0:.0f} cm away"
    return f"in a print or on a screen {way.print_height_mm:g} mm high seen from {way.distance_mm:g} mm"


def sentence_case(text: str) -> str:
    """Begin a sentence with a capital letter."""
    return f"{text[:1].upper()}{text[1:]}"


def clean_line(text: str) -> str:
    """Composed sentence without hidden characters; it may be longer than a name."""
    return " ".join(cleaned for word in text.split() if (cleaned := clean_text(word, unknown="")))


class AtSetting(Protocol):
    """A record of one focal length and stop."""

    @property
    def focal_length_mm(self) -> float | None: ...  # noqa: D102
    @property
    def f_number(self) -> float: ...  # noqa: D102


def at_setting(record: AtSetting) -> str:
    """«35 mm, f/4», or «f/4» where the focal length is unknown."""
    stop = f_stop(record.f_number)
    return stop if record.focal_length_mm is None else f"{focal_length(record.focal_length_mm)}, {stop}"


def known(value: float, form: str = ".3f", unit: str = "") -> str:
    """Figure, or a dash where it is not known.

    >>> known(0.2931), known(math.nan), known(2.04, "+.1f", " %")
    ('0.293', '–', '+2.0 %')
    """
    return f"{value:{form}}{unit}" if math.isfinite(value) else NOT_MEASURED


def borne(value: float, sd: float | None, most: int, *, sign: bool = False) -> str:
    """Figure with no more digits than its sd bears: down to the sd's second significant digit.

    At most `most` decimals, and those where the sd is zero or not known; a dash where the figure is not known.

    >>> borne(0.29312, 0.0021, 4), borne(0.29312, 0.021, 4), borne(0.29312, 0.21, 4), borne(3127.0, 410.0, 0)
    ('0.2931', '0.293', '0.29', '3130')
    """
    if not math.isfinite(value):
        return NOT_MEASURED
    decimals = most
    if sd is not None and math.isfinite(sd) and sd > 0.0:
        # The exponent is that of the sd as rounded: 0.0996 is 0.10.
        decimals = min(most, 1 - int(f"{sd:.1e}".partition("e")[2]))
    rounded = round(value, decimals) + 0.0  # no -0.0
    return f"{rounded:{'+' * sign}.{max(decimals, 0)}f}" if rounded or not sign else "0"


def with_doubt(value: float, sd: float | None, most: int) -> str:
    """Figure with the half-width of its 95 % interval, in the digits that its sd bears.

    >>> with_doubt(0.29312, 0.0021, 4), with_doubt(0.29312, 0.021, 4), with_doubt(0.29312, math.nan, 4)
    ('0.2931 ± 0.0041', '0.293 ± 0.041', '0.2931')
    >>> with_doubt(0.29312, 0.00001, 3)
    '0.293 ± below 0.0005'
    """
    if sd is None or not math.isfinite(sd):
        return borne(value, sd, most)
    half = borne(1.96 * sd, sd, most)
    return f"{borne(value, sd, most)} ± {half if float(half) else f'below {0.5 * 10.0**-most:g}'}"


def sd_of(ci95: Sequence[float]) -> float:
    """Sd that a 95 % interval stands for; NaN where an end is open.

    >>> round(sd_of((0.2889, 0.2973)), 5)
    0.00214
    """
    low, high = ci95
    return (high - low) / (2.0 * 1.96)


def photo_labels(paths: tuple[Path, ...]) -> dict[Path, str]:
    """Short name for every photograph: the file's name, with its folder where two are called alike."""
    return {path: clean_text(name) for path, name in told_apart(paths).items()}


def shots_at(lens: LensFindings, at: AtSetting, shots: Sequence[SweepShot]) -> list[ShotResult]:
    """All results used of one lens at the setting of a record."""
    wanted = (lens.lens, lens.camera, Setting(focal_length_mm=at.focal_length_mm, f_number=at.f_number))
    return [
        shot.result
        for shot in shots
        if shot.used
        and isinstance(shot.result, ShotResult)
        and (shot.planned.lens, shot.planned.camera, shot.planned.setting) == wanted
    ]


def full_scale(lens: LensFindings) -> tuple[str, float] | None:
    """Which third is shown at first, and the MTF50 that is its 100 %: at the best setting, else the sharpest one.

    None where no stop is known or nothing was measured.
    """
    for third in ("frame", *ZONES):
        points = {
            (focal.focal_length_mm, point.f_number): point.mtf50_cypx
            for focal in lens.by_focal_length
            for point in focal.curve
            if point.zone == third and point.f_number > 0.0
        }
        if points:
            best = lens.best and points.get((lens.best.focal_length_mm, lens.best.f_number))
            return third, best or max(points.values())
    return None


def percent_share(lens: LensFindings, focal: FocalLengthFindings, full_cypx: float) -> float:
    """By what the percentages of a focal length's whole frame are multiplied, so that its best is what the answer says.

    The answer compares focal lengths by the means of their shots, a curve smooths those of one.
    """
    zoom = lens.zoom_at_own_best
    if zoom is None or focal.focal_length_mm == zoom.focal_length_mm:
        return 1.0
    behind = {row.focal_length_mm: row.percent for row in zoom.behind}
    curve = {point.f_number: point.mtf50_cypx for point in focal.curve if point.zone == "frame"}
    kept = (100.0 - behind.get(focal.focal_length_mm, math.nan)) / 100.0
    share = kept * full_cypx / curve.get(focal.best_f_number, math.nan)
    return share if math.isfinite(share) else 1.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Grid:
    """A table of texts."""

    caption: str
    header: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]

    @classmethod
    def of(cls, records: Iterable[Record], caption: str, columns: Mapping[str, Cell[Record]]) -> "Grid":
        """One row a record: `columns` names each column, and makes its cell of a record."""
        rows = tuple(tuple(cell(record) for cell in columns.values()) for record in records)
        return cls(caption=caption, header=tuple(columns), rows=rows)
