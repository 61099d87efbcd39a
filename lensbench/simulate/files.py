"""Photographs on disk: DNG raw, sRGB JPEG and 16-bit TIFF, each with the metadata that a camera writes.

The DNG is plain DNG 1.4 (Adobe DNG specification): one uncompressed strip of sensor numbers with its colour
filter pattern, black and white levels, and an EXIF directory, packed by hand. Layout of the directory and tag numbers:
Exif 2.32 (CIPA DC-008), TIFF 6.0.
"""

import struct
from fractions import Fraction
from pathlib import Path
from typing import Any, Final, NamedTuple

import numpy as np
import numpy.typing as npt

from lensbench.model.units import FULL_FRAME_DIAGONAL_MM
from lensbench.simulate.camera import Camera
from lensbench.simulate.lens import Lens
from lensbench.simulate.scene import Shot
from lensbench.simulate.sensor import Plane, srgb_encoded
from lensbench.storage.files import write_beside, writing

EXIF_POINTER_TAG: Final = 34665
_ASCII, _SHORT, _LONG, _RATIONAL, _UNDEFINED = 2, 3, 4, 5, 7
_UNIT_BYTES: Final = {_ASCII: 1, _SHORT: 2, _LONG: 4, _RATIONAL: 8, _UNDEFINED: 1}
_CENTIMETRE: Final = 3


class Entry(NamedTuple):
    """One tag with its packed value."""

    tag: int
    kind: int
    payload: bytes


