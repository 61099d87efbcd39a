"""Metadata tags as the EXIF reader names them, out of any container, whatever state they are in.

Out of CR3, RAF and RW2, which are no plain TIFF or JPEG, the metadata blocks are taken first. The layouts are those
that published descriptions of the three containers give, checked on real files.
"""

import io
import logging
import struct
from collections.abc import Iterator, Mapping
from typing import Any, BinaryIO, Final

import exifread

MetadataBlock = tuple[bytes, str]
"""A block that an EXIF reader understands, and the name that its first directory's tags should bear."""

_CR3_UUID: Final = bytes.fromhex("85c0b687820f11e08111f4ce462b6a48")
_CR3_BRAND: Final = b"ftypcrx "
_RAF_MAGIC: Final = b"FUJIFILMCCD-RAW"
_RW2_MAGIC: Final = b"IIU\x00"
_RW2_JPEG_TAG: Final = 0x2E
_RW2_ISO_TAG: Final = 0x17
_LARGEST_BLOCK_BYTES: Final = 32_000_000


def metadata_blocks(file: BinaryIO) -> tuple[list[MetadataBlock], int | None]:
    """EXIF blocks inside a CR3, RAF or RW2 file, and an ISO number kept outside them.

    An empty list means that the file is of another kind and can be read as it is.
    """
    file.seek(0)
    head = file.read(92)
    if head[4:12] == _CR3_BRAND:
        return list(_cr3_blocks(file)), None
    if head.startswith(_RAF_MAGIC) and len(head) == 92:
        offset, length = struct.unpack(">II", head[84:92])
        return [(_read_at(file, offset=offset, length=length), "Image")], None
    if head.startswith(_RW2_MAGIC):
        return _rw2_blocks(file)
    return [], None


def _read_at(file: BinaryIO, *, offset: int, length: int) -> bytes:
    file.seek(offset)
    return file.read(min(length, _LARGEST_BLOCK_BYTES))


def _boxes(data: bytes) -> Iterator[tuple[bytes, bytes]]:
    """Walk the boxes of an ISO base media file held in memory."""
    at = 0
    while at + 8 <= len(data):
        size, kind = struct.unpack(">I4s", data[at : at + 8])
        if size < 8:
            return
        yield kind, data[at + 8 : at + size]
        at += size


def _cr3_blocks(file: BinaryIO) -> Iterator[MetadataBlock]:
    """CMT1 is the first directory, CMT2 the EXIF directory, each as a TIFF of its own."""
    for kind, body in _boxes(_first_boxes(file)):
        if kind == b"uuid" and body.startswith(_CR3_UUID):
            for inner_kind, inner in _boxes(body[16:]):
                if inner_kind == b"CMT1":
                    yield inner, "Image"
                elif inner_kind == b"CMT2":
                    yield inner, "EXIF"


def _first_boxes(file: BinaryIO) -> bytes:
    """Contents of the `moov` box, which stands among the first."""
    at = 0
    for _ in range(16):
        head = _read_at(file, offset=at, length=8)
        if len(head) < 8:
            break
        size, kind = struct.unpack(">I4s", head)
        if kind == b"moov":
            return _read_at(file, offset=at + 8, length=size - 8)
        if size < 8:
            break
        at += size
    return b""


def _rw2_blocks(file: BinaryIO) -> tuple[list[MetadataBlock], int | None]:
    """Tag 0x2E of the first directory is a JPEG with the full EXIF, tag 0x17 the ISO number."""
    (directory,) = struct.unpack("<I", _read_at(file, offset=4, length=4))
    (count,) = struct.unpack("<H", _read_at(file, offset=directory, length=2))
    entries = _read_at(file, offset=directory + 2, length=12 * count)
    tags = {tag: (kind, length, value) for tag, kind, length, value in struct.iter_unpack("<HHII", entries)}
    iso = tags[_RW2_ISO_TAG][2] & 0xFFFF if _RW2_ISO_TAG in tags else None
    if _RW2_JPEG_TAG not in tags:
        return [], iso
    _, length, offset = tags[_RW2_JPEG_TAG]
    jpeg = io.BytesIO(_read_at(file, offset=offset, length=length)).getvalue()
    return [(jpeg, "Image")], iso


Tags = Mapping[str, Any]

_MAKER_LENS: Final = ("MakerNote LensMinMaxFocalMaxAperture", "MakerNote LensModel")
"""What maker notes say of the lens; nothing else of them is kept."""
_MOST_READS: Final = 60_000
"""Of single numbers; camera files with maker notes take a few thousand."""


def read_tags(file: BinaryIO) -> Tags:
    """Tags by the reader's names; an unreadable block gives none."""
    logging.getLogger("exifread").setLevel(logging.CRITICAL)
    try:
        blocks, iso = metadata_blocks(file)
    except Exception:  # noqa: BLE001  pixels are measured all the same, whatever a malformed block does
        blocks, iso = [], None
    tags: dict[str, Any] = {}
    for block, name in blocks:
        read = _process(io.BytesIO(block))
        tags |= {key.replace("Image ", f"{name} ", 1): value for key, value in read.items()}
    if not blocks:
        tags.update(_process(file))
        if "EXIF LensModel" not in tags:
            details = _process(file, details=True)
            tags |= {key: details[key] for key in _MAKER_LENS if key in details}
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
