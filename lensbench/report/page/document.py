"""A report as its reader meets it: blocks in one order, from which the page, the PDF and the plots' files are made."""

import math
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from typing import Any, ClassVar, Final

from lensbench.report.draw import Plot
from lensbench.report.draw.strips import Strips, StripScale
from lensbench.report.text.words import NOT_MEASURED, Grid, texts


@dataclass(frozen=True, slots=True, kw_only=True)
class Answer:
    """The plain answer, and what limits it."""

    form: ClassVar[str] = "answer"
    about: str
    """What is answered for: small, above it on the page and below it in the PDF, which begins with the answer."""
    sentences: tuple[str, ...]
    limits: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Opening:
    """The first screen of a lens: the answer in short lines, and its strips beside them."""

    form: ClassVar[str] = "opening"
    about: str  # lens, camera, photographs and dates: faint
    label: str  # what kind of best the setting is: «Sharpest whole frame»
    setting: str  # «35 mm · f/4»: the largest words of the page
    beside: str  # what is as good, and what the other positions cost
    purposes: tuple[tuple[str, str, str], ...]
    """What for, the setting that serves it, and what serves it as well (may be empty)."""
    copy: str  # whether the copy is sound
    sure: str  # how sure all this is
    strips: Strips | None


@dataclass(frozen=True, slots=True)
class Cards:
    """Every lens of a report in three lines, each leading to its part."""

    form: ClassVar[str] = "cards"
    title: str
    cards: tuple[tuple[str, str, Opening], ...]  # anchor of the part, name of the lens, and its first screen


@dataclass(frozen=True, slots=True)
class Lines:
    """Sentences, a paragraph each."""

    form: ClassVar[str] = "lines"
    sentences: tuple[str, ...]
    kind: str = "lead"  # lead, limits, or steps (numbered)
    title: str = ""


@dataclass(frozen=True, slots=True)
class Table:
    """A table under its title; one without a title is headed by its caption."""

    form: ClassVar[str] = "table"
    title: str
    grid: Grid
    captioned: bool = False  # whether the caption is shown beside the title
    kind: str = "folding"
    """folding (row by row on a telephone), short (the same, its cells of a few words two by two), plain (without a
    caption), state (what, word, figure and limit), or list (two columns: a word and what it means)."""
    brief: Grid | None = None
    """What of it is printed, and shown before the rest is unfolded, where the whole is long."""


