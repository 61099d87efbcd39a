"""The only room that opens photographs: raw files, finished pictures and their metadata."""

from lensbench.photo.folder import PHOTO_SUFFIXES, RAW_SUFFIXES, list_photos, natural_order, passed_over
from lensbench.photo.metadata import read_metadata
from lensbench.photo.opening import Photo, check_whole, open_photo
from lensbench.photo.pitch import pixel_pitch_um
from lensbench.photo.pixels import Overview

__all__ = [
    "PHOTO_SUFFIXES",
    "RAW_SUFFIXES",
    "Overview",
    "Photo",
    "check_whole",
    "list_photos",
    "natural_order",
    "open_photo",
    "passed_over",
    "pixel_pitch_um",
    "read_metadata",
]
