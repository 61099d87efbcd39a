"""What a photograph says of itself, believed only as far as it can be true.

Lenses without contacts leave f-number 0, focal length 0 and names such as «----»; cameras, converters and
editors leave fields empty, stale or malformed. A value that cannot be true becomes None; nothing here raises
for a strange file. The pixel pitch follows from what they say of the sensor's size.

Out of CR3, RAF and RW2, which are no plain TIFF or JPEG, the metadata blocks are taken first. The layouts are those
that published descriptions of the three containers give, checked on real files.
"""

import io
import logging
import math
import re
import struct
import sys
import unicodedata
from collections.abc import Iterator, Mapping
from itertools import islice
from pathlib import Path
from typing import Any, BinaryIO, Final

import exifread

from lensbench.model.shot import Metadata
from lensbench.model.units import pixel_pitch_um_from_equivalent
from lensbench.photo.pixels import decoding

Tags = Mapping[str, Any]  # values by the EXIF reader's names
_Blocks = list[tuple[bytes, str]]  # for the EXIF reader, each with the name of its first directory

_CR3_UUID: Final = bytes.fromhex("85c0b687820f11e08111f4ce462b6a48")
_CR3_BLOCKS: Final = {b"CMT1": "Image", b"CMT2": "EXIF"}  # two directories, each a TIFF
_CR3_BRAND: Final = b"ftypcrx "
_RAF_MAGIC: Final = b"FUJIFILMCCD-RAW"
_RW2_MAGIC: Final = b"IIU\x00"
_RW2_JPEG_TAG: Final = 0x2E  # a JPEG with the full EXIF
_RW2_ISO_TAG: Final = 0x17
_LARGEST_BLOCK_BYTES: Final = 32_000_000
_MAKER_LENS: Final = ("MakerNote LensMinMaxFocalMaxAperture", "MakerNote LensModel")
"""What maker notes say of the lens; nothing else of them is kept."""
_MOST_READS: Final = 60_000  # of single numbers; camera files with maker notes take a few thousand


def read_metadata(path: Path) -> Metadata:
    """Read a photograph's metadata without decoding its pixels.

    Under a millisecond a file. Fields that are missing, malformed or cannot be true are None.

    Raises
    ------
    ImageError
        The file cannot be opened at all.
    """
    with decoding(path), path.open("rb") as file:
        tags = _read_tags(file)
        focal = _positive(_first(tags, "FocalLength"))
        width_mm, width_px = _sensor_width(tags)
        equivalent = _positive(_first(tags, "FocalLengthIn35mmFilm"), most=20_000.0)
        zoom = _number(_first(tags, "DigitalZoomRatio")) or 1.0  # a digital zoom makes the equivalent useless
        return Metadata(
            camera=_camera(tags),
            lens=_lens(tags),
            f_number=_f_number(tags, focal=focal),
            focal_length_mm=focal,
            focal_length_35mm_mm=equivalent if zoom == 1.0 else None,
            iso=_iso(tags),
            exposure_s=_exposure(tags),
            taken_at=_taken_at(tags),
            orientation=_orientation(tags),
            sensor_width_mm=width_mm,
            sensor_width_px=width_px,
            lens_focal_range_mm=_focal_range(tags),
        )


def _read_tags(file: BinaryIO) -> Tags:
    """Tags in whatever state they are; an unreadable block gives none."""
    logging.getLogger("exifread").setLevel(logging.CRITICAL)
    try:
        blocks, iso = _metadata_blocks(file)
    except Exception:  # noqa: BLE001  pixels are measured all the same, whatever a malformed block does
        blocks, iso = [], None
    tags: dict[str, Any] = {}
    for block, name in blocks:
        read = _process(io.BytesIO(block))
        tags |= {key.replace("Image ", f"{name} ", 1): value for key, value in read.items()}
    if not blocks:
        tags.update(_process(file))
        if "EXIF LensModel" not in tags:
            details = _process(file, details=True)
            tags |= {key: details[key] for key in _MAKER_LENS if key in details}
    if iso and "EXIF ISOSpeedRatings" not in tags:
        tags["EXIF ISOSpeedRatings"] = iso
    return tags


