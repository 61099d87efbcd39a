"""What a finished picture's header says before anything is decoded: kind, size, depth, stated tone.

References
----------
JPEG markers: ITU-T T.81, table B.1; ICC in JPEG and PNG: ICC.1:2022, annex B; PNG chunks: W3C PNG (third
edition), clause 11; TIFF 6.0.
"""

import logging
import struct
import zlib
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

from lensbench.errors import ImageError

__all__ = ["PictureHeader", "read_header"]

_JPEG_MAGIC: Final = b"\xff\xd8\xff"
_PNG_MAGIC: Final = b"\x89PNG\r\n\x1a\n"
_TIFF_MAGICS: Final = (b"II*\x00", b"MM\x00*", b"II+\x00", b"MM\x00+")
_TIFF_SUFFIXES: Final = frozenset({".tif", ".tiff"})
_MOST_PROFILE_BYTES: Final = 4_000_000
_SAMPLE_KINDS: Final = {
    1: "",
    2: " (signed)",
    3: " (floating point)",
    5: " (complex)",
    6: " (complex)",
}
"""TIFF SampleFormat: TIFF 6.0, section 19."""
_RAW_PHOTOMETRIC: Final = frozenset({32803, 34892})
"""TIFF PhotometricInterpretation of colour-filter-array and linear raw (DNG 1.6)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PictureHeader:
    """Kind, size and stated tone of a finished picture."""

    kind: str
    """jpeg, png or tiff."""
    rows: int
    columns: int
    bits: int
    """A channel."""
    icc_profile: bytes = b""
    stated_gamma: float | None = None
    """Light = code ** gamma, where the file says so outside an ICC profile."""
    plain_tiff: bool = False
    """An uncompressed TIFF with interleaved samples."""


def read_header(path: Path) -> PictureHeader | None:
    """Read the header of a JPEG, PNG or TIFF; None for anything else, camera raw among it.

    Raises
    ------
    ImageError
        The file is one of these three but damaged, cut short or of a form that is not measured.
    """
    with path.open("rb") as file:
        magic = file.read(8)
    if magic.startswith(_JPEG_MAGIC):
        return _guarded(path, "JPEG", _jpeg_header)
    if magic == _PNG_MAGIC:
        return _guarded(path, "PNG", _png_header)
    if magic[:4] in _TIFF_MAGICS and path.suffix.lower() in _TIFF_SUFFIXES:
        return _tiff_header(path)
    return None


def _guarded(path: Path, kind: str, read: Any) -> PictureHeader:
    try:
        header: PictureHeader | None = read(path.read_bytes())
    except (IndexError, struct.error):
        header = None
    if header is None:
        raise ImageError(f"{path.name}: this {kind} is damaged or cut short; copy the file again")
    return header


_START_OF_FRAME: Final = frozenset(range(0xC0, 0xD0)) - {0xC4, 0xC8, 0xCC}
_START_OF_SCAN: Final = 0xDA
_APP2: Final = 0xE2
_WITHOUT_LENGTH: Final = frozenset({0x01, 0xFF, *range(0xD0, 0xD9)})


def _jpeg_header(data: bytes) -> PictureHeader | None:
    """Walk the markers up to the first scan, and see that the picture comes to an end."""
    at, frame, profile = 2, None, {}
    while data[at] == 0xFF:
        marker = data[at + 1]
        if marker in _WITHOUT_LENGTH:
            at += 1 if marker == 0xFF else 2
            continue
        (length,) = struct.unpack_from(">H", data, at + 2)
        body = data[at + 4 : at + 2 + length]
        if marker in _START_OF_FRAME:
            frame = struct.unpack_from(">BHH", body)
        elif marker == _APP2 and body.startswith(b"ICC_PROFILE\x00"):
            profile[body[12]] = body[14:]
        elif marker == _START_OF_SCAN:
            break
        at += 2 + length
    if frame is None or data.find(b"\xff\xd9", at) < 0:
        return None
    bits, rows, columns = frame
    icc = b"".join(profile[part] for part in sorted(profile))
    return PictureHeader(kind="jpeg", rows=rows, columns=columns, bits=bits, icc_profile=icc)


def _png_header(data: bytes) -> PictureHeader | None:
    """Walk the chunks from the header to the end mark."""
    columns, rows, bits = struct.unpack_from(">IIB", data, 16)
    at, profile, gamma = 8, b"", None
    while True:
        length, kind = struct.unpack_from(">I4s", data, at)
        body = data[at + 8 : at + 8 + length]
        if kind == b"iCCP":
            profile = _inflated(body.split(b"\x00", 1)[-1][1:])
        elif kind == b"gAMA":
            # The chunk holds 100000 times the exponent of encoding; 45455 is the usual 1/2.2.
            (hundred_thousandths,) = struct.unpack(">I", body)
            gamma = 1e5 / hundred_thousandths if hundred_thousandths else None
        elif kind == b"IEND":
            break
        at += 12 + length
    return PictureHeader(
        kind="png", rows=rows, columns=columns, bits=bits, icc_profile=profile, stated_gamma=gamma
    )


def _inflated(data: bytes) -> bytes:
    try:
        return zlib.decompressobj().decompress(data, _MOST_PROFILE_BYTES)
    except zlib.error:
        return b""


def _tiff_header(path: Path) -> PictureHeader | None:
    import tifffile  # noqa: PLC0415  heavy: only when a TIFF is opened

    logging.getLogger("tifffile").setLevel(logging.CRITICAL)  # faults come as exceptions
    with tifffile.TiffFile(path) as file:
        return _tiff_page_header(file.pages[0], path=path, file_bytes=path.stat().st_size)


def _tiff_page_header(page: Any, *, path: Path, file_bytes: int) -> PictureHeader | None:
    if page.photometric is not None and int(page.photometric) in _RAW_PHOTOMETRIC:
        return None
    bits, kind = int(page.bitspersample), _SAMPLE_KINDS.get(int(page.sampleformat), " of an unknown kind")
    if bits not in (8, 16) or kind:
        raise ImageError(
            f"{path.name}: TIFF with {bits} bits a channel{kind} is not measured; save it with 8 or 16 bits a "
            "channel"
        )
    pieces = list(zip(page.dataoffsets, page.databytecounts, strict=False))
    if not pieces or min(map(min, pieces)) <= 0 or max(map(sum, pieces)) > file_bytes:
        raise ImageError(f"{path.name}: this TIFF is damaged or cut short; copy the file again")
    return PictureHeader(
        kind="tiff",
        rows=int(page.imagelength),
        columns=int(page.imagewidth),
        bits=bits,
        icc_profile=bytes(page.iccprofile or b"")[:_MOST_PROFILE_BYTES],
        plain_tiff=_is_plain(page),
    )


def _is_plain(page: Any) -> bool:
    """Uncompressed, grey from black or RGB, samples side by side, one plane."""
    return int(page.compression) == 1 and int(page.photometric) in (1, 2) and int(page.planarconfig) == 1
