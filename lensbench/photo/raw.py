"""Camera raw files: the colour filter array's own samples, never demosaiced.

Channels are read from the colours that the decoder gives for the visible area, never assumed, so that margins
and odd crops cannot shift them. Linear, demosaiced, reduced and stacked raws hold no sensor samples and are
refused.

Whether a raw file is all there is seen before anything is decoded: most are TIFF inside (TIFF 6.0, section 2; DNG 1.6),
and directories say where each strip or tile of the picture begins and how long it is. What lies beyond the file's end
is missing.
"""

import operator
import os
import struct
from collections.abc import Iterable, Iterator
from contextlib import nullcontext
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any, BinaryIO, Final

import numpy as np
import numpy.typing as npt

from lensbench.model.errors import ImageError, Remark, remark
from lensbench.model.shot import BoolArray, Box, IntArray, Overview, Samples
from lensbench.model.units import FloatArray
from lensbench.photo.pixels import (
    RAW_SUFFIXES,
    Pieces,
    PixelArray,
    check_box,
    check_size,
    has_utf8_name,
    quiet_decoders,
    refusal,
    shrink,
    shrink_factor,
    to_grey,
    whole,
)

Mosaic = npt.NDArray[np.uint16]
ColourMap = npt.NDArray[np.intp]

_COLOUR_NAMES: Final = {"R": "red", "G": "green", "B": "blue"}
_TEMPLATE_PX: Final = 600
_FEWEST_BYTES_PER_PIXEL: Final = 1.0 / 16.0  # lossless codes need a bit a sample; half of it, for empty tiles
_SQUARE_WITHIN: Final = 0.01


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Levels:
    """Black, white and clipping of one channel, in raw codes."""

    black: FloatArray  # one number a place of the pattern; shape of the pattern
    white: float
    clip: float
    scale: float  # from codes above black to light


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class MosaicPixels:
    """A raw mosaic in the decoder's own memory, which it keeps alive, or its pieces; linearised where it is cut."""

    mosaic: Mosaic | Pieces
    channels: tuple[str, ...]
    pattern: ColourMap  # index into `channels` for every place of one period, from the first visible pixel
    levels: tuple[_Levels, ...]
    remarks: tuple[Remark, ...]
    _present: dict[str, BoolArray] = field(default_factory=dict)

    @property
    def size_px(self) -> tuple[int, int]:
        """Rows and columns of the visible area."""
        return int(self.mosaic.shape[0]), int(self.mosaic.shape[1])

    def only(self, boxes: Iterable[Box]) -> "MosaicPixels":
        """The same with copies of these boxes alone: without the decoder's memory."""
        return replace(self, mosaic=Pieces.of(self.mosaic, boxes))

    def cut(self, box: Box, channel: str) -> Samples:
        """Linear samples, black at 0 and white at 1, of one channel's own sites."""
        check_box(box, self.size_px)
        levels = self.levels[self.channels.index(channel)]
        codes = self.mosaic[box.top : box.top + box.height, box.left : box.left + box.width]
        present = self._sites(box, channel)
        clipped = np.zeros(codes.shape, np.bool_)
        if codes.max() >= levels.clip or not codes.min():
            clipped = ((codes >= levels.clip) | (codes == 0)) & present
        values = codes.astype(np.float64)
        values -= levels.black if levels.black.size == 1 else _tiled(levels.black, box)
        values *= levels.scale
        return Samples(box=box, channel=channel, values=values, present=present, clipped=clipped)

    def _sites(self, box: Box, channel: str) -> BoolArray:
        """Where the channel's sites are, out of a kept map where the box is small enough."""
        rows, columns = self.pattern.shape
        top, left = box.top % rows, box.left % columns
        if max(top + box.height, left + box.width) > _TEMPLATE_PX:
            return _tiled(self.pattern == self.channels.index(channel), box)
        if channel not in self._present:
            whole = Box(top=0, left=0, height=_TEMPLATE_PX, width=_TEMPLATE_PX)
            self._present[channel] = _tiled(self.pattern == self.channels.index(channel), whole)
        return self._present[channel][top : top + box.height, left : left + box.width]

    def overview(self, max_px: int) -> Overview:
        """Average whole periods of the colour filter array, which weighs the colours alike everywhere."""
        period = _averaging_period(self.pattern)
        factor = shrink_factor(self.size_px, max_px=max_px, period=period)
        mosaic = whole(self.mosaic)
        small = _smoothed(mosaic, self.pattern) if factor == 1 else shrink(mosaic, factor)
        black = float(np.mean([levels.black.mean() for levels in self.levels]))
        return Overview(grey=to_grey(small, black=black, levels=65_536), factor=factor)


