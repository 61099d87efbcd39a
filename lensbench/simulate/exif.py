"""The EXIF block of a simulated photograph, packed by hand.

Layout of the directory and tag numbers: Exif 2.32 (CIPA DC-008), TIFF 6.0.
"""

import struct
from dataclasses import dataclass
from typing import Final

from lensbench.simulate.camera import Camera
from lensbench.simulate.lens import Lens
from lensbench.simulate.scene import Shot
from lensbench.units import FULL_FRAME_DIAGONAL_MM

__all__ = ["EXIF_POINTER_TAG", "Entry", "exif_entries", "jpeg_exif_segment", "packed_directory"]

EXIF_POINTER_TAG: Final = 34665
_ASCII, _SHORT, _LONG, _RATIONAL, _UNDEFINED = 2, 3, 4, 5, 7
_UNIT_BYTES: Final = {_ASCII: 1, _SHORT: 2, _LONG: 4, _RATIONAL: 8, _UNDEFINED: 1}
_CENTIMETRE: Final = 3


@dataclass(frozen=True, slots=True, kw_only=True)
class Entry:
    """One tag with its packed value."""

    tag: int
    kind: int
    payload: bytes

    @property
    def count(self) -> int:
        """Number of values."""
        return len(self.payload) // _UNIT_BYTES[self.kind]


def exif_entries(shot: Shot, *, lens: Lens, camera: Camera) -> list[Entry]:
    """Give the tags that a camera would write about this shot."""
    shortest, longest = lens.focal_range_mm
    diagonal_mm = 2.0 * camera.half_diagonal_px * camera.pitch_um / 1000.0
    date, time = shot.taken_at.split("T")
    seconds, _, fraction = time.partition(".")
    per_cm = 10_000.0 / camera.pitch_um
    entries = [
        _rational(33434, shot.exposure_s),
        _rational(33437, shot.f_number),
        _short(34855, shot.iso),
        Entry(tag=36864, kind=_UNDEFINED, payload=b"0232"),
        _text(36867, f"{date.replace('-', ':')} {seconds}"),
        _rational(37386, shot.focal_length_mm),
        _text(37521, fraction or "000"),
        _long(40962, camera.cols),
        _long(40963, camera.rows),
        _rational(41486, per_cm),
        _rational(41487, per_cm),
        _short(41488, _CENTIMETRE),
        _short(41989, round(shot.focal_length_mm * FULL_FRAME_DIAGONAL_MM / diagonal_mm)),
        _rational(42034, shortest, longest, lens.widest_f_number, lens.widest_f_number),
        _text(42035, lens.maker),
        _text(42036, lens.name),
    ]
    return sorted(entries, key=lambda entry: entry.tag)


def packed_directory(entries: list[Entry], *, offset: int) -> bytes:
    """Pack a little-endian directory that will lie at a file offset, long values behind it."""
    directory = struct.pack("<H", len(entries))
    overflow_at = offset + 2 + 12 * len(entries) + 4
    overflow = b""
    for entry in entries:
        directory += struct.pack("<HHI", entry.tag, entry.kind, entry.count)
        if len(entry.payload) <= 4:
            directory += entry.payload.ljust(4, b"\0")
        else:
            directory += struct.pack("<I", overflow_at + len(overflow))
            overflow += entry.payload + b"\0" * (len(entry.payload) % 2)
    return directory + struct.pack("<I", 0) + overflow


def jpeg_exif_segment(shot: Shot, *, lens: Lens, camera: Camera) -> bytes:
    """Give the APP1 segment that follows a JPEG's first marker."""
    main = [_text(271, camera.maker), _text(272, camera.model), _short(274, 1), _long(EXIF_POINTER_TAG, 0)]
    exif_at = 8 + len(packed_directory(main, offset=8))
    main[-1] = _long(EXIF_POINTER_TAG, exif_at)
    tiff = struct.pack("<2sHI", b"II", 42, 8) + packed_directory(main, offset=8)
    tiff += packed_directory(exif_entries(shot, lens=lens, camera=camera), offset=exif_at)
    body = b"Exif\0\0" + tiff
    return struct.pack(">HH", 0xFFE1, len(body) + 2) + body


def _text(tag: int, text: str) -> Entry:
    return Entry(tag=tag, kind=_ASCII, payload=text.encode("ascii", "replace") + b"\0")


def _short(tag: int, value: int) -> Entry:
    return Entry(tag=tag, kind=_SHORT, payload=struct.pack("<H", min(value, 65535)))


def _long(tag: int, value: int) -> Entry:
    return Entry(tag=tag, kind=_LONG, payload=struct.pack("<I", value))


def _rational(tag: int, *values: float) -> Entry:
    pairs = b"".join(struct.pack("<II", round(value * 10_000), 10_000) for value in values)
    return Entry(tag=tag, kind=_RATIONAL, payload=pairs)
