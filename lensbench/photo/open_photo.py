"""The door to photographs: finds them in folders, opens each kind that is measured, and hands out linear samples.

Everything is in sensor orientation: EXIF rotation is never applied. The centre of the first visible pixel
is (0, 0).
"""

import os
import re
from collections.abc import Iterable
from dataclasses import dataclass, replace
from pathlib import Path
from stat import S_ISREG
from typing import Final

from lensbench.model.errors import ImageError, Remark, SettingError
from lensbench.model.shot import Box, Metadata, Overview, Samples
from lensbench.photo.metadata import read_metadata
from lensbench.photo.pixels import MOST_BYTES, RAW_SUFFIXES, decoding, refusal
from lensbench.photo.raster import COLOUR_CHANNELS, RasterPixels, parse_encoding, read_header, read_raster
from lensbench.photo.raw import MosaicPixels, is_cut_short, read_raw
from lensbench.storage.files import Listing

PHOTO_SUFFIXES: Final = RAW_SUFFIXES | {".jpg", ".jpeg", ".png", ".tif", ".tiff"}
_DEEPEST: Final = 8
_MOST_PHOTOS: Final = 20_000
_OVERVIEW_PX: Final = 2_000_000
_OF_REPORT: Final = Listing(folder=Path(), what="report").path.name
_PHONE_SUFFIXES: Final = frozenset({".heic", ".heif", ".avif"})


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Photo:
    """One opened photograph; its pixels stay as decoded until a region is cut."""

    path: Path
    metadata: Metadata
    size_px: tuple[int, int]
    sensor_data: bool
    """True for raw, False for a finished picture."""
    channels: tuple[str, ...]
    """Raw: green, red, blue, or grey without a colour filter; finished: the same and luminance."""
    remarks: tuple[Remark, ...]
    _pixels: MosaicPixels | RasterPixels

    @property
    def default_channel(self) -> str:
        """What is measured where nobody says otherwise: green, or grey."""
        return self.channels[0]

    def channel(self, name: str) -> str:
        """Channel of this name, «auto» being the default one; a SettingError where there is none.

        A grey picture has but one, which stands for whatever colour is asked for.
        """
        if name == "auto" or (name in COLOUR_CHANNELS and len(self.channels) == 1):
            return self.default_channel
        if name not in self.channels:
            raise SettingError(
                f"{self.path.name}: there is no channel «{name}» in it; choose one of {', '.join(self.channels)}"
            )
        return name

    def only(self, boxes: Iterable[Box]) -> "Photo":
        """Copy the samples of some boxes, in all channels: those and no others can be cut out of what comes back.

        The decoded picture goes with the last reference to the photograph itself.

        Raises
        ------
        ImageError
            They do not fit into memory.
        """
        with decoding(self.path):
            return replace(self, _pixels=self._pixels.only(boxes))

    def cut(self, box: Box, channel: str = "auto") -> Samples:
        """Linear samples of one channel inside a box; only the box is linearised.

        Luminance is the sum of linear red, green and blue by the weights of ITU-R BT.709-6.

        Raises
        ------
        SettingError
            The box reaches outside the picture, or there is no such channel.
        ImageError
            It does not fit into memory.
        """
        with decoding(self.path):
            return self._pixels.cut(box, self.channel(channel))

    def overview(self, max_px: int = _OVERVIEW_PX) -> Overview:
        """Small grey copy, averaged by a whole factor to at most max_px pixels, to look for charts.

        Raises
        ------
        ImageError
            It does not fit into memory, or the picture is of a form that cannot be averaged.
        """
        with decoding(self.path):
            return self._pixels.overview(max_px)


def open_photo(path: Path | str, *, encoding: str = "auto") -> Photo:
    """Open a photograph: camera raw, JPEG, PNG or TIFF.

    Parameters
    ----------
    path : path
        The file; its content, not its name, says what it is.
    encoding : str
        auto, linear, srgb or gamma:X: how a finished picture's codes relate to light. Raw files are linear
        whatever is said here. For auto see `photo.raster`.

    Raises
    ------
    ImageError
        The file is missing, empty, damaged, too large, of a kind that is not measured, or a raw without
        sensor samples.
    SettingError
        The encoding is unknown.
    """
    path = Path(path)
    tone = parse_encoding(encoding)
    check_file(path)
    metadata = read_metadata(path)
    with decoding(path):
        header = read_header(path)
        pixels = read_raw(path) if header is None else read_raster(path, header=header, tone=tone)
    width_px = metadata.sensor_width_px
    if width_px is not None and width_px > 4 * max(pixels.size_px):  # it refers to a picture of another shape
        metadata = replace(metadata, sensor_width_mm=None, sensor_width_px=None)
    return Photo(
        path=path,
        metadata=metadata,
        size_px=pixels.size_px,
        sensor_data=header is None,
        channels=pixels.channels,
        remarks=pixels.remarks,
        _pixels=pixels,
    )


