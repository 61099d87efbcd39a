"""What the readers of raw and finished pictures share: refusals, and the small grey copy that charts are looked for in.

Whatever the decoders raise becomes one of our errors, and so costs that file only.
"""

import errno
import os
from collections.abc import Iterable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

import numpy as np
import numpy.typing as npt

from lensbench.model.errors import ImageError, LensError, MemoryShortError, SettingError, UnreadableError
from lensbench.model.shot import Box, ByteArray

PixelArray = ByteArray | npt.NDArray[np.uint16]

_RAW_KINDS: Final = (
    "3fr arw cr2 cr3 crw dcr dng erf fff iiq kdc mef mos mrw nef nrw orf pef raf raw rw2 rwl sr2 srf srw x3f"
)
RAW_SUFFIXES: Final = frozenset(f".{kind}" for kind in _RAW_KINDS.split())

MOST_PIXELS: Final = 250_000_000  # larger pictures are refused before they fill the memory
MOST_BYTES: Final = 1_000_000_000  # of a file, and of its samples: 150 megapixels in three colours of 16 bits
_SURELY_BYTES: Final = 100_000_000  # what no machine minds
_MOST_PACKED: Final = (
    200  # times; a photograph's noise leaves 2 to 30, and JPEG's own codes of plain grey 170
)


def check_size(path: Path, size_px: tuple[int, int], *, samples: int = 1, sample_bytes: int = 2) -> None:
    """Refuse, by an ImageError, a picture that would fill the memory, by what its header says of it."""
    pixels = size_px[0] * size_px[1]
    if pixels > MOST_PIXELS:
        raise ImageError(
            f"{path.name}: {pixels / 1e6:.0f} megapixels are more than the {MOST_PIXELS / 1e6:.0f} that are "
            "taken; give a smaller file"
        )
    unpacked, packed = pixels * samples * sample_bytes, path.stat().st_size
    if unpacked > MOST_BYTES:
        raise ImageError(
            f"{path.name}: {unpacked / 1e6:.0f} MB of samples are more than the {MOST_BYTES / 1e6:.0f} MB that are "
            "taken; save it with 8 bits a channel, or give a smaller picture"
        )
    if unpacked > max(_SURELY_BYTES, _MOST_PACKED * packed):
        raise ImageError(
            f"{path.name}: {packed / 1e6:.1f} MB cannot hold a photograph of {pixels / 1e6:.0f} megapixels; the file "
            "is damaged, or no photograph"
        )


def check_box(box: Box, size_px: tuple[int, int]) -> None:
    """Refuse, by a SettingError, a box that reaches outside the picture or is empty."""
    inside = box.top >= 0 and box.left >= 0 and box.height > 0 and box.width > 0
    if not inside or box.top + box.height > size_px[0] or box.left + box.width > size_px[1]:
        raise SettingError(
            f"region {box} (top, left, height, width) does not lie inside the picture "
            f"of {size_px[0]} rows and {size_px[1]} columns"
        )


@dataclass(frozen=True, slots=True, eq=False)
class Pieces:
    """Copies of some boxes of a picture, which are cut out as from the whole: those alone, and nothing inside them."""

    shape: tuple[int, ...]
    """Of the whole."""
    _copies: Mapping[tuple[int, int, int, int], PixelArray]

    @classmethod
    def of(cls, codes: "PixelArray | Pieces", boxes: Iterable[Box]) -> "Pieces":
        """Copy these boxes; nothing of the whole is held."""
        spans = {(box.top, box.top + box.height, box.left, box.left + box.width) for box in boxes}
        copies = {span: codes[span[0] : span[1], span[2] : span[3]].copy() for span in spans}
        return cls(codes.shape, copies)

    @property
    def ndim(self) -> int:
        """2, or 3 for colours."""
        return len(self.shape)

    def __getitem__(self, place: tuple[slice, slice]) -> PixelArray:
        """Samples of one of the boxes; a KeyError for any other place."""
        rows, columns = place
        return self._copies[rows.start, rows.stop, columns.start, columns.stop]


def whole(codes: "PixelArray | Pieces") -> PixelArray:
    """All of a picture; a TypeError where but pieces are left."""
    if isinstance(codes, Pieces):
        raise TypeError("but pieces of the picture are left")
    return codes


def shrink_factor(size_px: tuple[int, int], *, max_px: int, period: int) -> int:
    """Smallest factor that brings a picture down to max_px: 1 or a multiple of the period."""
    needed = float(np.sqrt(size_px[0] * size_px[1] / max_px))
    if needed <= 1.0:
        return 1
    return min(int(np.ceil(needed / period)) * period, *size_px)