def exif_entries(shot: Shot, *, lens: Lens, camera: Camera) -> list[Entry]:
    """Tags that a camera would write about this shot."""
    shortest, longest = lens.focal_range_mm
    diagonal_mm = 2.0 * camera.half_diagonal_px * camera.pitch_um / 1000.0
    time, _, fraction = shot.taken_at.partition(".")
    per_cm = 10_000.0 / camera.pitch_um
    entries = [
        _rational(33434, shot.exposure_s),
        _rational(33437, shot.f_number),
        _short(34855, shot.iso),
        Entry(36864, _UNDEFINED, b"0232"),
        _text(36867, _stamp(time)),
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
    return sorted(entries)


def packed_directory(entries: list[Entry], *, offset: int) -> bytes:
    """Pack a little-endian directory that will lie at a file offset, long values behind it."""
    directory = struct.pack("<H", len(entries))
    overflow_at = offset + 2 + 12 * len(entries) + 4
    overflow = b""
    for tag, kind, payload in entries:
        directory += struct.pack("<HHI", tag, kind, len(payload) // _UNIT_BYTES[kind])
        if len(payload) <= 4:
            directory += payload.ljust(4, b"\0")
        else:
            directory += struct.pack("<I", overflow_at + len(overflow))
            overflow += payload + b"\0" * (len(payload) % 2)
    return directory + struct.pack("<I", 0) + overflow


def jpeg_exif_segment(shot: Shot, *, lens: Lens, camera: Camera) -> bytes:
    """APP1 segment that follows a JPEG's first marker."""
    main = [_text(271, camera.maker), _text(272, camera.model), _short(274, 1), _long(EXIF_POINTER_TAG, 0)]
    exif_at = 8 + len(packed_directory(main, offset=8))
    main[-1] = _long(EXIF_POINTER_TAG, exif_at)
    tiff = struct.pack("<2sHI", b"II", 42, 8) + packed_directory(main, offset=8)
    tiff += packed_directory(exif_entries(shot, lens=lens, camera=camera), offset=exif_at)
    body = b"Exif\0\0" + tiff
    return struct.pack(">HH", 0xFFE1, len(body) + 2) + body


def _text(tag: int, text: str) -> Entry:
    return Entry(tag, _ASCII, text.encode("ascii", "replace") + b"\0")


def _short(tag: int, value: int) -> Entry:
    return Entry(tag, _SHORT, struct.pack("<H", min(value, 65535)))


def _long(tag: int, value: int) -> Entry:
    return Entry(tag, _LONG, struct.pack("<I", value))


def _rational(tag: int, *values: float) -> Entry:
    shares = [Fraction(value).limit_denominator(10_000) for value in values]
    return Entry(tag, _RATIONAL, b"".join(struct.pack("<II", *share.as_integer_ratio()) for share in shares))


def _stamp(time: str) -> str:
    """Date and time, given as in ISO 8601, in the form of EXIF."""
    return time.partition(".")[0].replace("-", ":").replace("T", " ")


_CFA_PHOTOMETRIC, _LINEAR_RAW_PHOTOMETRIC = 32803, 34892
_PHOTOMETRIC_TAG, _SHORT_KIND = 262, 3
_PLACEHOLDER_TAG: Final = 40000  # keeps the place of the EXIF pointer, which tifffile does not write itself
_SOFTWARE: Final = "lensbench simulate"


def write_dng(path: Path, numbers: npt.NDArray[np.uint16], shot: Shot, *, lens: Lens, camera: Camera) -> None:
    """Write sensor numbers, shape (rows, cols), as a DNG."""
    from tifffile import TiffWriter  # noqa: PLC0415 - heavy

    mono = camera.cfa == "mono"
    with writing(path), write_beside(path) as passing:
        with TiffWriter(passing, byteorder="<") as tiff:
            tiff.write(
                numbers,
                photometric="minisblack" if mono else _CFA_PHOTOMETRIC,
                subfiletype=0,
                metadata=None,
                rowsperstrip=camera.rows,
                software=_SOFTWARE,
                extratags=[*_camera_tags(camera, shot), *_raw_tags(camera)],
            )
        _append_exif(passing, shot, lens=lens, camera=camera)
        if mono:
            # tifffile writes this value for three channels only; a monochrome sensor's raw has one.
            _overwrite_tag(passing, _PHOTOMETRIC_TAG, value=_LINEAR_RAW_PHOTOMETRIC)


def write_tiff(
    path: Path, linear: Plane, shot: Shot, *, lens: Lens, camera: Camera, encoding: str = "srgb"
) -> None:
    """Write a finished linear picture as 16-bit TIFF, encoded as `srgb` or left `linear`."""
    from tifffile import imwrite  # noqa: PLC0415 - heavy

    values = srgb_encoded(linear) if encoding == "srgb" else linear
    with writing(path), write_beside(path) as passing:
        imwrite(
            passing,
            np.rint(values * 65535.0).astype(np.uint16),
            byteorder="<",
            photometric="rgb" if values.ndim == 3 else "minisblack",
            metadata=None,
            software=_SOFTWARE,
            extratags=_camera_tags(camera, shot),
        )
        _append_exif(passing, shot, lens=lens, camera=camera)


def write_jpeg(
    path: Path, linear: Plane, shot: Shot, *, lens: Lens, camera: Camera, quality: int = 95
) -> None:
    """Write a finished linear picture as sRGB JPEG, colour at full resolution."""
    import cv2  # noqa: PLC0415 - heavy

    values = np.rint(srgb_encoded(linear) * 255.0).astype(np.uint8)
    full_color = cv2.IMWRITE_JPEG_SAMPLING_FACTOR_444
    settings = [cv2.IMWRITE_JPEG_QUALITY, quality, cv2.IMWRITE_JPEG_SAMPLING_FACTOR, full_color]
    _, encoded = cv2.imencode(".jpg", values[..., ::-1] if values.ndim == 3 else values, settings)
    stream = encoded.tobytes()
    with writing(path), write_beside(path) as passing:
        passing.write_bytes(stream[:2] + jpeg_exif_segment(shot, lens=lens, camera=camera) + stream[2:])


def _camera_tags(camera: Camera, shot: Shot) -> list[tuple[int, str, int, Any, bool]]:
    return [
        (271, "s", 0, camera.maker, True),
        (272, "s", 0, camera.model, True),
        (274, "H", 1, 1, True),
        (306, "s", 0, _stamp(shot.taken_at), True),
        (_PLACEHOLDER_TAG, "I", 1, 0, True),
    ]


def _raw_tags(camera: Camera) -> list[tuple[int, str, int, Any, bool]]:
    common: list[tuple[int, str, int, Any, bool]] = [
        (50706, "B", 4, (1, 4, 0, 0), True),
        (50707, "B", 4, (1, 1, 0, 0), True),
        (50708, "s", 0, f"{camera.maker} {camera.model}", True),
        (50714, "I", 1, camera.black, True),
        (50717, "I", 1, camera.white, True),
        (50778, "H", 1, 21, True),
    ]
    if camera.cfa == "mono":
        return common
    tile = camera.tile()
    unit_matrix = [value for row in range(3) for col in range(3) for value in (10_000 * (row == col), 10_000)]
    neutral = (round(camera.red_response * 1000), 1000, 1000, 1000, round(camera.blue_response * 1000), 1000)
    return [
        *common,
        (33421, "H", 2, tile.shape, True),
        (33422, "B", tile.size, tile.tobytes(), True),
        (50710, "B", 3, (0, 1, 2), True),
        (50711, "H", 1, 1, True),
        (50713, "H", 2, (1, 1), True),
        (50721, "2i", 9, unit_matrix, True),
        (50728, "2I", 3, neutral, True),
    ]


def _append_exif(path: Path, shot: Shot, *, lens: Lens, camera: Camera) -> None:
    """Put the EXIF directory at the end of a TIFF and turn the placeholder into a pointer to it."""
    with path.open("r+b") as stream:
        end = stream.seek(0, 2)
        offset = end + end % 2
        stream.write(b"\0" * (offset - end))
        stream.write(packed_directory(exif_entries(shot, lens=lens, camera=camera), offset=offset))
    _overwrite_tag(path, _PLACEHOLDER_TAG, value=offset, code=EXIF_POINTER_TAG)


def _overwrite_tag(path: Path, tag: int, *, value: int, code: int | None = None) -> None:
    """Put another value, and another code, into a tag of the first directory that holds one number."""
    from tifffile import TiffFile  # noqa: PLC0415 - heavy

    with TiffFile(path) as tiff:
        entry = tiff.pages.first.tags[tag]
        entry_at, kind = entry.offset, "<H" if entry.dtype == _SHORT_KIND else "<I"
    with path.open("r+b") as stream:
        stream.seek(entry_at)
        stream.write(struct.pack("<H", code or tag))
        stream.seek(entry_at + 8)
        stream.write(struct.pack(kind, value))
