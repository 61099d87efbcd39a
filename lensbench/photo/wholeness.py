"""Whether a raw file is all there, seen from its directories alone, before anything is decoded.

Most raw files are TIFF inside (TIFF 6.0, section 2; DNG 1.6): directories say where each strip or tile of the
picture begins and how long it is. What lies beyond the file's end is missing.
"""

import struct
from collections.abc import Iterator
from pathlib import Path
from typing import BinaryIO, Final, NamedTuple

__all__ = ["is_cut_short"]

_BYTE_ORDERS: Final = {b"II*\x00": "<", b"MM\x00*": ">"}
_SIZES: Final = {1: 1, 2: 1, 3: 2, 4: 4, 5: 8, 7: 1, 9: 4, 10: 8, 13: 4}
_CODES: Final = {3: "H", 4: "I", 13: "I"}
_SUB_DIRECTORIES: Final = (330, 34665)
"""SubIFDs and EXIF."""
_PIECES: Final = ((273, 279), (324, 325))
"""Where strips and tiles begin, and their lengths in bytes."""
_MOST_DIRECTORIES: Final = 32
_MOST_NUMBERS: Final = 100_000


class _Entry(NamedTuple):
    kind: int
    length: int
    place: int
    """Of the values: within the entry where they fit, else elsewhere in the file."""


def is_cut_short(path: Path) -> bool:
    """Tell whether directories or pixels of a TIFF-like file lie beyond its end; False for any other kind.

    Raises
    ------
    OSError
        The file cannot be read.
    """
    size = path.stat().st_size
    with path.open("rb") as file:
        order = _BYTE_ORDERS.get(file.read(4), "")
        return bool(order) and _ends_beyond(file, order, size)


def _ends_beyond(file: BinaryIO, order: str, size: int) -> bool:
    seen: set[int] = set()
    try:
        waiting = [_number(file, order, 4)]
    except struct.error:
        return True
    while waiting and len(seen) < _MOST_DIRECTORIES:
        place = waiting.pop()
        if not place or place in seen:
            continue
        seen.add(place)
        try:
            entries, following = _directory(file, order, place)
            for tag in _SUB_DIRECTORIES:
                waiting += _numbers(file, order, entries.get(tag))
            if any(end > size for end in _ends(file, order, entries)):
                return True
        except struct.error:
            return True
        waiting.append(following)
    return False


def _number(file: BinaryIO, order: str, place: int) -> int:
    file.seek(place)
    (number,) = struct.unpack(f"{order}I", file.read(4))
    return int(number)


def _directory(file: BinaryIO, order: str, place: int) -> tuple[dict[int, _Entry], int]:
    """Give the entries by tag, and where the next directory stands."""
    file.seek(place)
    (count,) = struct.unpack(f"{order}H", file.read(2))
    packed = file.read(12 * count)
    if len(packed) < 12 * count:
        raise struct.error
    entries = {}
    for index, (tag, kind, length) in enumerate(struct.iter_unpack(f"{order}HHI4x", packed)):
        inside = place + 2 + 12 * index + 8
        fits = _SIZES.get(kind, 1) * length <= 4
        entries[tag] = _Entry(kind, length, inside if fits else _number(file, order, inside))
    return entries, _number(file, order, place + 2 + 12 * count)


def _numbers(file: BinaryIO, order: str, entry: _Entry | None) -> list[int]:
    if entry is None or entry.kind not in _CODES or entry.length > _MOST_NUMBERS:
        return []
    file.seek(entry.place)
    form = f"{order}{entry.length}{_CODES[entry.kind]}"
    return list(struct.unpack(form, file.read(struct.calcsize(form))))


def _ends(file: BinaryIO, order: str, entries: dict[int, _Entry]) -> Iterator[int]:
    """Give where each strip and tile ends."""
    for begins, lengths in _PIECES:
        starts, counts = (_numbers(file, order, entries.get(tag)) for tag in (begins, lengths))
        yield from (start + count for start, count in zip(starts, counts, strict=False))
