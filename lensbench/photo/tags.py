"""Metadata tags as the EXIF reader names them, out of any container, whatever state they are in."""

import io
import logging
from collections.abc import Mapping
from typing import Any, BinaryIO, Final

import exifread

from lensbench.photo.containers import metadata_blocks

__all__ = ["Tags", "read_tags"]

Tags = Mapping[str, Any]

_MOST_READS: Final = 60_000
"""Of single numbers; camera files with maker notes take a few thousand."""


def read_tags(file: BinaryIO) -> Tags:
    """Give the tags by the reader's names; an unreadable block gives none."""
    logging.getLogger("exifread").setLevel(logging.CRITICAL)
    try:
        blocks, iso = metadata_blocks(file)
    except Exception:  # noqa: BLE001  pixels are measured all the same, whatever a malformed block does
        blocks, iso = [], None
    tags: dict[str, Any] = {}
    for block, name in blocks:
        tags.update(_renamed(_process(io.BytesIO(block)), name=name))
    if not blocks:
        tags.update(_process(file))
        if "EXIF LensModel" not in tags:
            tags.update(_maker_lens(_process(file, details=True)))
    if iso and "EXIF ISOSpeedRatings" not in tags:
        tags["EXIF ISOSpeedRatings"] = iso
    return tags


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


def _renamed(tags: Tags, *, name: str) -> Tags:
    if name == "Image":
        return tags
    return {key.replace("Image ", f"{name} ", 1): value for key, value in tags.items()}


def _maker_lens(tags: Tags) -> Tags:
    """Keep only what maker notes say of the lens."""
    wanted = ("MakerNote LensMinMaxFocalMaxAperture", "MakerNote LensModel")
    return {key: tags[key] for key in wanted if key in tags}
