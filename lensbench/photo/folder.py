"""The way from folders and files to photographs: which a folder holds, and what a failed reading becomes.

Whatever the decoders raise becomes one of our errors, and so costs that file only.
"""

import os
import re
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from stat import S_ISREG
from typing import Final

from lensbench.model.errors import ImageError, LensError

_RAW_KINDS: Final = (
    "3fr arw cr2 cr3 crw dcr dng erf fff iiq kdc mef mos mrw nef nrw orf pef raf raw rw2 rwl sr2 srf srw x3f"
)
RAW_SUFFIXES: Final = frozenset(f".{kind}" for kind in _RAW_KINDS.split())
PHOTO_SUFFIXES: Final = RAW_SUFFIXES | {".jpg", ".jpeg", ".png", ".tif", ".tiff"}

_DEEPEST: Final = 8
_MOST_PHOTOS: Final = 20_000


def list_photos(folder: Path) -> list[Path]:
    """List the photographs in a folder and its subfolders, in natural order of their names.

    Regular files with known suffixes only: no links to files or folders are followed, no hidden files or
    folders, at most 8 levels down.

    Raises
    ------
    ImageError
        There is no such folder, it cannot be read, or it holds more than 20 000 photographs.
    """
    if folder.is_file():
        raise ImageError(f"{folder}: this is a file; give the folder that holds it")
    if not folder.is_dir():
        raise ImageError(f"{folder}: there is no such folder; give the folder that holds the photographs")
    photos: list[Path] = []
    for path in _files(folder):
        photos.append(path)
        if len(photos) > _MOST_PHOTOS:
            raise ImageError(f"{folder}: more than {_MOST_PHOTOS} photographs; give a smaller folder")
    return sorted(photos, key=lambda path: [natural_order(part) for part in path.relative_to(folder).parts])


def passed_over(folder: Path) -> list[Path]:
    """List what bears a photograph's name, or is a folder, and was not looked into: links, pipes, devices.

    In the order of their names; folders that cannot be read count too.
    """
    passed: list[Path] = []

    def unreadable(error: OSError) -> None:
        passed.append(Path(error.filename or folder))

    for here, folders, names in _walked(folder, unreadable):
        passed += [here / name for name in folders if (here / name).is_symlink()]
        passed += [here / name for name in names if not _is_regular(here / name)]
    return sorted(passed)


def _files(folder: Path) -> Iterator[Path]:
    def refuse(error: OSError) -> None:
        if Path(error.filename or folder) == folder:
            raise ImageError(f"{folder}: the folder cannot be read ({error.strerror})") from error

    for here, _, names in _walked(folder, refuse):
        yield from (here / name for name in names if _is_regular(here / name))


def _walked(
    folder: Path, unreadable: Callable[[OSError], None]
) -> Iterator[tuple[Path, list[str], list[str]]]:
    """Each folder with those of its folders and files that could be, or hold, photographs by their names."""
    for here, folders, names in os.walk(folder, onerror=unreadable, followlinks=False):
        depth = len(Path(here).relative_to(folder).parts)
        folders[:] = [name for name in folders if not name.startswith(".")] if depth < _DEEPEST else []
        photos = [
            name for name in names if not name.startswith(".") and Path(name).suffix.lower() in PHOTO_SUFFIXES
        ]
        yield Path(here), folders, photos


def _is_regular(path: Path) -> bool:
    try:
        return S_ISREG(path.lstat().st_mode)
    except OSError:
        return False


def natural_order(name: str) -> list[tuple[int, int, str]]:
    """Key for sorting names, so that «shot 2» comes before «shot 10»."""
    parts = re.findall(r"(\d+)|(\D+)", name)
    return [(0, int(digits), "") if digits else (1, 0, text.casefold()) for digits, text in parts]


@contextmanager
def decoding(path: Path) -> Iterator[None]:
    """Turn what the readers of a file raise into an ImageError, which keeps it as its cause.

    Raises
    ------
    ImageError
        The file cannot be read, is damaged in any way, or does not fit into memory.
    """
    try:
        yield
    except LensError:
        raise
    except OSError as error:
        raise ImageError(f"{path.name}: the file cannot be read ({error.strerror or error})") from error
    except MemoryError as error:
        raise ImageError(f"{path.name}: the picture does not fit into memory; give a smaller file") from error
    except Exception as error:  # decoders raise all kinds on damaged files: division by zero, recursion, ...
        raise ImageError(f"{path.name}: this file is damaged or cut short; copy it again") from error
