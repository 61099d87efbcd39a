"""Thumbnails as one small PNG: pixel by pixel, in equal tone, no library needed.

Sixteen codes suffice to see an edge, and keep two thousand strips within a page (3.2 kB each at the most): 0 is clear,
for the gaps, 1 to 15 are greys. The dark quarters of every target come out in one grey and the bright ones in another,
whatever the light was. Files by PNG (third edition), 5.3 and 11: grey of four bits, one clear code (tRNS).
"""

import base64
import struct
import zlib
from collections.abc import Sequence
from typing import Final

import numpy as np

from lensbench.model.shot import ByteArray, Place, Thumbnail

SIDE_PX: Final = 30
"""Of each piece as it is shown in a row; twice as large on the page it fits a telephone."""
_GAP_PX: Final = 2
_DARK, _BRIGHT = 0.05, 0.75
"""Light shown for the dark and the bright quarters, of white: room for overshoots on both sides."""
_GREYS: Final = 14


def strip_url(thumbnails: Sequence[Thumbnail], side_px: int = SIDE_PX) -> str:
    """Address (`data:`) of the strip that `strip_png` gives; empty without thumbnails."""
    if not thumbnails:
        return ""
    return f"data:image/png;base64,{base64.b64encode(strip_png(thumbnails, side_px)).decode()}"


def strip_png(thumbnails: Sequence[Thumbnail], side_px: int = SIDE_PX) -> bytes:
    """PNG of centre and four corners side by side, in the order of `Place`; a missing one leaves its place clear."""
    by_place = {thumbnail.place: thumbnail for thumbnail in thumbnails}
    step = side_px + _GAP_PX
    codes = np.zeros((side_px, len(Place) * step - _GAP_PX), np.uint8)
    for number, place in enumerate(Place):
        if place in by_place:
            piece = _middle(_shown(by_place[place]), side_px)
            codes[: piece.shape[0], number * step : number * step + piece.shape[1]] = piece
    return _png(codes)


def strip_width_px(side_px: int = SIDE_PX) -> int:
    """Width of a strip."""
    return len(Place) * (side_px + _GAP_PX) - _GAP_PX


def _shown(thumbnail: Thumbnail) -> ByteArray:
    """Codes 1 to 15, evenly in what the eye sees: by sRGB's curve (IEC 61966-2-1)."""
    light = np.clip(_DARK + (_BRIGHT - _DARK) * thumbnail.light, 0.0, 1.0)
    seen = np.where(light <= 0.0031308, 12.92 * light, 1.055 * light ** (1.0 / 2.4) - 0.055)
    return np.asarray(np.rint(1.0 + _GREYS * seen), np.uint8)


def _middle(codes: ByteArray, side_px: int) -> ByteArray:
    """Middle of a piece that is larger than shown."""
    top, left = (max(length - side_px, 0) // 2 for length in codes.shape)
    return codes[top : top + side_px, left : left + side_px]


def _png(codes: ByteArray) -> bytes:
    """File of four-bit codes, of which 0 is clear."""
    rows, cols = codes.shape
    pairs = np.pad(codes, ((0, 0), (0, cols % 2)))
    packed = pairs[:, ::2] << 4 | pairs[:, 1::2]
    lines = np.pad(packed, ((0, 0), (1, 0)))  # before each row its filter: none
    header = struct.pack(">IIBBBBB", cols, rows, 4, 0, 0, 0, 0)
    chunks = (
        (b"IHDR", header),
        (b"tRNS", b"\0\0"),
        (b"IDAT", zlib.compress(lines.tobytes(), 6)),
        (b"IEND", b""),
    )
    parts = (
        struct.pack(">I", len(data)) + kind + data + struct.pack(">I", zlib.crc32(kind + data))
        for kind, data in chunks
    )
    return b"\x89PNG\r\n\x1a\n" + b"".join(parts)
