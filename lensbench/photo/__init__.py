"""The only room that opens photographs: raw files, finished pictures and their metadata."""

from lensbench.photo.folder import PHOTO_SUFFIXES, RAW_SUFFIXES, list_photos, natural_order, passed_over
from lensbench.photo.metadata import pixel_pitch_um, read_metadata
from lensbench.photo.open_photo import Photo, check_whole, open_photo
from lensbench.photo.pixels import Overview
from lensbench.photo.raw import decoder_versions
from lensbench.photo.tone import parse_encoding

__all__ = [
    "PHOTO_SUFFIXES",
    "RAW_SUFFIXES",
    "Overview",
    "Photo",
    "check_whole",
    "decoder_versions",
    "list_photos",
    "natural_order",
    "open_photo",
    "parse_encoding",
    "passed_over",
    "pixel_pitch_um",
    "read_metadata",
]
