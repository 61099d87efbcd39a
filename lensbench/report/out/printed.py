"""What of a report is printed, and in which form: long lists and wide tables are left to the page, or parted."""

import math
from collections.abc import Iterator, Sequence
from dataclasses import replace
from statistics import fmean
from typing import Final

from lensbench.report.draw.field import FieldMap
from lensbench.report.page.document import Block, Figures, Fold, Plots, Table
from lensbench.report.text.words import NOT_MEASURED, Grid, texts, worded

_MOST_ROWS: Final = 24  # of what the page folds; a longer list is not printed
_MOST_POSITIONS: Final = 9  # focal lengths, in tables of a row each
_HASH: Final = 64  # letters of a hash
_FEW_COLUMNS: Final = 5  # a table of no more stands beside another
_MOST_COLUMNS: Final = 9  # of a table of figures: more would break them
_PROSE: Final = (40, 20)
"""Letters from which on columns hold sentences: the first of them, in the mean; the rest, in the longest cell."""
_SHORT: Final = (4, 10)  # columns and rows of a table that stands beside a plot
_ODD: Final = (1, 3)  # plots in rows of two that leave room for one more


def shortened(blocks: Sequence[Block]) -> tuple[list[Block], list[str]]:
    """What of some blocks is printed, a wide table in parts; and where the rest is found, a sentence each."""
    printed: list[Block] = []
    elsewhere = []
    for block in blocks:
        if isinstance(block, Figures) and len(block.header) > _MOST_COLUMNS and block.third == "frame":
            printed += _parts(block)
        elif isinstance(block, Table | Figures) and _is_left_out(block):
            own = block.grid
            elsewhere.append(worded("paper.long", what=own.caption, rows=len(own.rows)))
        else:
            printed.append(block)
    return printed, elsewhere


def _is_left_out(block: Table | Figures) -> bool:
    """Whether it is too long or too wide; tables of many focal lengths stand back behind what is set at each."""
    if isinstance(block, Figures):
        return block.third != "frame" and not is_small(block)
    positions = block.grid.header[0] == "focal length"
    return len(block.grid.rows) > (_MOST_POSITIONS if positions else _MOST_ROWS) or is_hashes(block)


def _parts(wide: Figures) -> Iterator[Figures]:
    """A wide table of figures in parts of equal width, each with the first column."""
    first, *others = wide.header
    step = math.ceil(len(others) / math.ceil(len(others) / (_MOST_COLUMNS - 1)))
    for start in range(0, len(others), step):
        rows = tuple((head, cells[start : start + step]) for head, cells in wide.rows)
        yield replace(wide, header=(first, *others[start : start + step]), rows=rows)


def filled(blocks: Sequence[Block]) -> list[Block]:
    """Blocks, where an odd number of plots leaves room for one more: the first single one of those below."""
    folds = [block for block in blocks if isinstance(block, Fold)]
    single = (
        plots for fold in folds for plots in fold.blocks if isinstance(plots, Plots) and len(plots.plots) == 1
    )
    later = next(single, None)
    odd = (block for block in blocks if isinstance(block, Plots) and len(block.plots) in _ODD)
    rows = next(odd, None)
    if later is None or rows is None:
        return list(blocks)
    changed: dict[int, Block] = {id(rows): replace(rows, plots=(*rows.plots, *later.plots))}
    changed |= {
        id(fold): replace(fold, blocks=tuple(block for block in fold.blocks if block is not later))
        for fold in folds
    }
    return [changed.get(id(block), block) for block in blocks]


def prose_joined(own: Grid) -> Grid:
    """Table whose columns of sentences, where three or more stand side by side, are one: they fill lines better."""
    rows = own.rows
    letters = [[len(row[place]) for row in rows] or [0] for place in range(len(own.header))]
    first = next((place for place, lengths in enumerate(letters) if fmean(lengths) > _PROSE[0]), len(letters))
    if len(letters) - first < 3 or min(map(max, letters[first:])) < _PROSE[1]:
        return own

    def joined(cells: tuple[str, ...], between: str) -> tuple[str, ...]:
        return (*cells[:first], between.join(cell for cell in cells[first:] if cell != NOT_MEASURED))

    return replace(own, header=joined(own.header, ", "), rows=tuple(joined(row, " ") for row in rows))


def own_words(plot: FieldMap) -> str:
    """Caption of a map without what holds for all of them."""
    return plot.caption.removesuffix(texts("plots")["bars"]).strip()


def is_hashes(table: Table) -> bool:
    """Whether its last column holds signs that nobody reads."""
    return all(len(row[-1]) >= _HASH and " " not in row[-1] for row in table.grid.rows)


def is_short(table: Table) -> bool:
    """Whether it may stand beside a plot, and is no higher."""
    own = table.grid
    return len(own.header) <= _SHORT[0] and len(own.rows) <= _SHORT[1] and not is_hashes(table)


def is_small(block: Block) -> bool:
    """Whether it is a table of figures that may stand beside another."""
    return isinstance(block, Figures) and len(block.header) <= _FEW_COLUMNS
