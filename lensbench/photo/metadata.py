"""What a photograph says of itself, believed only as far as it can be true.

Lenses without contacts leave f-number 0, focal length 0 and names such as «----»; cameras, converters and
editors leave fields empty, stale or malformed. A value that cannot be true becomes None; nothing here raises
for a strange file. The pixel pitch follows from what they say of the sensor's size.
"""

import math
import re
import unicodedata
from pathlib import Path
from typing import Any, Final

from lensbench.model.shot import Metadata
from lensbench.model.units import pixel_pitch_um_from_equivalent
from lensbench.photo.folder import decoding
from lensbench.photo.tags import Tags, read_tags

_LONGEST_TEXT: Final = 80
_EMPTY_NAMES: Final = frozenset({"", "----", "-", "none", "n/a", "unknown", "manual", "0", "1"})
_IMPOSSIBLE_LENS: Final = re.compile(r"(?<![\d.])0(\.0)? ?mm|\bF/?0(\.0)?\b", re.IGNORECASE)
_MM_PER_UNIT: Final = {2: 25.4, 3: 10.0, 4: 1.0}
"""Of EXIF's FocalPlaneResolutionUnit: inch, centimetre, millimetre."""
_SQUARE_WITHIN: Final = 0.05
"""How far the resolutions across and down may differ, as a logarithm."""


def read_metadata(path: Path) -> Metadata:
    """Read a photograph's metadata without decoding its pixels.

    Under a millisecond a file. Fields that are missing, malformed or cannot be true are None.

    Raises
    ------
    ImageError
        The file cannot be opened at all.
    """
    with decoding(path), path.open("rb") as file:
        tags = read_tags(file)
        focal = _positive(_first(tags, "FocalLength"))
        width_mm, width_px = _sensor_width(tags)
        return Metadata(
            camera=_camera(tags),
            lens=_lens(tags),
            f_number=_f_number(tags, focal=focal),
            focal_length_mm=focal,
            focal_length_35mm_mm=_equivalent(tags),
            iso=_iso(tags),
            exposure_s=_exposure(tags),
            taken_at=_taken_at(tags),
            orientation=_orientation(tags),
            sensor_width_mm=width_mm,
            sensor_width_px=width_px,
            lens_focal_range_mm=_focal_range(tags),
        )


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


def _lens(tags: Tags) -> str | None:
    for value in (_first(tags, "LensModel"), tags.get("MakerNote LensModel")):
        name = _text(value)
        if name.casefold() not in _EMPTY_NAMES and not _IMPOSSIBLE_LENS.search(name):
            return name
    for value in (tags.get("MakerNote LensMinMaxFocalMaxAperture"), _specification(tags)):
        described = _described_lens(value)
        if described is not None:
            return described
    return None


def _specification(tags: Tags) -> Any:
    return tags.get("EXIF LensSpecification") or tags.get("Image Tag 0xC630")


def _described_lens(value: Any) -> str | None:
    """Name a lens by its focal range and widest f-numbers: «18-70mm f/3.5-4.5»."""
    if not isinstance(value, (list, tuple)) or len(value) != 4:
        return None
    short, long, wide, narrow = (_positive(part, most=1e4) for part in value)
    if short is None or (long is not None and long < short):
        return None
    focal = f"{short:g}" if long in (None, short) else f"{short:g}-{long:g}"
    if wide is None:
        return f"{focal}mm"
    stop = f"{wide:g}" if narrow in (None, wide) else f"{wide:g}-{narrow:g}"
    return f"{focal}mm f/{stop}"


def _focal_range(tags: Tags) -> tuple[float, float] | None:
    value = _specification(tags) or tags.get("MakerNote LensMinMaxFocalMaxAperture")
    if not isinstance(value, (list, tuple)) or len(value) != 4:
        return None
    short, long = _positive(value[0]), _positive(value[1])
    return (short, long) if short is not None and long is not None and short <= long else None


def _f_number(tags: Tags, *, focal: float | None) -> float | None:
    """Believe 0.5 to 128, except the 1 that stands beside a focal length of 0 where there are no contacts."""
    number = _number(_first(tags, "FNumber"))
    if number is None or number <= 0.0:
        apex = _number(_first(tags, "ApertureValue"))
        # APEX: N = 2^(Av/2), EXIF 2.32, Annex C. An Av of 0 is what lenses without contacts leave.
        number = 2.0 ** (apex / 2.0) if apex is not None and 0.0 < apex < 14.0 else None
    if number is None or not 0.5 <= number <= 128.0 or (number == 1.0 and focal is None):
        return None
    return number