@dataclass(frozen=True, slots=True)
class Plots:
    """Plots side by side, each with its words and its figures as a table."""

    form: ClassVar[str] = "plots"
    title: str
    plots: tuple[Plot, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Figure:
    """One cell: words, and below them a figure with its interval in percent of the table's scale; NaN where unknown."""

    words: str = ""
    percent: float = math.nan
    ci95_percent: tuple[float, float] = (math.nan, math.nan)
    share: float = 1.0
    """By what it is multiplied where it is shown in percent, so that a position's best is what the answer says."""
    note: str = ""

    def lines(self, scale: StripScale) -> tuple[str, ...]:
        """Words, figure, interval and note, as far as there are any, in one unit."""
        lines = (self.words, *self._figure(scale), self.note)
        return tuple(filter(None, lines)) or (NOT_MEASURED,)

    def printed(self, scale: StripScale) -> str:
        """The same in two lines, the second for the note."""
        figure = " ".join(self._figure(scale)).strip()
        lines = (": ".join(filter(None, (self.words, figure))), self.note)
        return "\n".join(filter(None, lines)) or NOT_MEASURED

    def _figure(self, scale: StripScale) -> tuple[str, str]:
        """Figure and interval, empty where unknown."""
        share = self.share if scale.key == "percent" else 1.0
        percent, low, high = (share * value for value in (self.percent, *self.ci95_percent))
        if not math.isfinite(percent):
            return "", ""
        ends = scale.bare(low), scale.bare(high)
        told = math.isfinite(low) and math.isfinite(high) and ends[0] != ends[1]
        return scale.label(percent), "\N{EN DASH}".join(ends) if told else ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Figures:
    """A table whose figures can be read in several units, and may be those of one third."""

    form: ClassVar[str] = "figures"
    caption: str
    header: tuple[str, ...]
    rows: tuple[tuple[str, tuple[Figure, ...]], ...]  # head of the row, and its cells
    scales: tuple[StripScale, ...]
    third: str = "frame"  # which switch of the page shows it

    @property
    def grid(self) -> Grid:
        """The table in its first unit, for where nothing can be switched."""
        scale = self.scales[0]
        rows = ((head, *(cell.printed(scale) for cell in cells)) for head, cells in self.rows)
        return Grid(caption=self.caption, header=self.header, rows=tuple(rows))


@dataclass(frozen=True, slots=True)
class Fold:
    """Blocks behind their title until it is opened."""

    form: ClassVar[str] = "fold"
    title: str
    blocks: tuple["Block", ...]
    minor: bool = False  # whether it belongs to the block before it: no heading, and not among the anchors


@dataclass(frozen=True, slots=True, kw_only=True)
class ShotRow:
    """One photograph, or several that were skipped alike."""

    photo: str
    setting: str = ""
    picture: str = ""  # its thumbnails as a `data:` address; empty where there are none
    verdict: str
    advice: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class ShotRows:
    """Photographs in rows; the long list of those that count is folded on the page, and not printed."""

    form: ClassVar[str] = "shots"
    title: str
    about: str
    left_out: tuple[ShotRow, ...]
    counted: tuple[ShotRow, ...]

    @property
    def left_out_grid(self) -> Grid | None:
        """Those left out as a plain table; None without any."""
        columns: dict[str, Callable[[ShotRow], str]] = {
            "photograph": lambda row: f"{row.photo}\n{row.setting}" if row.setting else row.photo,
            "why": lambda row: row.verdict,
            "what to do": lambda row: row.advice or NOT_MEASURED,
        }
        return Grid.of(self.left_out, "Left out", columns) if self.left_out else None


@dataclass(frozen=True, slots=True, kw_only=True)
class CropRow:
    """Pieces of one photograph side by side, in actual pixels."""

    setting: str
    name: str  # of the lens
    picture: str  # as a `data:` address
    places: str  # what is shown, from left to right


@dataclass(frozen=True, slots=True, kw_only=True)
class Crops:
    """Pieces of photographs one below the other, to be compared by eye; all are of one size."""

    form: ClassVar[str] = "crops"
    title: str
    about: str  # with the scale of the page; on paper it is another
    caution: str = ""  # what of it holds on paper, too
    rows: tuple[CropRow, ...]
    width_px: int
    height_px: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Part:
    """Blocks that belong together."""

    form: ClassVar[str] = "part"
    kind: str  # lens, pair, or evidence (a sheet of its own, to be handed on alone)
    key: str  # anchor in the page: letters, digits and hyphens
    title: str = ""
    blocks: tuple["Block", ...]


Block = Answer | Opening | Cards | Lines | Table | Figures | Plots | ShotRows | Crops | Fold | Part


@dataclass(frozen=True, slots=True, kw_only=True)
class Report:
    """All that a report says."""

    title: str
    blocks: tuple[Block, ...]
    version: str

    @property
    def plots(self) -> tuple[Plot, ...]:
        """Every plot, in reading order."""
        return tuple(_plots(self.blocks))


def _plots(blocks: Sequence[Block]) -> Iterator[Plot]:
    for block in blocks:
        match block:
            case Opening(strips=Strips() as strips):
                yield strips
            case Plots(plots=plots):
                yield from plots
            case Part(blocks=inner) | Fold(blocks=inner):
                yield from _plots(inner)


def method(of: str, **figures: Any) -> Lines:
    """How the figures of a sweep or an effect came about, and their limits, in numbered sentences."""
    sentences = tuple(sentence.format(**figures) for sentence in texts(f"{of}.method"))
    return Lines(sentences, kind="steps", title="Method and limits")


def tables(
    *titled: tuple[str, Grid | None], captioned: bool = False, kind: str = "folding"
) -> tuple[Table, ...]:
    """Tables of those grids that there are."""
    return tuple(
        Table(title, grid, captioned=captioned, kind=kind) for title, grid in titled if grid is not None
    )


WORDS: Final = Table(
    "Glossary",
    Grid(caption="Glossary", header=("word", "meaning"), rows=tuple(texts("meanings").items())),
    kind="list",
)
"""What the words of a report mean: its end."""