def _tiled(period: npt.NDArray[Any], box: Box) -> npt.NDArray[Any]:
    """Repeat one period of a pattern over a box, in phase with the picture."""
    rows = (box.top + np.arange(box.height)) % period.shape[0]
    columns = (box.left + np.arange(box.width)) % period.shape[1]
    return period[np.ix_(rows, columns)]


def _averaging_period(pattern: ColourMap) -> int:
    """Smallest square that holds the colours in the pattern's own shares at every place."""
    rows, columns = pattern.shape
    for side in range(1, rows):
        if rows % side == columns % side == 0:
            blocks = pattern.reshape(rows // side, side, columns // side, side).swapaxes(1, 2)
            if len({tuple(np.bincount(block.ravel(), minlength=3)) for row in blocks for block in row}) == 1:
                return side
    return int(np.lcm(rows, columns))


def _smoothed(mosaic: PixelArray, pattern: ColourMap) -> npt.NDArray[Any]:
    """Even the colours out without shrinking: a centred mean over one whole period."""
    import cv2  # noqa: PLC0415  heavy: only when a picture is looked at

    period = int(np.lcm(*pattern.shape))
    if period == 1:
        return mosaic
    reach = np.ones(period + 1 - period % 2)
    if period % 2 == 0:
        reach[[0, -1]] = 0.5
    reach /= reach.sum()
    return np.asarray(cv2.sepFilter2D(mosaic, -1, reach, reach, borderType=cv2.BORDER_REFLECT_101))


def read_raw(path: Path) -> MosaicPixels:
    """Decode a raw file's mosaic; an ImageError where it is damaged, of an unknown kind, or holds no sensor samples."""
    import rawpy  # noqa: PLC0415  heavy: only when a raw file is opened

    # The decoder takes names in UTF-8 only; a file of another one it reads whole first.
    named = os.name == "nt" or has_utf8_name(path)
    try:
        with quiet_decoders(), nullcontext(str(path)) if named else path.open("rb") as source:
            # Never closed: the mosaic is the decoder's own memory, which goes with the last reference to it.
            return _from_decoder(rawpy.imread(source), path=path)
    except (rawpy.LibRawFileUnsupportedError, rawpy.NotSupportedError) as error:
        version = ".".join(str(part) for part in rawpy.libraw_version)
        raise ImageError(
            f"{path.name}: this is no photograph that the raw decoder (LibRaw {version}) knows; "
            "convert it to DNG (undemosaiced), or give a JPEG, PNG or TIFF"
        ) from error
    except NotImplementedError as error:
        raise ImageError(
            f"{path.name}: this sensor's colour filters are laid out in a way that is not measured; "
            "give a JPEG or TIFF of the picture instead"
        ) from error
    except rawpy.LibRawError as error:
        if path.suffix.lower() not in RAW_SUFFIXES:
            raise ImageError(
                f"{path.name}: its content is not what its name says, nor any photograph; give a raw file, JPEG, "
                "PNG or TIFF"
            ) from error
        raise refusal(path, error, damaged="the raw data are damaged or cut short") from error


def decoder_versions() -> str:
    """Versions of the libraries that turn a file into figures: other ones may give others."""
    import cv2  # noqa: PLC0415  heavy: only when something is measured
    import rawpy  # noqa: PLC0415
    import scipy  # noqa: PLC0415

    libraw = ".".join(map(str, rawpy.libraw_version))
    others = {"rawpy": rawpy, "OpenCV": cv2, "numpy": np, "scipy": scipy}
    return ", ".join([f"LibRaw {libraw}", *(f"{name} {of.__version__}" for name, of in others.items())])


def _from_decoder(raw: Any, *, path: Path) -> MosaicPixels:
    check_size(path, (raw.sizes.raw_height, raw.sizes.raw_width))
    if raw.raw_type.name != "Flat" or raw.raw_pattern is None:
        raise ImageError(
            f"{path.name}: this raw holds demosaiced, reduced or merged pixels, no sensor samples; "
            "shoot full-size raw, without pixel shift, and do not convert it to linear DNG"
        )
    visible = raw.raw_image_visible
    pixels, aspect = int(visible.shape[0]) * int(visible.shape[1]), raw.sizes.pixel_aspect
    file_bytes = path.stat().st_size
    if file_bytes < pixels * _FEWEST_BYTES_PER_PIXEL:
        raise ImageError(
            f"{path.name}: {file_bytes} bytes cannot hold {pixels} samples, so the raw data are cut short; "
            "copy the file from the card again"
        )
    if abs(aspect - 1.0) > _SQUARE_WITHIN:
        raise ImageError(
            f"{path.name}: this sensor's pixels are not square (ratio {aspect:.2f}), and such are not "
            "measured; use another camera"
        )
    colours, channels, pattern = _layout(raw)
    mosaic: Mosaic = visible  # the decoder's own memory: a copy of 24 megapixels takes longer than all edges
    blacks = [float(black) for black in raw.black_level_per_channel] or [0.0]
    black_map = np.array([[blacks[min(c, len(blacks) - 1)] for c in row] for row in colours])
    whites = _whites(raw)
    levels = tuple(
        _levels(mosaic, place=pattern == index, black_map=black_map, white=whites[index])
        for index in range(len(channels))
    )
    return MosaicPixels(
        mosaic=mosaic,
        channels=channels,
        pattern=pattern,
        levels=levels,
        remarks=_black_remarks(mosaic, black=float(black_map.min()), white=levels[0].white),
    )


def _layout(raw: Any) -> tuple[ColourMap, tuple[str, ...], ColourMap]:
    """Colours of the decoder at every place of a period, the channels' names, and the period in them."""
    if raw.num_colors == 1:
        return np.zeros((1, 1), np.intp), ("grey",), np.zeros((1, 1), np.intp)
    channels = ("green", "red", "blue")
    rows, columns = raw.raw_pattern.shape
    # Place by place, at the upper left: the decoder's whole map of a 24-megapixel frame takes 12 ms to build.
    top, left = raw.sizes.top_margin, raw.sizes.left_margin
    visible = np.array(
        [[raw.raw_color(top + r, left + c) for c in range(4 * columns)] for r in range(4 * rows)], np.intp
    )
    colours = visible[:rows, :columns]
    names = [_COLOUR_NAMES.get(letter, "") for letter in raw.color_desc.decode("ascii", "replace")]
    known = colours.max() < len(names) and {names[index] for index in np.unique(colours)} == {*channels}
    if not known or not np.array_equal(visible, np.tile(colours, (4, 4))):
        raise NotImplementedError
    pattern = np.array([[channels.index(names[index]) for index in row] for row in colours], np.intp)
    return colours, channels, pattern


def _whites(raw: Any) -> list[float]:
    """White level of green, red and blue, or of grey: the camera's own figure where it gives one."""
    nominal = float(raw.white_level)
    own = raw.camera_white_level_per_channel
    if own is None or raw.num_colors == 1:
        return [nominal] * 3
    by_colour = [float(white) if 0 < white <= nominal else nominal for white in own]
    return [min(by_colour[1], by_colour[3]), by_colour[0], by_colour[2]]


_PILE_ABOVE: Final = 0.75
_PILE_LEAST: Final = 50
_PILE_RATIO: Final = 4
_PILE_REACH: Final = 16
_PILE_SAMPLES: Final = 60_000


def _levels(mosaic: Mosaic, *, place: BoolArray, black_map: FloatArray, white: float) -> _Levels:
    blacks = black_map[place]
    black = float(blacks.mean())
    white = max(white, black + 1.0)
    clip = _clip_level(mosaic, place=place, black=black, white=white)
    shown = black_map if np.any(blacks != blacks[0]) else np.array([[black]])
    return _Levels(black=shown, white=white, clip=clip, scale=1.0 / (white - float(shown.mean())))


def _clip_level(mosaic: Mosaic, *, place: BoolArray, black: float, white: float) -> float:
    """Code from which a channel is clipped: the white level, or a pile-up below it.

    Many cameras saturate below the white level on record. A pile-up is many samples at the very top code,
    four times those at any of the sixteen codes below, in a picture that has noise elsewhere.
    """
    codes, neighbours = _scattered(mosaic, place)
    top = int(codes.max())
    if top >= white or top < black + _PILE_ABOVE * (white - black):
        return white
    below = codes[(codes < top) & (codes >= top - _PILE_REACH)]
    densest = int(np.bincount(top - below).max()) if below.size else 0
    piled = int(np.count_nonzero(codes == top)) >= max(_PILE_LEAST, _PILE_RATIO * densest)
    away = np.maximum(codes, neighbours) < top - _PILE_REACH
    noisy = bool(np.any(away)) and float(np.median(np.abs(codes[away] - neighbours[away]))) > 0.0
    return float(top) if piled and noisy else white


def _scattered(mosaic: Mosaic, place: BoolArray) -> tuple[IntArray, IntArray]:
    """Scatter of one channel's codes, and beside each its next neighbour at the same place."""
    rows, columns = place.shape
    corners = np.argwhere(place)
    every = max(1, int(np.sqrt(mosaic.size / (rows * columns) * len(corners) / _PILE_SAMPLES)))
    codes, neighbours = [], []
    for top, left in corners:
        first = mosaic[top :: rows * every, left :: columns * every]
        second = mosaic[top :: rows * every, left + columns :: columns * every]
        codes.append(first[:, : second.shape[1]].ravel())
        neighbours.append(second.ravel())
    return np.concatenate(codes).astype(np.int64), np.concatenate(neighbours).astype(np.int64)


_DEEP_WHITE: Final = 1023.0
_BLACK_SLACK: Final = 0.01


def _black_remarks(mosaic: Mosaic, *, black: float, white: float) -> tuple[Remark, ...]:
    """Doubt a black level of 0 in a deep file, and one that lies above the darkest part of the picture."""
    step = max(1, int(np.sqrt(mosaic.size / _PILE_SAMPLES))) | 1  # odd: meets every colour
    darkest = float(np.percentile(mosaic[::step, ::step], 0.1))
    if black > darkest + _BLACK_SLACK * (white - black):
        return (remark("black_level_doubtful", f"black {black:.0f}, darkest samples {darkest:.0f}"),)
    if black == 0.0 and white > _DEEP_WHITE:
        return (remark("black_level_doubtful", f"black 0 on record, white {white:.0f}"),)
    return ()


_BYTE_ORDERS: Final = {b"II*\x00": "<", b"MM\x00*": ">"}
_SIZES: Final = {1: 1, 2: 1, 3: 2, 4: 4, 5: 8, 7: 1, 9: 4, 10: 8, 13: 4}
_CODES: Final = {3: "H", 4: "I", 13: "I"}
_SUB_DIRECTORIES: Final = (330, 34665)  # SubIFDs and EXIF
_PIECES: Final = ((273, 279), (324, 325))  # where strips and tiles begin, and their lengths in bytes
_MOST_DIRECTORIES: Final = 32
_MOST_NUMBERS: Final = 100_000


_Entry = tuple[int, int, int]  # kind and number of a field's values, and their place in the file


def is_cut_short(path: Path) -> bool:
    """Whether directories or pixels of a TIFF-like file lie beyond its end; False for any other kind."""
    size = path.stat().st_size
    with path.open("rb") as file:
        order = _BYTE_ORDERS.get(file.read(4), "")
        try:
            return bool(order) and any(end > size for end in _ends_of_pieces(file, order))
        except struct.error:
            return True


def _ends_of_pieces(file: BinaryIO, order: str) -> Iterator[int]:
    """Where each strip and tile ends, directory by directory."""
    waiting, read = [_number(file, order, 4)], set[int]()
    while waiting and len(read) < _MOST_DIRECTORIES:
        offset = waiting.pop()
        if not offset or offset in read:
            continue
        read.add(offset)
        entries, following = _directory(file, order, offset)
        for tag in _SUB_DIRECTORIES:
            waiting += _numbers(file, order, entries.get(tag))
        for tags in _PIECES:
            yield from map(operator.add, *(_numbers(file, order, entries.get(tag)) for tag in tags))
        waiting.append(following)


def _number(file: BinaryIO, order: str, place: int) -> int:
    file.seek(place)
    (number,) = struct.unpack(f"{order}I", file.read(4))
    return int(number)


def _directory(file: BinaryIO, order: str, place: int) -> tuple[dict[int, _Entry], int]:
    """Entries by tag, and where the next directory stands."""
    file.seek(place)
    (count,) = struct.unpack(f"{order}H", file.read(2))
    packed = file.read(12 * count)
    if len(packed) < 12 * count:
        raise struct.error
    entries = {}
    for index, (tag, kind, length) in enumerate(struct.iter_unpack(f"{order}HHI4x", packed)):
        inside = place + 2 + 12 * index + 8
        fits = _SIZES.get(kind, 1) * length <= 4
        entries[tag] = (kind, length, inside if fits else _number(file, order, inside))
    return entries, _number(file, order, place + 2 + 12 * count)


def _numbers(file: BinaryIO, order: str, entry: _Entry | None) -> list[int]:
    kind, length, place = entry or (0, 0, 0)
    if kind not in _CODES or length > _MOST_NUMBERS:
        return []
    file.seek(place)
    form = f"{order}{length}{_CODES[kind]}"
    return list(struct.unpack(form, file.read(struct.calcsize(form))))