def check_whole(path: Path) -> None:
    """Refuse, by an ImageError, an empty photograph or one cut short, as far as that is seen without decoding it."""
    check_file(path)
    with decoding(path):
        if read_header(path) is None and is_cut_short(path):
            raise refusal(path, ValueError(), damaged="the raw data are damaged or cut short")


def check_file(path: Path) -> None:
    """Refuse, by an ImageError, what is no file, an empty one, or one too large; nothing of it is read."""
    try:
        status = path.stat()
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or "its name is not valid"
        raise ImageError(f"{path}: there is no such photograph ({reason})") from error
    if not S_ISREG(status.st_mode):
        raise ImageError(f"{path}: this is no file; give one photograph")
    if status.st_size == 0:
        raise ImageError(f"{path.name}: the file is empty; copy it from the card again")
    if status.st_size > MOST_BYTES:
        raise ImageError(
            f"{path.name}: {status.st_size / 1e6:.0f} MB are more than the {MOST_BYTES / 1e6:.0f} MB that are taken; "
            "give one photograph as the camera wrote it"
        )
    if path.suffix.lower() in _PHONE_SUFFIXES:
        raise ImageError(
            f"{path.name}: pictures of this kind are put together and smoothed by a phone; "
            "photograph as raw (DNG), or as JPEG"
        )


def list_photos(folder: Path) -> list[Path]:
    """List the photographs in a folder and its subfolders, in natural order of their names.

    Regular files with known suffixes only: no links to files or folders are followed, no hidden files or
    folders, no reports of ours, at most 8 levels down.

    Raises
    ------
    ImageError
        There is no such folder, it cannot be read, is a report, or holds more than 20 000 photographs.
    """
    if folder.is_file():
        raise ImageError(f"{folder}: this is a file; give the folder that holds it")
    if not folder.is_dir():
        raise ImageError(f"{folder}: there is no such folder; give the folder that holds the photographs")
    if (folder / _OF_REPORT).is_file():
        raise ImageError(f"{folder}: this is a report; give the folder that holds the photographs")
    photos, passed = _walked(folder)
    if folder in passed:
        raise ImageError(f"{folder}: the folder cannot be read ({passed[folder]})")
    return sorted(photos, key=lambda path: [natural_order(part) for part in path.relative_to(folder).parts])


def passed_over(folder: Path) -> list[Path]:
    """List what bears a photograph's name, or is a folder, and was not looked into: links, pipes, devices.

    In the order of their names; folders that cannot be read count too.
    """
    return sorted(_walked(folder)[1])


def _walked(folder: Path) -> tuple[list[Path], dict[Path, str]]:
    """Photographs, and what was passed over, with the system's reason where there is one."""
    photos: list[Path] = []
    passed: dict[Path, str] = {}

    def unreadable(error: OSError) -> None:
        passed[Path(error.filename or folder)] = str(error.strerror)

    for here, folders, names in os.walk(folder, onerror=unreadable):
        if _OF_REPORT in names:
            folders.clear()
            continue
        place = Path(here)
        depth = len(place.relative_to(folder).parts)
        folders[:] = [name for name in folders if not name.startswith(".")] if depth < _DEEPEST else []
        passed |= {place / name: "" for name in folders if (place / name).is_symlink()}
        for path in (place / name for name in names if not name.startswith(".")):
            if path.suffix.lower() in PHOTO_SUFFIXES and _is_regular(path):
                photos.append(path)
            elif path.suffix.lower() in PHOTO_SUFFIXES:
                passed[path] = ""
        if len(photos) > _MOST_PHOTOS:
            raise ImageError(f"{folder}: more than {_MOST_PHOTOS} photographs; give a smaller folder")
    return photos, passed


def _is_regular(path: Path) -> bool:
    try:
        return S_ISREG(path.lstat().st_mode)
    except OSError:
        return False


def natural_order(name: str) -> list[tuple[int, int, str]]:
    """Key for sorting names, so that «shot 2» comes before «shot 10»."""
    parts = re.findall(r"(\d+)|(\D+)", name)
    return [(0, int(digits), "") if digits else (1, 0, text.casefold()) for digits, text in parts]
