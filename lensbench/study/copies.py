"""Files of equal content: one photograph, however often it lies about. Copies are no repeats."""

from collections import defaultdict
from collections.abc import Callable, Hashable, Iterable
from pathlib import Path
from typing import Final

from lensbench import photo
from lensbench.study.keeping import content_hash

__all__ = ["copies_among", "copies_in_words", "photographs_in"]

_TASTE_BYTES: Final = 65_536
"""Of two raw files of one size the middle tells nearly always that they differ: noise is never the same."""
_MOST_NAMED: Final = 5


def photographs_in(folders: Iterable[Path]) -> list[tuple[Path, Path]]:
    """Give each photograph of some folders once, with its folder, whatever names and links lead there.

    Raises
    ------
    ImageError
        A folder is not there or cannot be read.
    """
    found: dict[Path, tuple[Path, Path]] = {}
    for folder in folders:
        place = folder.resolve()
        for path in photo.list_photos(folder):
            found.setdefault(place / path.relative_to(folder), (folder, path))
    return list(found.values())


def copies_among(paths: Iterable[Path]) -> dict[Path, Path]:
    """Tell which files are copies, byte by byte, and of which file that comes before them.

    Files are compared where their sizes are equal, whole only where a part is too; empty and unreadable ones
    are nobody's copies.
    """
    groups = [list(paths)]
    for trait in (_size, _taste, content_hash):
        groups = [part for group in groups for part in _alike(group, trait)]
    return {copy: first for first, *others in groups for copy in others}


def _alike(paths: list[Path], trait: Callable[[Path], Hashable]) -> list[list[Path]]:
    """Give the files that share a trait with another one, together."""
    found: dict[Hashable, list[Path]] = defaultdict(list)
    for path in paths:
        try:
            value = trait(path)
        except OSError:
            continue
        if value:
            found[value].append(path)
    return [group for group in found.values() if len(group) > 1]


def _size(path: Path) -> int:
    return path.stat().st_size


def _taste(path: Path) -> bytes:
    """Read some bytes in the middle."""
    with path.open("rb") as stream:
        stream.seek(max(0, path.stat().st_size - _TASTE_BYTES) // 2)
        return stream.read(_TASTE_BYTES)


def copies_in_words(copies: dict[Path, Path]) -> list[str]:
    """Say how many copies of which photographs were left out.

    >>> copies_in_words({Path("b.dng"): Path("a.dng"), Path("c.dng"): Path("a.dng")})
    ['left out: 2 copies of a.dng']
    """
    counts: dict[Path, int] = defaultdict(int)
    for original in copies.values():
        counts[original] += 1
    if len(counts) > _MOST_NAMED:
        first = next(iter(counts)).name
        return [f"left out: {len(copies)} copies of {len(counts)} photographs, the first of {first}"]
    return [
        f"left out: {f'{count} copies' if count > 1 else 'a copy'} of {original.name}"
        for original, count in counts.items()
    ]
