"""Raw files as a camera writes them, made by hand for tests (DNG 1.6 tags through tifffile)."""

import struct
from pathlib import Path

import numpy as np
import tifffile

BAYER_PHASES = {"RGGB": (0, 1, 1, 2), "GRBG": (1, 0, 2, 1), "GBRG": (1, 2, 0, 1), "BGGR": (2, 1, 1, 0)}
# The published 6 x 6 layout: 20 green, 8 red, 8 blue sites.
X_TRANS = (
    *(1, 1, 0, 1, 1, 2),
    *(1, 1, 2, 1, 1, 0),
    *(2, 0, 1, 0, 2, 1),
    *(1, 1, 2, 1, 1, 0),
    *(1, 1, 0, 1, 1, 2),
    *(0, 2, 1, 2, 0, 1),
)
_CFA, _LINEAR_RAW = 32803, 34892


def write_dng(
    path: Path,
    codes: np.ndarray,
    *,
    pattern: tuple[int, ...] = BAYER_PHASES["RGGB"],
    black: int | tuple[int, ...] = 512,
    white: int = 16383,
    active: tuple[int, int, int, int] | None = None,
    orientation: int = 1,
    photometric: int = _CFA,
    exif: dict[int, tuple[int, int, bytes]] | None = None,
    make: str = "Testmaker",
    model: str = "Model 7",
    **options: object,
) -> Path:
    """Write codes (rows, columns) as a DNG; the pattern starts at `active` (top, left, bottom, right)."""
    side = int(np.sqrt(len(pattern)))
    blacks = (black,) if isinstance(black, int) else black
    tags = [
        (271, "s", 0, make, True),
        (272, "s", 0, model, True),
        (274, "H", 1, orientation, True),
        (50706, "B", 4, (1, 4, 0, 0), True),
        (50707, "B", 4, (1, 1, 0, 0), True),
        (50708, "s", 0, f"{make} {model}", True),
        (50717, "I", 1, white, True),
        (50721, "2i", 9, [v for i in range(9) for v in (10000 if i % 4 == 0 else 0, 10000)], True),
        (50728, "2I", 3, (5, 10, 1, 1, 6, 10), True),
        (50778, "H", 1, 21, True),
    ]
    if photometric == _CFA:
        tags += [
            (33421, "H", 2, (side, side), True),
            (33422, "B", len(pattern), bytes(pattern), True),
            (50710, "B", 3, (0, 1, 2), True),
            (50711, "H", 1, 1, True),
        ]
    repeat = int(np.sqrt(len(blacks)))
    tags += [(50713, "H", 2, (repeat, repeat), True), (50714, "I", len(blacks), blacks, True)]
    if active is not None:
        tags.append((50829, "I", 4, active, True))
    if exif is not None:
        tags.append((40000, "I", 1, 0, True))
    options.setdefault("rowsperstrip", codes.shape[0])
    if "tile" in options:
        options.pop("rowsperstrip")
    mono = photometric == _LINEAR_RAW and codes.ndim == 2
    with tifffile.TiffWriter(path, byteorder="<") as writer:
        pixels = options.pop("encoded", codes)
        shape = {"shape": codes.shape, "dtype": codes.dtype} if pixels is not codes else {}
        writer.write(
            pixels,
            photometric=1 if mono else photometric,
            subfiletype=0,
            metadata=None,
            extratags=tags,
            **shape,
            **options,
        )
    if mono:
        _overwrite_short(path, tag=262, value=_LINEAR_RAW)
    if exif is not None:
        _append_exif(path, exif)
    return path


def _overwrite_short(path: Path, *, tag: int, value: int) -> None:
    with tifffile.TiffFile(path) as file:
        place = file.pages[0].tags[tag].valueoffset
    data = bytearray(path.read_bytes())
    struct.pack_into("<H", data, place, value)
    path.write_bytes(data)


def ascii_tag(text: str) -> tuple[int, int, bytes]:
    """Give an EXIF ASCII entry."""
    data = text.encode() + b"\x00"
    return 2, len(data), data


def rational_tag(*parts: tuple[int, int]) -> tuple[int, int, bytes]:
    """Give an EXIF RATIONAL entry of numerators and denominators."""
    return 5, len(parts), b"".join(struct.pack("<II", *part) for part in parts)


def short_tag(value: int) -> tuple[int, int, bytes]:
    """Give an EXIF SHORT entry."""
    return 3, 1, struct.pack("<H", value)


def pack_directory(entries: dict[int, tuple[int, int, bytes]], *, at: int) -> bytes:
    """Pack a TIFF directory that will stand at this offset, its values behind it (TIFF 6.0, section 2)."""
    head, values = b"", b""
    behind = at + 2 + 12 * len(entries) + 4
    for tag, (kind, count, data) in sorted(entries.items()):
        if len(data) <= 4:
            field = data.ljust(4, b"\x00")
        else:
            field = struct.pack("<I", behind + len(values))
            values += data + b"\x00" * (len(data) % 2)
        head += struct.pack("<HHI", tag, kind, count) + field
    return struct.pack("<H", len(entries)) + head + b"\x00" * 4 + values


def _append_exif(path: Path, entries: dict[int, tuple[int, int, bytes]]) -> None:
    with tifffile.TiffFile(path) as file:
        place = file.pages[0].tags[40000].offset
    data = bytearray(path.read_bytes())
    data += b"\x00" * (len(data) % 2)
    at = len(data)
    struct.pack_into("<H", data, place, 34665)
    struct.pack_into("<I", data, place + 8, at)
    data += pack_directory(entries, at=at)
    path.write_bytes(data)


def jpeg_with_exif(
    jpeg: bytes,
    exif: dict[int, tuple[int, int, bytes]],
    *,
    orientation: int = 1,
    make: str = "Testmaker",
    model: str = "Model 7",
) -> bytes:
    """Put an EXIF segment into a JPEG, behind its start mark."""
    first = {
        271: ascii_tag(make),
        272: ascii_tag(model),
        274: short_tag(orientation),
        34665: (4, 1, b"\0\0\0\0"),
    }
    size = len(pack_directory(first, at=8))
    first[34665] = (4, 1, struct.pack("<I", 8 + size))
    tiff = b"II*\x00\x08\x00\x00\x00" + pack_directory(first, at=8) + pack_directory(exif, at=8 + size)
    body = b"Exif\x00\x00" + tiff
    return jpeg[:2] + b"\xff\xe1" + struct.pack(">H", len(body) + 2) + body + jpeg[2:]
