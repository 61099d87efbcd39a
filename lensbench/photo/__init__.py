"""The only room that opens photographs: raw files, finished pictures and their metadata."""

from lensbench.photo.metadata import pixel_pitch_um, read_metadata
from lensbench.photo.open_photo import (
    PHOTO_SUFFIXES,
    Photo,
    check_file,
    check_whole,
    list_photos,
    natural_order,
    open_photo,
    passed_over,
)
from lensbench.photo.pixels import RAW_SUFFIXES, refusal
from lensbench.photo.raster import parse_encoding
from lensbench.photo.raw import decoder_versions
