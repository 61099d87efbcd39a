"""Near-identical frames of any scene put in order of sharpness, chart or not.

Frames are laid over one another piece by piece; where the scene has detail, the power of each frame's spectrum
above its noise tells its transfer against the others'. Order and odds come with it, and frames that can't be told
apart stand in one group.
"""

from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Final

import numpy as np

from lensbench import photo
from lensbench.model.errors import ImageError, SettingError, SweepError
from lensbench.model.shot import BoolArray, IntArray, RejectedShot
from lensbench.model.units import FloatArray
from lensbench.rank.fit import LOWEST_CYPX, RING_CYPX, BlurFit, Rings, fit_blur, ring_powers
from lensbench.rank.frames import (
    ComplexArray,
    Frame,
    Overlaid,
    Pieces,
    ReferencePieces,
    frequencies,
    lay_over,
    open_frame,
)
from lensbench.rank.order import Ranking, ordered

MOST_FRAMES: Final = 60
MOST_PIECES: Final = 110
_CANDIDATES: Final = 700
_LARGE_CELLS: Final = 390  # frames with both sides above this are read in larger pieces
FEWEST_PIECES: Final = 8
ALIKE: Final = 0.6  # coherence where a piece shows the same place: others stay below 0.5 by trial
_ALIKE_SHARE: Final = 0.4
_CLIPPED: Final = 0.01

Progress = Callable[[int, int], None]


def frames_of(places: Sequence[Path]) -> list[Path]:
    """Photographs named, those of folders in natural order of their names.

    A finished picture beside a raw file of the same name is left out.

    Raises
    ------
    SettingError
        Fewer than two photographs, a photograph named twice, or more than 60.
    ImageError
        A folder cannot be read.
    """
    paths: list[Path] = []
    for named in places:
        inside = photo.list_photos(named) if named.is_dir() else [named]
        raw = {path.with_suffix("") for path in inside if path.suffix.lower() in photo.RAW_SUFFIXES}
        paths += [
            path
            for path in inside
            if path.suffix.lower() in photo.RAW_SUFFIXES or path.with_suffix("") not in raw
        ]
    if len(paths) < 2:
        raise SettingError(f"{len(paths)} photograph; give two or more of the same scene")
    if len(paths) > MOST_FRAMES:
        raise SettingError(f"{len(paths)} photographs; at most {MOST_FRAMES} are put in order at once")
    if len({path.resolve() for path in paths}) < len(paths):
        raise SettingError("a photograph is named twice; name each once")
    return paths


def rank(paths: Sequence[Path], *, progress: Progress | None = None) -> Ranking:
    """Put frames of one scene in order of sharpness; a photograph that cannot be read is left out and named.

    `progress` is called with (done, total) after each frame; the errors are as for `lensbench.rank`.
    """
    used: list[Path] = []
    left: list[RejectedShot] = []
    overlaid: list[Overlaid] = []
    pieces: ReferencePieces | None = None
    for number, path in enumerate(paths, start=1):
        unlike = ""
        try:
            frame = open_frame(path)
            if pieces is None:
                pieces = _reference(frame)
            elif not (unlike := _unlike(pieces.frame, frame)):
                overlaid.append(lay_over(frame, pieces))
        except ImageError as error:
            reason = str(error).removeprefix(f"{path}: ").removeprefix(f"{path.name}: ")
            left.append(RejectedShot(path=path, reason=reason))
        else:
            used.append(path)
        if unlike:
            raise ImageError(unlike)
        if progress:
            progress(number, len(paths))
    if pieces is None or not overlaid:
        count = len(paths) - len(left)
        known = f"{count} of {len(paths)}" if count else f"none of {len(paths)}"
        raise ImageError(f"{known} photographs can be read: {left[0].reason}")
    return replace(_ranking(used, pieces, overlaid), left_out=tuple(left))


def _ranking(used: Sequence[Path], reference: ReferencePieces, overlaid: Sequence[Overlaid]) -> Ranking:
    """Rank frames by the pieces that show the same in all of them."""
    alike = np.stack([over.likeness > ALIKE for over in overlaid])
    _check_scene(used, alike)
    use = alike.all(axis=0) & np.stack([over.clipped <= _CLIPPED for over in overlaid]).all(axis=0)
    if np.count_nonzero(use) < FEWEST_PIECES:
        raise SweepError(
            f"only {np.count_nonzero(use)} places show the same in every frame and nothing white, {FEWEST_PIECES} are "
            "needed; leave out frames in which the scene moved, or that are brighter"
        )
    spectra = np.stack([reference.spectra[use], *(over.spectra[use] for over in overlaid)])
    fit = _fit(spectra, reference)
    shifts = [np.zeros(2), *(np.median(over.shift_cells[use], axis=0) for over in overlaid)]
    return ordered(used, fit, reference.frame, shifts_cells=np.stack(shifts))