def _equivalent(tags: Tags) -> float | None:
    """35-mm-equivalent focal length; a digital zoom makes it useless."""
    zoom = _number(_first(tags, "DigitalZoomRatio"))
    if zoom is not None and zoom not in (0.0, 1.0):
        return None
    return _positive(_first(tags, "FocalLengthIn35mmFilm"), most=20_000.0)


def _iso(tags: Tags) -> int | None:
    """65535 in the 16-bit field means that the number stands in one of the longer ones."""
    for name in ("ISOSpeedRatings", "PhotographicSensitivity", "RecommendedExposureIndex", "ISOSpeed"):
        number = _positive(_first(tags, name), most=1e8)
        if number is not None and number != 65535.0:
            return round(number)
    return None


def _exposure(tags: Tags) -> float | None:
    seconds = _positive(_first(tags, "ExposureTime"))
    if seconds is None:
        apex = _number(_first(tags, "ShutterSpeedValue"))
        # APEX: t = 2^-Tv, EXIF 2.32, Annex C.
        seconds = 2.0**-apex if apex is not None and -12.0 < apex < 20.0 and apex != 0.0 else None
    return seconds


def _taken_at(tags: Tags) -> str | None:
    written = _text(_first(tags, "DateTimeOriginal") or _first(tags, "DateTimeDigitized", "DateTime"))
    match = re.fullmatch(r"(\d{4})[:-](\d\d)[:-](\d\d)[ T](\d\d):(\d\d):(\d\d)", written)
    if match is None or match.group(1) == "0000":
        return None
    year, month, day, hour, minute, second = match.groups()
    fraction = _text(_first(tags, "SubSecTimeOriginal"))
    offset = _text(_first(tags, "OffsetTimeOriginal"))
    return (
        f"{year}-{month}-{day}T{hour}:{minute}:{second}"
        + (f".{fraction}" if fraction.isascii() and fraction.isdigit() else "")
        + (offset if re.fullmatch(r"[+-]\d\d:\d\d", offset) else "")
    )


_ORIENTATION_WORDS: Final = (
    "Horizontal (normal)",
    "Mirrored horizontal",
    "Rotated 180",
    "Mirrored vertical",
    "Mirrored horizontal then rotated 90 CCW",
    "Rotated 90 CW",
    "Mirrored horizontal then rotated 90 CW",
    "Rotated 90 CCW",
)
"""The words by which the reader names EXIF orientations 1 to 8."""


def _orientation(tags: Tags) -> int:
    value = tags.get("Image Orientation")
    if isinstance(value, (list, tuple)):
        value = value[0] if value else None
    if isinstance(value, str) and value in _ORIENTATION_WORDS:
        return _ORIENTATION_WORDS.index(value) + 1
    return value if isinstance(value, int) and 1 <= value <= 8 else 1


def _sensor_width(tags: Tags) -> tuple[float | None, int | None]:
    """Width of the sensor in mm and the picture width in px that the resolution refers to.

    The resolution refers to the picture that the EXIF block describes, not to the raw data beside it.
    """
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
    plane = _pitch_from_focal_plane(metadata, size_px)
    equivalent = _pitch_from_equivalent(metadata, size_px)
    if plane is None or equivalent is None:
        return plane or equivalent
    rounding = 0.5 / (metadata.focal_length_35mm_mm or math.inf)
    agree = abs(math.log(plane / equivalent)) <= _PITCH_AGREEMENT + rounding
    return plane if agree else None


def _pitch_from_focal_plane(metadata: Metadata, size_px: tuple[int, int]) -> float | None:
    width_mm, width_px = metadata.sensor_width_mm, metadata.sensor_width_px
    if width_mm is None:
        return None
    columns = size_px[1]
    # A raw file shows a few columns more than the picture that the resolution refers to.
    same = width_px is not None and abs(width_px / columns - 1.0) < _SAME_PICTURE
    return _possible_pitch(1000.0 * width_mm / (width_px if same and width_px else columns))


def _pitch_from_equivalent(metadata: Metadata, size_px: tuple[int, int]) -> float | None:
    focal, equivalent = metadata.focal_length_mm, metadata.focal_length_35mm_mm
    if focal is None or equivalent is None:
        return None
    return _possible_pitch(pixel_pitch_um_from_equivalent(focal, equivalent, size_px))


def _possible_pitch(pitch_um: float) -> float | None:
    return pitch_um if _PITCH_LIMITS_UM[0] <= pitch_um <= _PITCH_LIMITS_UM[1] else None
