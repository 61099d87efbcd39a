"""Finished pictures: JPEG, PNG and TIFF, in the orientation in which they are stored, and their way back to light.

Codes go back to linear light through a table, only where a region is cut. With `--encoding auto` the file's
own statement counts (an ICC profile's tone curve; a PNG that states gamma 1), else sRGB is assumed. The curve
is held for known where the user named it, where the file says linear, and where a 16-bit TIFF states any
curve; otherwise, as for every JPEG, `tone_known` is False and the remark `tone_unknown` stands: a camera's
curve is not sRGB. Kind, size, depth and stated tone are read from the header before anything is decoded.

References
----------
The ends of a picture: JPEG, ITU-T T.81, table B.1 (EOI); PNG, W3C PNG (third edition), 11.2.5 (IEND). TIFF 6.0.
sRGB: IEC 61966-2-1:1999. ICC tone curves: ICC.1:2022, clauses 10.6 (curveType) and 10.18 (parametricCurveType).
"""

import logging
import math
import os
import struct
import warnings
from collections.abc import Iterable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, BinaryIO, Final

import numpy as np

from lensbench.model.errors import ImageError, Remark, SettingError, remark
from lensbench.model.shot import Box, Overview, Samples
from lensbench.model.units import FloatArray
from lensbench.photo.pixels import (
    Pieces,
    PixelArray,
    check_box,
    check_memory,
    check_size,
    has_utf8_name,
    quiet_decoders,
    refusal,
    shrink,
    shrink_factor,
    to_grey,
    whole,
)

_LUMINANCE_WEIGHTS: Final = {"red": 0.2126, "green": 0.7152, "blue": 0.0722}  # ITU-R BT.709-6, 3.2

_GAMMA_LIMITS: Final = (0.2, 5.0)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Tone:
    """A curve from codes to linear light, both from 0 to 1."""

    name: str
    """linear, srgb, gamma:X or icc."""
    light: FloatArray
    """Linear light at evenly spaced codes."""

    def table(self, levels: int) -> FloatArray:
        """Linear light for every code 0 .. levels - 1."""
        codes = np.linspace(0.0, 1.0, self.light.size)
        return np.interp(np.linspace(0.0, 1.0, levels), codes, self.light)


_CODES: Final = np.linspace(0.0, 1.0, 65_536)
_LINEAR: Final = Tone(name="linear", light=np.array([0.0, 1.0]))
_SRGB: Final = Tone(
    name="srgb", light=np.where(_CODES <= 0.04045, _CODES / 12.92, ((_CODES + 0.055) / 1.055) ** 2.4)
)
"""Inverse of the sRGB curve (IEC 61966-2-1)."""


def parse_encoding(encoding: str) -> Tone | None:
    """Tone that the user named, or None for auto; a SettingError where it is unknown or beyond 0.2 to 5."""
    name = encoding.strip().lower()
    if name == "auto":
        return None
    if name in {"linear", "srgb"}:
        return _LINEAR if name == "linear" else _SRGB
    if not name.startswith("gamma:"):
        raise SettingError(
            f"encoding «{encoding}» is unknown: give auto, linear, srgb or gamma:X, for example gamma:2.2"
        )
    try:
        gamma = float(name.removeprefix("gamma:"))
    except ValueError:
        gamma = math.nan
    low, high = _GAMMA_LIMITS
    if not low <= gamma <= high:
        raise SettingError(f"encoding «{encoding}»: the exponent must lie between {low:g} and {high:g}")
    return Tone(name=f"gamma:{gamma:g}", light=_CODES**gamma)


def _icc_tone(profile: bytes) -> Tone | None:
    """Green (or grey) curve of an ICC profile, by its name where within a 10-bit step of it; None where unknown."""
    try:
        light = _icc_curve(profile)
    except (IndexError, OverflowError, ValueError, struct.error):
        return None
    if light is None or light.size < 2 or not np.all(np.isfinite(light)) or np.any(np.diff(light) < 0.0):
        return None
    tone = Tone(name="icc", light=np.clip(light, 0.0, 1.0))
    for known in (_SRGB, _LINEAR):
        if np.max(np.abs(known.table(1024) - tone.table(1024))) < 1.0 / 1024.0:
            return known
    return tone