def _metadata_blocks(file: BinaryIO) -> tuple[_Blocks, int | None]:
    """EXIF blocks inside a CR3, RAF or RW2 file, none of any other kind; and an ISO number kept outside them."""
    head = _read_at(file, offset=0, length=92)
    if head[4:12] == _CR3_BRAND:
        return [
            (_read_at(file, offset=begin, length=end - begin), _CR3_BLOCKS[kind])
            for outer, *movie in islice(_boxes(file, 0, sys.maxsize), 16)
            if outer == b"moov"
            for box, start, stop in _boxes(file, *movie)
            if box == b"uuid" and _read_at(file, offset=start, length=16) == _CR3_UUID
            for kind, begin, end in _boxes(file, start + 16, stop)
            if kind in _CR3_BLOCKS
        ], None
    if head.startswith(_RAF_MAGIC) and len(head) == 92:
        offset, length = struct.unpack(">II", head[84:92])
        return [(_read_at(file, offset=offset, length=length), "Image")], None
    if not head.startswith(_RW2_MAGIC):
        return [], None
    (directory,) = struct.unpack("<I", head[4:8])
    (count,) = struct.unpack("<H", _read_at(file, offset=directory, length=2))
    entries = _read_at(file, offset=directory + 2, length=12 * count)
    found = {tag: (length, value) for tag, _, length, value in struct.iter_unpack("<HHII", entries)}
    iso = found[_RW2_ISO_TAG][1] & 0xFFFF if _RW2_ISO_TAG in found else None
    if _RW2_JPEG_TAG not in found:
        return [], iso
    length, offset = found[_RW2_JPEG_TAG]
    return [(_read_at(file, offset=offset, length=length), "Image")], iso


def _read_at(file: BinaryIO, *, offset: int, length: int) -> bytes:
    file.seek(offset)
    return file.read(min(length, _LARGEST_BLOCK_BYTES))


def _boxes(file: BinaryIO, begin: int, end: int) -> Iterator[tuple[bytes, int, int]]:
    """Boxes of an ISO base media file between two places: the kind of each, and where its content begins and ends."""
    while begin + 8 <= end and len(head := _read_at(file, offset=begin, length=8)) == 8:
        size, kind = struct.unpack(">I4s", head)
        if size < 8:
            return
        yield kind, begin + 8, begin + size
        begin += size


class _BoundedReader(io.BufferedReader):
    """A file that gives up after very many reads: damaged directories can chain almost without end."""

    reads_left = _MOST_READS

    def read(self, size: int | None = -1, /) -> bytes:
        self.reads_left -= 1
        if self.reads_left < 0:
            raise OSError("the metadata have no end")
        return super().read(size)


def _process(file: BinaryIO, *, details: bool = False) -> Tags:
    file.seek(0)
    reader = _BoundedReader(file)  # type: ignore[arg-type]  # any binary file serves
    try:
        tags: Tags = exifread.process_file(
            reader, details=details, builtin_types=True, extract_thumbnail=False
        )
    except Exception:  # noqa: BLE001  the reader raises all kinds on malformed blocks; pixels are measured all the same
        return {}
    finally:
        reader.detach()
    return tags


def _first(tags: Tags, *names: str) -> Any:
    """First of these fields that is there, from the EXIF directory or the first one."""
    for name in names:
        for directory in ("EXIF", "Image"):
            value = tags.get(f"{directory} {name}")
            if isinstance(value, (list, tuple)):
                value = value[0] if value else None
            if value is not None:
                return value
    return None


def _number(value: Any) -> float | None:
    try:
        number = float(value)
    except (ArithmeticError, TypeError, ValueError):
        return None
    return number if math.isfinite(number) else None


def _positive(value: Any, *, most: float = 1e5) -> float | None:
    number = _number(value)
    return number if number is not None and 0.0 < number < most else None


_LONGEST_TEXT: Final = 80


def _text(value: Any) -> str:
    """Readable text, free of control and direction marks, of bounded length."""
    if isinstance(value, bytes):
        value = value.decode("utf-8", "replace")
    if not isinstance(value, str):
        return ""
    kept = "".join(sign if unicodedata.category(sign)[0] != "C" else " " for sign in value)
    return " ".join(kept.split())[:_LONGEST_TEXT].strip()


