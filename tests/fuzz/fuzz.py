"""Damaged and hostile files, made by a coverage-guided fuzzer: each gives a result or one sentence, and nothing else.

    python tests/fuzz/fuzz.py --seconds 1800 --findings FOLDER

Containers, metadata and pixels of photographs, tables, JSON documents and kept results. What ends the program, or
raises anything but our own errors, stands in FOLDER afterwards, and the exit status is not 0. Last come the counts:
executions, and `cov`, the branches of the rooms that read, of exifread and of tifffile that were reached.
"""

import argparse
import contextlib
import gzip
import io
import sys
import tempfile
from pathlib import Path

import atheris

sys.path[:0] = [
    str(Path(__file__).resolve().parent.parent / "made"),
    str(Path(__file__).resolve().parents[2]),
]

with atheris.instrument_imports(include=["lensbench", "exifread", "tifffile"]):
    from lensbench.model.errors import LensError, TextFileError
    from lensbench.model.shot import Box
    from lensbench.photo import check_whole, open_photo, pixel_pitch_um, read_metadata
    from lensbench.storage.cache import ResultCache
    from lensbench.storage.store import read_library_document, read_sweep
    from lensbench.storage.text import json_in, table_in

import cv2
import numpy as np
import tifffile
from dng_files import jpeg_with_exif, write_dng
from invented_shots import result
from measured_lenses import kept_session, sweep_folder

from lensbench.storage.store import library_document
from lensbench.sweep import read_shots_table

LONGEST_BYTES = 30_000
SLOWEST_S = 120
MOST_MB = 4000


def photograph(path):
    """Everything that is read of a photograph before an edge is measured."""
    for look in (read_metadata, check_whole):
        with contextlib.suppress(LensError):
            look(path)
    photo = open_photo(path)
    pixel_pitch_um(photo.metadata, photo.size_px)
    photo.overview()
    rows, columns = photo.size_px
    for channel in photo.channels:
        photo.cut(Box(top=0, left=0, height=min(rows, 40), width=min(columns, 40)), channel)


def kept_result(path):
    """A kept result that is damaged in any way is none, and nothing is raised."""
    name = "0" * 40 + ".json.gz"
    data = path.read_bytes()
    for content in (data, gzip.compress(data, compresslevel=1)):
        (path.parent / name).write_bytes(content)
        ResultCache(folder=path.parent).get(name, Path("a.dng"))


def text(path):
    """Tables and JSON that a user may name."""
    content = path.read_bytes().decode("utf-8", "replace")
    with contextlib.suppress(TextFileError):
        json_in(content)
    list(table_in(content))


def sweep_document(path):
    read_sweep(path.parent)


READERS = {
    **dict.fromkeys(("a.dng", "a.tif", "a.png", "a.jpg", "a.nef", "a.raf", "a.rw2", "a.cr3"), photograph),
    "shots.csv": read_shots_table,
    "any.txt": text,
    "sweep.json": sweep_document,
    "library.json": read_library_document,
    "kept": kept_result,
}
NAMES = tuple(READERS)


def seeds(folder):
    """A whole file of each kind: its first byte is the kind's number."""
    picture = np.random.default_rng(1).integers(0, 255, (24, 32, 3)).astype(np.uint8)
    codes = np.full((24, 32), 900, np.uint16)
    exif = {33437: (5, 1, b"\x38\0\0\0\x0a\0\0\0")}  # FNumber 56/10: EXIF 2.32, 4.6.5
    tiff = io.BytesIO()
    tifffile.imwrite(tiff, picture, photometric="rgb", compression="zlib", tile=(16, 16))
    jpeg, png = (cv2.imencode(suffix, picture)[1].tobytes() for suffix in (".jpg", ".png"))
    dng = write_dng(folder / "seed.dng", codes, exif=exif).read_bytes()
    session = kept_session()
    kept = ResultCache(folder=folder / "kept")
    kept.put("kept", result(Path("a.dng"), 0.3))
    whole = {
        "a.dng": dng,
        "a.nef": dng,
        "a.tif": tiff.getvalue(),
        "a.jpg": jpeg_with_exif(jpeg, exif),
        "a.png": png,
        "a.raf": b"FUJIFILMCCD-RAW " + bytes(68) + b"\0\0\0\x5c\0\0\1\0" + jpeg_with_exif(jpeg, exif),
        "a.rw2": b"IIU\0" + dng[4:],
        "a.cr3": b"\0\0\0\x18ftypcrx \0\0\0\1crx isom\0\0\0\x50moov\0\0\0\x48uuid"
        + bytes.fromhex("85c0b687820f11e08111f4ce462b6a48") + b"\0\0\0\x30CMT1" + dng[-40:],
        "shots.csv": b"file,lens,f_number,focal_length_mm,use\na.dng,Fennel,2.8,50,yes\n",
        "any.txt": b'{"a": [1, 2.5e3, "b"]}',
        "sweep.json": (sweep_folder(folder / "sweep", session) / "sweep.json").read_bytes()[:LONGEST_BYTES],
        "library.json": library_document([session])[:LONGEST_BYTES],
        "kept": gzip.decompress((folder / "kept" / "kept").read_bytes()),
    }  # fmt: skip
    corpus = folder / "corpus"
    corpus.mkdir()
    for name, content in whole.items():
        (corpus / name).write_bytes(bytes([NAMES.index(name)]) + content)
    return corpus


def main():
    reading = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    reading.add_argument("--seconds", type=int, default=20)
    reading.add_argument("--findings", type=Path, default=Path(tempfile.gettempdir()))
    given = reading.parse_args()
    corpus = seeds(Path(tempfile.mkdtemp(prefix="fuzz-")))
    place = corpus.parent / "files"
    place.mkdir()

    def try_one(data):
        if not data:
            return
        path = place / NAMES[data[0] % len(NAMES)]
        path.write_bytes(data[1:])
        with contextlib.suppress(LensError):
            READERS[path.name](path)

    given.findings.mkdir(parents=True, exist_ok=True)
    switches = {
        "max_total_time": given.seconds,
        "max_len": LONGEST_BYTES,
        "timeout": SLOWEST_S,
        "report_slow_units": SLOWEST_S,
        "rss_limit_mb": MOST_MB,
        "artifact_prefix": f"{given.findings}/",
        "print_final_stats": 1,
        "verbosity": 1,
    }
    atheris.Setup(
        [sys.argv[0], *(f"-{name}={value}" for name, value in switches.items()), str(corpus)], try_one
    )
    atheris.Fuzz()


if __name__ == "__main__":
    main()