def _icc_curve(profile: bytes) -> FloatArray | None:
    (count,) = struct.unpack_from(">I", profile, 128)
    tags = {
        profile[at : at + 4]: struct.unpack_from(">II", profile, at + 4)
        for at in range(132, 132 + 12 * min(count, 200), 12)
    }
    offset, length = tags.get(b"gTRC") or tags.get(b"kTRC") or (0, 0)
    data = profile[offset : offset + length]
    if data[:4] == b"para":
        return _parametric_curve(data)
    if data[:4] != b"curv":
        return None
    # ICC.1:2022, 10.6: no entry is a straight line, one an exponent as u8Fixed8, more a table.
    (count,) = struct.unpack_from(">I", data, 8)
    values = np.frombuffer(data, ">u2", count, 12).astype(np.float64)
    if count == 0:
        return np.array([0.0, 1.0])
    return _CODES ** (float(values[0]) / 256.0) if count == 1 else values / 65535.0


def _parametric_curve(data: bytes) -> FloatArray | None:
    """ICC.1:2022, 10.18, table 68: (a x + b)^g + e from d upwards, c x + f below; kinds 0 to 3 give fewer of these."""
    (kind,) = struct.unpack_from(">H", data, 8)
    size = {0: 1, 1: 3, 2: 4, 3: 5, 4: 7}.get(kind)
    if size is None:
        return None
    read = [value / 65536.0 for value in struct.unpack_from(f">{size}i", data, 12)]
    gamma, a, b = read[:3] if kind else (read[0], 1.0, 0.0)
    if kind < 3:
        c, d = 0.0, -b / a if a else 0.0
        e = f = read[3] if kind == 2 else 0.0
    else:
        c, d, e, f = (*read[3:], 0.0, 0.0)[:4]
    return np.where(d <= _CODES, np.maximum(a * _CODES + b, 0.0) ** gamma + e, c * _CODES + f)


_JPEG_MAGIC: Final = b"\xff\xd8\xff"
_PNG_MAGIC: Final = b"\x89PNG\r\n\x1a\n"
_END_MARKS: Final = {"jpeg": b"\xff\xd9", "png": b"\0\0\0\0IEND"}
_STRETCH_BYTES: Final = 1_000_000
_PNG_SAMPLES: Final = {0: 1, 2: 3, 3: 3, 4: 2, 6: 4}  # by colour type: W3C PNG, 11.2.1
_TIFF_MAGICS: Final = (b"II*\x00", b"MM\x00*", b"II+\x00", b"MM\x00+")
_MOST_PROFILE_BYTES: Final = 4_000_000
_SAMPLE_KINDS: Final = {1: "", 2: " (signed)", 3: " (floating point)", 5: " (complex)", 6: " (complex)"}
"""TIFF SampleFormat: TIFF 6.0, section 19."""
_ONE_BY_ONE: Final = 2
"""TIFF PlanarConfiguration of colours that lie in planes of their own: TIFF 6.0, section 8."""
_PHOTOMETRIC: Final = 262
"""TIFF tag that says what codes mean; TIFF 6.0, section 8, asks for it and knows no default."""
_COMPRESSIONS: Final = frozenset({1, 5, 6, 7, 8, 32773, 32946})
"""What is decoded: none, LZW, JPEG, Deflate, PackBits."""
_RAW_PHOTOMETRIC: Final = frozenset({32803, 34892})  # colour-filter-array and linear raw (DNG 1.6)


@dataclass(frozen=True, slots=True, kw_only=True)
class PictureHeader:
    """Kind, size and stated tone of a finished picture."""

    kind: str  # jpeg, png or tiff
    rows: int
    columns: int
    bits: int = 8  # a channel
    samples: int = 3  # a pixel, as they are decoded
    icc_profile: bytes = b""
    stated_gamma: float | None = None  # light = code ** gamma, where the file says so outside an ICC profile
    plain_tiff: bool = False  # uncompressed, grey or RGB
    white_is_zero: bool = False  # as the codes come from the decoder


