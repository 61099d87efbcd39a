"""Finished pictures: JPEG, PNG and TIFF, in the orientation in which they are stored.

Codes go back to linear light through a table, only where a region is cut. With `--encoding auto` the file's
own statement counts (an ICC profile's tone curve; a PNG that states gamma 1), else sRGB is assumed. The curve
is held for known where the user named it, where the file says linear, and where a 16-bit TIFF states any
curve; otherwise, as for every JPEG, `tone_known` is False and the remark `tone_unknown` stands: a camera's
curve is not sRGB.
"""

from dataclasses import dataclass
from pathlib import Path
from typing import Final

import numpy as np

from lensbench.errors import ImageError
from lensbench.flags import Remark, remark
from lensbench.photo.headers import PictureHeader
from lensbench.photo.pixels import (
    MOST_PIXELS,
    Overview,
    PixelArray,
    check_box,
    quiet_decoders,
    shrink,
    shrink_factor,
    to_grey,
)
from lensbench.photo.tone import LUMINANCE_WEIGHTS, Tone, icc_tone, linear_tone, srgb_tone
from lensbench.records import Box, Samples
from lensbench.units import FloatArray

__all__ = ["RasterPixels", "read_raster"]

_PLANE_OF: Final = {"blue": 0, "green": 1, "red": 2}
"""Planes are kept in the decoder's order."""
_COLOUR_CHANNELS: Final = ("green", "red", "blue", "luminance")


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class RasterPixels:
    """A decoded finished picture."""

    codes: PixelArray
    """Shape (rows, columns) or (rows, columns, 3) with blue first."""
    tone: Tone
    tone_known: bool
    remarks: tuple[Remark, ...]
    table: FloatArray
    """Linear light for every code."""

    @property
    def size_px(self) -> tuple[int, int]:
        """Rows and columns as stored."""
        return int(self.codes.shape[0]), int(self.codes.shape[1])

    @property
    def channels(self) -> tuple[str, ...]:
        """Grey, or green first, the other colours, and luminance."""
        return _COLOUR_CHANNELS if self.codes.ndim == 3 else ("grey",)

    def cut(self, box: Box, channel: str) -> Samples:
        """Give linear samples of one channel, present at every pixel."""
        check_box(box, self.size_px)
        region = self.codes[box.top : box.top + box.height, box.left : box.left + box.width]
        if channel in _PLANE_OF:
            region = region[:, :, _PLANE_OF[channel]]
        clipped = (region == 0) | (region == self.table.size - 1)
        light = np.take(self.table, region, mode="clip")  # a code never exceeds the table
        if region.ndim == 3:
            clipped, light = clipped[:, :, 0] | clipped[:, :, 1] | clipped[:, :, 2], _luminance(light)
        return Samples(
            box=box,
            channel=channel,
            values=light,
            present=np.ones(clipped.shape, np.bool_),
            clipped=clipped,
            tone_known=self.tone_known,
        )

    def overview(self, max_px: int) -> Overview:
        """Average blocks of codes; colours become grey by the weights of their codes."""
        import cv2  # noqa: PLC0415  heavy: only when a picture is looked at

        factor = shrink_factor(self.size_px, max_px=max_px, period=1)
        small = shrink(self.codes, factor)
        grey: PixelArray = np.asarray(cv2.cvtColor(small, cv2.COLOR_BGR2GRAY)) if small.ndim == 3 else small  # type: ignore[assignment]
        if self.tone.name == "linear":
            return Overview(grey=to_grey(grey, black=0.0, levels=self.table.size), factor=factor)
        eight = grey if grey.dtype == np.uint8 else (grey >> 8).astype(np.uint8)
        return Overview(grey=np.ascontiguousarray(eight, dtype=np.uint8), factor=factor)


def _luminance(light: FloatArray) -> FloatArray:
    """Weigh linear blue, green and red."""
    import cv2  # noqa: PLC0415  three times as fast as a matrix product here

    weights = np.array([[LUMINANCE_WEIGHTS[name] for name in _PLANE_OF]])
    return np.asarray(cv2.transform(light, weights), np.float64)


def read_raster(path: Path, *, header: PictureHeader, tone: Tone | None) -> RasterPixels:
    """Decode a JPEG, PNG or TIFF whose header was read before.

    Parameters
    ----------
    tone : Tone or None
        The curve that the user named; None lets the file decide.

    Raises
    ------
    ImageError
        The picture is damaged, too large, or of a depth that is not measured.
    """
    pixels = header.rows * header.columns
    if pixels > MOST_PIXELS:
        raise ImageError(
            f"{path.name}: {pixels / 1e6:.0f} megapixels are more than the {MOST_PIXELS / 1e6:.0f} that are "
            "taken; give a smaller file"
        )
    codes = _decoded(path, header)
    if codes.shape[:2] != (header.rows, header.columns):
        raise ImageError(f"{path.name}: the picture is damaged (its size is not what its header says)")
    chosen, known = (tone, True) if tone is not None else _own_tone(header)
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
    """Give the tone that the file states, and whether that can be relied on."""
    stated = icc_tone(header.icc_profile) if header.icc_profile else None
    if stated is None and header.stated_gamma == 1.0:
        stated = linear_tone()
    lossless_deep = header.kind == "tiff" and header.bits == 16
    if stated is None:
        return srgb_tone(), False
    return stated, lossless_deep or stated.name == "linear"


def _decoded(path: Path, header: PictureHeader) -> PixelArray:
    codes = _tiff_codes(path) if header.plain_tiff else _compressed_codes(path)
    if codes is None:
        raise ImageError(f"{path.name}: the picture is damaged or cut short; copy the file again")
    if codes.dtype not in (np.uint8, np.uint16):
        raise ImageError(
            f"{path.name}: samples of kind {codes.dtype} are not measured; "
            "save the picture with 8 or 16 bits a channel"
        )
    if codes.ndim == 3 and codes.shape[2] in (1, 2):
        codes = codes[:, :, 0]
    if codes.ndim == 3:
        codes = codes[:, :, :3]
    return np.ascontiguousarray(codes)  # type: ignore[return-value]  # its kind was checked above


def _tiff_codes(path: Path) -> PixelArray:
    """Read an uncompressed TIFF four times as fast as the general decoder does."""
    import tifffile  # noqa: PLC0415  heavy: only when a TIFF is opened

    with tifffile.TiffFile(path) as file:
        codes: PixelArray = file.pages[0].asarray()
    return codes[:, :, 2::-1] if codes.ndim == 3 and codes.shape[2] >= 3 else codes


def _compressed_codes(path: Path) -> PixelArray | None:
    import cv2  # noqa: PLC0415  heavy: only when a picture is opened

    data = np.fromfile(path, np.uint8)
    # Neither turned by EXIF orientation nor brought to another depth.
    flags = cv2.IMREAD_ANYDEPTH | cv2.IMREAD_ANYCOLOR | cv2.IMREAD_IGNORE_ORIENTATION
    with quiet_decoders():
        codes = cv2.imdecode(data, flags)
    return None if codes is None else np.asarray(codes)  # type: ignore[return-value]  # checked by the caller