def _camera(tags: Tags) -> str | None:
    make, model = _text(_first(tags, "Make")), _text(_first(tags, "Model", "Tag 0xC614"))
    if not model:
        return make or None
    named = any(word in model.casefold() for word in make.casefold().split() if len(word) > 2)
    return model if named or not make else f"{make} {model}"


_EMPTY_NAMES: Final = frozenset({"", "----", "-", "none", "n/a", "unknown", "manual", "0", "1"})
_IMPOSSIBLE_LENS: Final = re.compile(r"(?<![\d.])0(\.0)? ?mm|\bF/?0(\.0)?\b", re.IGNORECASE)


def _lens(tags: Tags) -> str | None:
    """Name of the lens, else its focal range and widest f-numbers: «18-70mm f/3.5-4.5»."""
    for value in (_first(tags, "LensModel"), tags.get("MakerNote LensModel")):
        name = _text(value)
        if name.casefold() not in _EMPTY_NAMES and not _IMPOSSIBLE_LENS.search(name):
            return name
    for value in reversed(_specifications(tags)):
        if not isinstance(value, (list, tuple)) or len(value) != 4:
            continue
        short, long, wide, narrow = (_positive(part, most=1e4) for part in value)
        if short is None or (long is not None and long < short):
            continue
        focal = f"{short:g}" if long in (None, short) else f"{short:g}-{long:g}"
        stop = "" if wide is None else f" f/{wide:g}" if narrow in (None, wide) else f" f/{wide:g}-{narrow:g}"
        return f"{focal}mm{stop}"
    return None


def _specifications(tags: Tags) -> tuple[Any, Any]:
    """Shortest and longest focal length and their widest f-numbers: as the standard puts them, and the maker's note."""
    standard = tags.get("EXIF LensSpecification") or tags.get("Image Tag 0xC630")
    return standard, tags.get("MakerNote LensMinMaxFocalMaxAperture")


def _focal_range(tags: Tags) -> tuple[float, float] | None:
    standard, note = _specifications(tags)
    value = standard or note
    if not isinstance(value, (list, tuple)) or len(value) != 4:
        return None
    short, long = _positive(value[0]), _positive(value[1])
    return (short, long) if short is not None and long is not None and short <= long else None


def _f_number(tags: Tags, *, focal: float | None) -> float | None:
    """Believe 0.5 to 128, except the 1 that stands beside a focal length of 0 where there are no contacts."""
    number = _number(_first(tags, "FNumber"))
    if number is None or number <= 0.0:
        apex = _number(_first(tags, "ApertureValue")) or math.nan
        # APEX: N = 2^(Av/2), EXIF 2.32, Annex C. An Av of 0 is what lenses without contacts leave.
        number = 2.0 ** (apex / 2.0) if 0.0 < apex < 14.0 else None
    if number is None or not 0.5 <= number <= 128.0 or (number == 1.0 and focal is None):
        return None
    return number


def _iso(tags: Tags) -> int | None:
    """65535 in the 16-bit field means that the number stands in one of the longer ones."""
    for name in ("ISOSpeedRatings", "PhotographicSensitivity", "RecommendedExposureIndex", "ISOSpeed"):
        number = _positive(_first(tags, name), most=1e8)
        if number is not None and number != 65535.0:
            return round(number)
    return None


def _exposure(tags: Tags) -> float | None:
    apex = _number(_first(tags, "ShutterSpeedValue")) or math.nan
    # APEX: t = 2^-Tv, EXIF 2.32, Annex C.
    return _positive(_first(tags, "ExposureTime")) or (2.0**-apex if -12.0 < apex < 20.0 else None)