def read_header(path: Path) -> PictureHeader | None:
    """Header of a JPEG, PNG or TIFF, or an ImageError where it is not measured; None for all else, raw among it."""
    with path.open("rb") as file:
        magic = file.read(8)
    if magic.startswith(_JPEG_MAGIC) or magic == _PNG_MAGIC:
        return _picture_header(path, "png" if magic == _PNG_MAGIC else "jpeg")
    if magic[:4] in _TIFF_MAGICS and path.suffix.lower() in {".tif", ".tiff"}:
        return _tiff_header(path)
    return None


def _picture_header(path: Path, kind: str) -> PictureHeader:
    """Header of a JPEG or PNG, and the certainty that the picture comes to an end."""
    # The readers themselves, for `Image.open` has a limit of its own on pixels.
    from PIL import JpegImagePlugin, PngImagePlugin  # noqa: PLC0415  only when a picture is opened

    with path.open("rb") as file:
        depth, colours = struct.unpack_from(
            "BB", file.read(26).ljust(26, b"\0"), 24
        )  # of a PNG: bits, colour type
        file.seek(0)
        try:
            with warnings.catch_warnings(action="ignore"):  # of fields that nobody asks for
                reader = PngImagePlugin.PngImageFile if kind == "png" else JpegImagePlugin.JpegImageFile
                picture = reader(file)
        except Exception as error:
            raise refusal(path, error, damaged=_DAMAGED.format(kind.upper())) from error
        if not _holds(file, _END_MARKS[kind]):  # behind the header, where the readers stop
            raise _damaged(path, kind)
    gamma = picture.info.get("gamma")
    return PictureHeader(
        kind=kind,
        rows=picture.height,
        columns=picture.width,
        bits=16 if kind == "png" and depth == 16 else 8,
        samples=_PNG_SAMPLES.get(colours, 4) if kind == "png" else len(picture.getbands()),
        icc_profile=picture.info.get("icc_profile") or b"",
        stated_gamma=1.0 / gamma if gamma else None,  # a PNG states the exponent of encoding
    )


def _holds(file: BinaryIO, mark: bytes) -> bool:
    """Whether a mark stands in the rest of a file, which is never wholly in memory."""
    before = b""
    while stretch := file.read(_STRETCH_BYTES):
        if mark in before + stretch:
            return True
        before = stretch[-len(mark) :]
    return False


_DAMAGED: Final = "this {} is damaged or cut short"


def _damaged(path: Path, kind: str) -> ImageError:
    return refusal(path, ValueError(), damaged=_DAMAGED.format(kind.upper()))


def _tiff_header(path: Path) -> PictureHeader | None:
    import tifffile  # noqa: PLC0415  heavy: only when a TIFF is opened

    logging.getLogger("tifffile").setLevel(logging.CRITICAL)  # faults come as exceptions
    with tifffile.TiffFile(path) as file:
        page: Any = file.pages[0]
        if page.photometric is not None and int(page.photometric) in _RAW_PHOTOMETRIC:
            return None
        bits, kind = int(page.bitspersample), _SAMPLE_KINDS.get(int(page.sampleformat), " of an unknown kind")
        if bits not in (8, 16) or kind:
            raise ImageError(
                f"{path.name}: TIFF with {bits} bits a channel{kind} is not measured; save it with 8 or 16 bits a "
                "channel"
            )
        pieces = list(zip(page.dataoffsets, page.databytecounts, strict=False))
        if not pieces or min(map(min, pieces)) <= 0 or max(map(sum, pieces)) > path.stat().st_size:
            raise _damaged(path, "tiff")
        compression, photometric = int(page.compression), int(page.photometric)
        if _PHOTOMETRIC not in page.tags:
            raise ImageError(
                f"{path.name}: this TIFF does not say whether its zero is black or white; save it anew"
            )
        if compression not in _COMPRESSIONS:
            name = getattr(page.compression, "name", compression)
            raise ImageError(
                f"{path.name}: a TIFF compressed by {name} is not measured; save it uncompressed"
            )
        plain = compression == 1 and photometric in {0, 1, 2}
        # The general decoder mixes planes up, and turns 8 bits whose zero is white round.
        if int(page.planarconfig) == _ONE_BY_ONE and bits > 8 and not plain:
            raise ImageError(
                f"{path.name}: a compressed TIFF of 16 bits with one plane a colour is not measured; save it with "
                "interleaved colours, or uncompressed"
            )
        return PictureHeader(
            kind="tiff",
            rows=int(page.imagelength),
            columns=int(page.imagewidth),
            bits=bits,
            samples=int(page.samplesperpixel),
            icc_profile=bytes(page.iccprofile or b"")[:_MOST_PROFILE_BYTES],
            plain_tiff=plain,
            white_is_zero=photometric == 0 and (plain or bits == 16),
        )


