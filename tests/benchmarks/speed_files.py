"""Photographs by which speed is measured: one simulated shot as lossless and plain raw and as JPEG, many times over."""

from collections.abc import Iterator, Sequence
from pathlib import Path

import cv2
import imagecodecs
import numpy as np
from dng_files import write_dng

from lensbench import simulate
from lensbench.chart.layout import sheet

TILE_PX = 512
STOPS = (4, 5.6, 8, 11)
KINDS = {"lossless": ".dng", "plain": ".dng", "jpeg": ".jpg"}


def scene_of(rows: int) -> simulate.Scene:
    """A sheet A1 before a sensor of so many rows, 24 mm wide at 4000 of them."""
    camera = simulate.Camera(rows=rows, cols=rows * 3 // 2, pitch_um=4.0 * 4000 / rows)
    lens = simulate.prime("Linden 35", simulate.ZoomPosition(focal_length_mm=35.0))
    return simulate.Scene(layout=sheet("A1"), lens=lens, camera=camera, print_sigma_mm=0.03)


def shot() -> simulate.Shot:
    """The one shot."""
    return simulate.Shot(focal_length_mm=35.0, f_number=5.6)


class Lossless:
    """A mosaic as cameras compress it: lossless JPEG of two components, in tiles; of a changed band only that anew."""

    def __init__(self, codes: np.ndarray) -> None:
        self.side = min(TILE_PX, codes.shape[0] // 32 * 16)
        rows, cols = (range(0, length, self.side) for length in codes.shape)
        self._corners = [(top, left) for top in rows for left in cols]
        self._tiles = [self._tile(codes, *corner) for corner in self._corners]

    def _tile(self, codes: np.ndarray, top: int, left: int) -> bytes:
        piece = np.zeros((self.side, self.side), np.uint16)
        inside = codes[top : top + self.side, left : left + self.side]
        piece[: inside.shape[0], : inside.shape[1]] = inside
        pairs = piece.reshape(self.side, self.side // 2, 2)
        return bytes(
            imagecodecs.jpeg8_encode(pairs, lossless=True, bitspersample=14, predictor=1, colorspace=None)
        )

    def write(self, path: Path, codes: np.ndarray, band: slice = slice(0, 0)) -> Path:
        """Write codes that differ from the first ones in this band of rows only, one row of tiles."""
        packed: Iterator[bytes] = (
            self._tile(codes, *corner) if corner[0] == band.start and band.stop else own
            for corner, own in zip(self._corners, self._tiles, strict=True)
        )
        return write_dng(path, codes, encoded=packed, compression=7, tile=(self.side, self.side))


def frames(folder: Path, *, files: int, rows: int) -> tuple[dict[str, list[Path]], int]:
    """The same photograph so many times in three kinds of file, told apart by a band; and its count of edges."""
    photo = simulate.photograph(scene_of(rows), shot(), channels=("green",))
    picture = finished(rows)
    lossless = Lossless(photo.mosaic)
    top = rows // 2 // lossless.side * lossless.side
    band = slice(top, top + lossless.side)
    kinds: dict[str, list[Path]] = {kind: [] for kind in KINDS}
    for kind in kinds:
        (folder / kind).mkdir()
    for number in range(files):
        codes = varied(photo.mosaic, band, number)
        picture[0, 0] = 0
        picture[0, : 8 * files].reshape(-1, 8, 3)[number] = 255
        paths = {kind: folder / kind / f"shot_{number:04d}{suffix}" for kind, suffix in KINDS.items()}
        lossless.write(paths["lossless"], codes, band)
        write_dng(paths["plain"], codes)
        cv2.imwrite(str(paths["jpeg"]), picture, [cv2.IMWRITE_JPEG_QUALITY, 97])
        for kind, path in paths.items():
            kinds[kind].append(path)
    for paths_of_kind in kinds.values():
        write_table(paths_of_kind)
    return kinds, len(photo.edges)


def varied(mosaic: np.ndarray, band: slice, number: int) -> np.ndarray:
    """Codes that differ in the middle, as photographs do: else all of a file is read to find copies."""
    codes = mosaic.copy()
    codes[band] += np.random.default_rng(number).integers(0, 2, codes[band].shape, np.uint16)
    return codes


def write_table(paths: Sequence[Path]) -> None:
    """Write the shots table of photographs beside them."""
    lines = [f"{path.name},Linden 35,{STOPS[k % len(STOPS)]},35,4" for k, path in enumerate(paths)]
    text = "\n".join(["file,lens,f_number,focal_length_mm,pitch_um", *lines]) + "\n"
    (paths[0].parent / "shots.csv").write_text(text, encoding="utf-8")


def linked(paths: Sequence[Path], folder: Path) -> Path:
    """Folder of links to photographs, with their table."""
    folder.mkdir()
    for path in paths:
        (folder / path.name).hardlink_to(path)
    write_table([folder / path.name for path in paths])
    return folder


def large(folder: Path, *, rows: int) -> Path:
    """One compressed raw file of a sensor with two and a half times the pixels."""
    folder.mkdir()
    codes = simulate.photograph(scene_of(round(rows * 2.5**0.5 / 4) * 4), shot(), channels=()).mosaic
    return Lossless(codes).write(folder / "large.dng", codes)


def many_small(folder: Path, *, files: int, rows: int) -> list[Path]:
    """So many small JPEGs, told apart by a row of squares."""
    folder.mkdir()
    picture = finished(rows)
    paths = [folder / f"small_{number:05d}.jpg" for number in range(files)]
    for number, path in enumerate(paths):
        squares = [255 * (number >> bit & 1) for bit in range(16)]
        picture[:8, : 16 * 8] = np.repeat(squares, 8)[:, None]
        cv2.imwrite(str(path), picture)
    return paths


def finished(rows: int) -> np.ndarray:
    """Codes of a finished picture, blue first."""
    light = simulate.picture(scene_of(rows), shot())
    return np.rint(255.0 * np.clip(light, 0.0, 1.0) ** (1 / 2.2)).astype(np.uint8)[..., ::-1].copy()