def _reference(frame: Frame) -> ReferencePieces:
    """Choose the pieces with most detail in the first frame."""
    size = 128 if min(frame.size_cells) > _LARGE_CELLS else 64
    corners = _candidates(frame, size)
    cut = frame.pieces(corners, size)
    detail, clear = _detail(frame, cut, size)
    usable = np.flatnonzero((cut.clipped <= _CLIPPED) & (detail > 0.0) & clear)
    chosen = usable[np.argsort(-detail[usable], kind="stable")][:MOST_PIECES]
    if len(chosen) < FEWEST_PIECES:
        raise SweepError(
            f"{frame.path.name}: {len(chosen)} places hold detail that is neither clipped nor lost in noise, "
            f"{FEWEST_PIECES} are needed; photograph a scene with fine texture, exposed so that nothing is white"
        )
    return ReferencePieces(frame=frame, corners=corners[chosen], size=size, spectra=cut.spectra[chosen])


def _candidates(frame: Frame, size: int) -> IntArray:
    """Corners half a piece apart, thinned out evenly where a frame holds very many."""
    rows, columns = frame.size_cells
    step = size // 2
    while (rows // step) * (columns // step) > _CANDIDATES:
        step += size // 8
    down = np.arange(size // 4, rows - size - size // 4 + 1, step)
    right = np.arange(size // 4, columns - size - size // 4 + 1, step)
    return np.stack(np.meshgrid(down, right, indexing="ij"), axis=-1).reshape(-1, 2).astype(np.int64)


def _detail(frame: Frame, cut: Pieces, size: int) -> tuple[FloatArray, BoolArray]:
    """Each piece's power of detail, and whether it stands above the finest bins' (mostly noise)."""
    _, _, radius, whole = frequencies(size, lattice=frame.lattice)
    power = np.abs(cut.spectra) ** 2
    middle, coarse, finest = (
        power[:, whole & (radius > low) & (radius < high)].mean(axis=1)
        for low, high in ((0.06, 0.25), (0.03, 0.1), (0.36, np.inf))
    )
    return middle, np.asarray(coarse > 4.0 * finest, np.bool_)


def _unlike(first: Frame, other: Frame) -> str:
    """What keeps two frames from being put in order; empty where they are of one kind."""
    kinds = [(frame.photograph.size_px, frame.channel, frame.lattice) for frame in (first, other)]
    if kinds[0] == kinds[1]:
        return ""
    sizes = [f"{size_px[0]} x {size_px[1]} {channel}" for size_px, channel, _ in kinds]
    return (
        f"{other.path.name} ({sizes[1]}) is not of the kind of {first.path.name} ({sizes[0]}); "
        "only frames of one camera, one size and one file format are put in order"
    )


def _check_scene(paths: Sequence[Path], alike: BoolArray) -> None:
    shares = alike.mean(axis=1)
    strange = [path for path, share in zip(paths[1:], shares, strict=True) if share < _ALIKE_SHARE]
    if strange:
        names = ", ".join(path.name for path in strange[:3]) + (" and others" if len(strange) > 3 else "")
        raise SweepError(
            f"{names}: not the same scene as {paths[0].name} ({100 * float(shares.min()):.0f} % of the places match, "
            f"{100 * _ALIKE_SHARE:.0f} % are needed); give frames between which the camera hardly moved"
        )


def _fit(spectra: ComplexArray, reference: ReferencePieces) -> BlurFit:
    """Fill the rings and fit; spectra of shape (frames, pieces, rows, columns)."""
    _, _, radius, whole = frequencies(reference.size, lattice=reference.frame.lattice)
    numbers = np.floor((radius - LOWEST_CYPX) / RING_CYPX)
    rings = np.where(whole & (radius >= LOWEST_CYPX), numbers, -1.0).astype(np.int64)
    used = rings >= 0
    shared = np.sum(np.abs(spectra.mean(axis=0)) ** 2, axis=0)[used]
    bins, power = np.bincount(rings[used]).astype(np.float64), np.bincount(rings[used], weights=shared)
    radius = np.sqrt(np.bincount(rings[used], weights=shared * radius[used] ** 2) / power)
    # A Hann window of N cells spreads power by 1 / (sqrt(3) N) along an axis (derived: its mean square slope), so
    # that in a falling spectrum what a ring holds comes from below.
    fall = np.gradient(np.log(power / bins), radius).clip(max=0.0)
    fit = fit_blur(
        Rings(
            powers=ring_powers(spectra, rings=rings),
            radius_cypx=np.maximum(radius + fall / (3.0 * reference.size**2), 0.7 * radius),
            bins=bins,
            developed=not reference.frame.photograph.sensor_data,
        )
    )
    if fit is None:
        raise SweepError(
            "two of the frames share no detail above the noise; use a lower ISO, or a scene with more texture"
        )
    return fit