def _taken_at(tags: Tags) -> str | None:
    written = _text(_first(tags, "DateTimeOriginal") or _first(tags, "DateTimeDigitized", "DateTime"))
    match = re.fullmatch(r"(\d{4})[:-](\d\d)[:-](\d\d)[ T](\d\d:\d\d:\d\d)", written)
    if match is None or match[1] == "0000":
        return None
    fraction = _text(_first(tags, "SubSecTimeOriginal"))
    offset = _text(_first(tags, "OffsetTimeOriginal"))
    return (
        f"{match[1]}-{match[2]}-{match[3]}T{match[4]}"
        + (f".{fraction}" if fraction.isascii() and fraction.isdigit() else "")
        + (offset if re.fullmatch(r"[+-]\d\d:\d\d", offset) else "")
    )


_ORIENTATION_WORDS: Final = (
    *("Horizontal (normal)", "Mirrored horizontal", "Rotated 180", "Mirrored vertical"),
    *("Mirrored horizontal then rotated 90 CCW", "Rotated 90 CW"),
    *("Mirrored horizontal then rotated 90 CW", "Rotated 90 CCW"),
)
"""The words by which the reader names EXIF orientations 1 to 8."""


def _orientation(tags: Tags) -> int:
    value = tags.get("Image Orientation")
    if isinstance(value, (list, tuple)):
        value = value[0] if value else None
    if isinstance(value, str) and value in _ORIENTATION_WORDS:
        return _ORIENTATION_WORDS.index(value) + 1
    return value if isinstance(value, int) and 1 <= value <= 8 else 1


_MM_PER_UNIT: Final = {2: 25.4, 3: 10.0, 4: 1.0}  # EXIF FocalPlaneResolutionUnit
_SQUARE_WITHIN: Final = 0.05  # how far the resolutions across and down may differ, as a logarithm


def _sensor_width(tags: Tags) -> tuple[float | None, int | None]:
    """Width of the sensor in mm and of the picture in px that the resolution is of: the EXIF block's, not the raw's."""
    resolution = _positive(_first(tags, "FocalPlaneXResolution"), most=1e6)
    across = _positive(_first(tags, "FocalPlaneYResolution"), most=1e6)
    unit_mm = _MM_PER_UNIT.get(int(_number(_first(tags, "FocalPlaneResolutionUnit")) or 2))
    width_px = _positive(_first(tags, "ExifImageWidth"))
    if width_px is None and "Reduced" not in _text(tags.get("Image SubfileType")):  # else a thumbnail's width
        width_px = _positive(tags.get("Image ImageWidth"))
    if resolution is None or unit_mm is None or width_px is None:
        return None, None
    if across is not None and abs(math.log(resolution / across)) > _SQUARE_WITHIN:
        return None, None
    width_mm = width_px / resolution * unit_mm
    return (width_mm, round(width_px)) if 2.0 < width_mm < 80.0 else (None, None)


_PITCH_LIMITS_UM: Final = (0.5, 25.0)
_PITCH_AGREEMENT: Final = 0.05
_SAME_PICTURE: Final = 0.03


def pixel_pitch_um(metadata: Metadata, size_px: tuple[int, int]) -> float | None:
    """Pixel pitch that the metadata implies for a picture of this size, or None.

    From the focal-plane resolution and from the 35-mm-equivalent focal length; where both are there they
    must agree within 5 % and the equivalent's rounding, else neither is believed.
    """
    width_mm, width_px, columns = metadata.sensor_width_mm, metadata.sensor_width_px, size_px[1]
    focal, equivalent = metadata.focal_length_mm, metadata.focal_length_35mm_mm
    of_plane = of_equivalent = None
    if width_mm is not None:
        # A raw file shows a few columns more than the picture that the resolution refers to.
        same = width_px if width_px and abs(width_px / columns - 1.0) < _SAME_PICTURE else columns
        of_plane = _possible_pitch(1000.0 * width_mm / same)
    if focal is not None and equivalent is not None:
        of_equivalent = _possible_pitch(pixel_pitch_um_from_equivalent(focal, equivalent, size_px))
    if of_plane is None or of_equivalent is None or equivalent is None:
        return of_plane or of_equivalent
    agree = abs(math.log(of_plane / of_equivalent)) <= _PITCH_AGREEMENT + 0.5 / equivalent
    return of_plane if agree else None


def _possible_pitch(pitch_um: float) -> float | None:
    return pitch_um if _PITCH_LIMITS_UM[0] <= pitch_um <= _PITCH_LIMITS_UM[1] else None