_PLANE_OF: Final = {"blue": 0, "green": 1, "red": 2}  # planes are kept in the decoder's order
COLOUR_CHANNELS: Final = ("green", "red", "blue", "luminance")


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class RasterPixels:
    """A decoded finished picture."""

    codes: PixelArray | Pieces  # shape (rows, columns) or (rows, columns, 3) with blue first
    tone: Tone
    tone_known: bool
    remarks: tuple[Remark, ...]
    table: FloatArray  # linear light for every code

    @property
    def size_px(self) -> tuple[int, int]:
        """Rows and columns as stored."""
        return int(self.codes.shape[0]), int(self.codes.shape[1])

    @property
    def channels(self) -> tuple[str, ...]:
        """Grey, or green first, the other colours, and luminance."""
        return COLOUR_CHANNELS if self.codes.ndim == 3 else ("grey",)

    def only(self, boxes: Iterable[Box]) -> "RasterPixels":
        """The same with copies of these boxes alone."""
        return replace(self, codes=Pieces.of(self.codes, boxes))

    def cut(self, box: Box, channel: str) -> Samples:
        """Linear samples of one channel, present at every pixel."""
        import cv2  # noqa: PLC0415  looks up and mixes colours in a third of the time

        check_box(box, self.size_px)
        region = self.codes[box.top : box.top + box.height, box.left : box.left + box.width]
        if channel in _PLANE_OF:
            region = region[:, :, _PLANE_OF[channel]].copy()
        clipped = (region == 0) | (region == self.table.size - 1)
        # A code never exceeds the table.
        known = (
            cv2.LUT(region, self.table) if region.dtype == np.uint8 else self.table.take(region, mode="clip")
        )
        light = np.asarray(known, np.float64)
        if region.ndim == 3:
            weights = np.array([[_LUMINANCE_WEIGHTS[name] for name in _PLANE_OF]])
            clipped, light = clipped.any(axis=2), np.asarray(cv2.transform(light, weights), np.float64)
        return Samples(
            box=box,
            channel=channel,
            values=light,
            present=np.ones(clipped.shape, np.bool_),
            clipped=clipped,
            is_sensor=False,
            rounding_sd=self._rounding_sd(light, region),
            tone_known=self.tone_known,
        )

    def _rounding_sd(self, light: FloatArray, region: PixelArray) -> tuple[float, float]:
        """What rounding to whole codes adds in the darker and in the brighter half of a region."""
        step = np.diff(self.table)
        if region.ndim == 2:
            some = region[::2, ::2].ravel()  # enough to tell the quarters by
            below = np.cumsum(np.bincount(some, minlength=self.table.size))
            codes = np.searchsorted(below, (some.size // 4, 3 * some.size // 4), side="right")
        else:
            codes = np.searchsorted(self.table, np.quantile(light, (0.25, 0.75), method="higher"))
        codes = np.minimum(codes, step.size - 1)
        return float(step[codes[0]] / np.sqrt(12.0)), float(step[codes[1]] / np.sqrt(12.0))

    def overview(self, max_px: int) -> Overview:
        """Average blocks of codes; colours become grey by the weights of their codes."""
        import cv2  # noqa: PLC0415  heavy: only when a picture is looked at

        factor = shrink_factor(self.size_px, max_px=max_px, period=1)
        small = shrink(whole(self.codes), factor)
        grey: PixelArray = np.asarray(cv2.cvtColor(small, cv2.COLOR_BGR2GRAY)) if small.ndim == 3 else small  # type: ignore[assignment]
        if self.tone.name == "linear":
            return Overview(grey=to_grey(grey, black=0.0, levels=self.table.size), factor=factor)
        eight = grey if grey.dtype == np.uint8 else (grey >> 8).astype(np.uint8)
        return Overview(grey=np.ascontiguousarray(eight, dtype=np.uint8), factor=factor)


def read_raster(path: Path, *, header: PictureHeader, tone: Tone | None) -> RasterPixels:
    """Decode a JPEG, PNG or TIFF by its header; the file decides on the tone unless the user named one."""
    size_px = header.rows, header.columns
    check_size(path, size_px, samples=header.samples, sample_bytes=header.bits // 8)
    codes = _decoded(path, header)
    if codes.shape[:2] != (header.rows, header.columns):
        raise ImageError(f"{path.name}: the picture is damaged (its size is not what its header says)")
    chosen, known = (tone, True) if tone else _own_tone(header)
    remarks = [remark("not_sensor_data", f"{header.kind.upper()}, {8 * codes.dtype.itemsize} bits a channel")]
    if not known:
        remarks.append(remark("tone_unknown", f"taken for {chosen.name}"))
    return RasterPixels(
        codes=codes,
        tone=chosen,
        tone_known=known,
        remarks=tuple(remarks),
        table=chosen.table(int(np.iinfo(codes.dtype).max) + 1),
    )


def _own_tone(header: PictureHeader) -> tuple[Tone, bool]:
    """Tone that the file states, and whether that can be relied on."""
    stated = _icc_tone(header.icc_profile) if header.icc_profile else None
    if stated is None and header.stated_gamma == 1.0:
        stated = _LINEAR
    if stated is None:
        return _SRGB, False
    return stated, stated.name == "linear" or (header.kind == "tiff" and header.bits == 16)


def _decoded(path: Path, header: PictureHeader) -> PixelArray:
    codes: Any
    if header.plain_tiff:  # four times as fast as the general decoder
        import tifffile  # noqa: PLC0415  heavy: only when a TIFF is opened

        with tifffile.TiffFile(path) as file:
            codes = file.pages[0].asarray()
        if codes.shape[:2] != (header.rows, header.columns):  # a plane each
            codes = np.moveaxis(codes, 0, -1)
        codes = codes[:, :, 2::-1] if codes.ndim == 3 and codes.shape[2] >= 3 else codes
    else:
        import cv2  # noqa: PLC0415  heavy: only when a picture is opened

        # Neither turned by EXIF orientation nor brought to another depth.
        flags = cv2.IMREAD_ANYDEPTH | cv2.IMREAD_ANYCOLOR | cv2.IMREAD_IGNORE_ORIENTATION
        with quiet_decoders():
            if os.name != "nt" and has_utf8_name(path):
                # With a target, even none yet, OpenCV decodes into it; without one it copies the picture once more.
                codes = cv2.imread(str(path), None, flags)
            else:
                codes = cv2.imdecode(np.fromfile(path, np.uint8), flags)
    if codes is None:
        check_memory(2 * header.rows * header.columns * header.samples * header.bits // 8)
        raise refusal(path, ValueError(), damaged="the picture is damaged or cut short")
    if codes.dtype not in (np.uint8, np.uint16):
        raise ImageError(
            f"{path.name}: samples of kind {codes.dtype} are not measured; "
            "save the picture with 8 or 16 bits a channel"
        )
    if codes.ndim == 3:
        codes = codes[:, :, 0] if codes.shape[2] in (1, 2) else codes[:, :, :3]
    if header.white_is_zero:
        codes = ~codes
    return np.ascontiguousarray(codes)