_BAND: Final = 64


def shrink(plane: npt.NDArray[Any], factor: int) -> npt.NDArray[Any]:
    """Average blocks of factor x factor pixels; a rest at the right and lower border is left out."""
    rows, columns = plane.shape[0] // factor, plane.shape[1] // factor
    if factor == 1:
        return plane
    small = np.empty((rows, columns, *plane.shape[2:]), plane.dtype)
    for top in range(0, rows, _BAND):  # band by band: what lies between large and small then needs no memory
        bottom = min(top + _BAND, rows)
        small[top:bottom] = _shrunk(plane[top * factor : bottom * factor, : columns * factor], factor)
    return small


def _shrunk(plane: npt.NDArray[Any], factor: int) -> npt.NDArray[Any]:
    import cv2  # noqa: PLC0415  heavy: only when a picture is looked at

    step = 2 if factor % 2 == 0 else factor  # by halves: OpenCV is quickest at these
    size = plane.shape[1] // step, plane.shape[0] // step
    smaller = np.asarray(cv2.resize(plane, size, interpolation=cv2.INTER_AREA))
    return smaller if step == factor else _shrunk(smaller, factor // step)


_SUBSAMPLE: Final = 20_000
_BLACK_WHITE_PERCENTILES: Final = (0.1, 99.5)
_WHITE_AT: Final = 0.95


def to_grey(linear: npt.NDArray[Any], *, black: float, levels: int) -> ByteArray:
    """Bring a small plane of linear codes to 8 bits: paper white near 240, square root in between."""
    step = max(1, int(np.sqrt(linear.size / _SUBSAMPLE)))
    low, high = np.percentile(linear[::step, ::step], _BLACK_WHITE_PERCENTILES)
    low = max(float(low), black) if high > black else float(low)
    span = max((float(high) - low) / _WHITE_AT**2, 1.0)
    light = (np.arange(levels) - low) / span
    table = np.sqrt(np.clip(light, 0.0, 1.0)) * 255.0
    codes, grey = np.rint(table).astype(np.uint8), np.empty(linear.shape, np.uint8)
    for top in range(0, linear.shape[0], _BAND):  # numpy makes eight bytes of every index
        np.take(codes, linear[top : top + _BAND], out=grey[top : top + _BAND], mode="clip")
    return grey


def has_utf8_name(path: Path) -> bool:
    """Whether decoders that take names in UTF-8 only find a file by its own."""
    return os.fsencode(path) == str(path).encode("utf-8", "replace")


@contextmanager
def quiet_decoders() -> Iterator[None]:
    """Keep what native decoders print on standard error from the user; errors come as exceptions.

    The whole process's standard error is silent meanwhile, so only the decoding itself stands inside.
    """
    try:
        kept = os.dup(2)
        nowhere = os.open(os.devnull, os.O_WRONLY)
    except OSError:
        yield
        return
    try:
        os.dup2(nowhere, 2)
        yield
    finally:
        os.dup2(kept, 2)
        os.close(kept)
        os.close(nowhere)


@contextmanager
def decoding(path: Path) -> Iterator[None]:
    """Turn what the readers of a file raise into an ImageError, which keeps it as its cause."""
    try:
        yield
    except LensError:
        raise
    except Exception as error:  # decoders raise all kinds on damaged files: division by zero, recursion, ...
        raise refusal(path, error) from error


def refusal(
    path: Path, error: Exception, *, damaged: str = "this file is damaged or cut short"
) -> ImageError:
    """What a reader raised, in our words: want of memory, a file that the system does not give, or a damaged one.

    The one place that tells them apart. The first two may go better another time.
    """
    # OpenCV (StsNoMem) and LibRaw have kinds of their own.
    if (
        isinstance(error, MemoryError)
        or getattr(error, "code", None) == _OPENCV_NO_MEMORY
        or type(error).__name__ == "LibRawUnsufficientMemoryError"
        or getattr(error, "errno", None) == errno.ENOMEM
    ):
        return MemoryShortError(
            f"{path.name}: the memory does not suffice for it; close other programs, or give a smaller file"
        )
    if isinstance(error, OSError) and error.errno is not None:
        return UnreadableError(f"{path.name}: the file cannot be read ({error.strerror or error})")
    return ImageError(f"{path.name}: {damaged}; copy the file again")


_OPENCV_NO_MEMORY: Final = -4


def check_memory(wanted_bytes: int) -> None:
    """Raise a MemoryError where so much cannot be had: some decoders give nothing then, and do not say why."""
    np.empty(wanted_bytes, np.uint8)
