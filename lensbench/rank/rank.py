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
from lensbench.model.shot import BoolArray, RejectedShot
from lensbench.model.units import FloatArray
from lensbench.rank.frames import (
    ComplexArray,
    Frame,
    IntArray,
    Overlaid,
    Pieces,
    ReferencePieces,
    frequencies,
    lay_over,
    open_frame,
)
from lensbench.rank.order import Ranking, ordered
from lensbench.rank.spectra import LOWEST_CYPX, RING_CYPX, BlurFit, Rings, fit_blur, ring_powers

MOST_FRAMES: Final = 60
MOST_PIECES: Final = 110
QUIET_PIECES: Final = 20
_CANDIDATES: Final = 700
FEWEST_PIECES: Final = 8
ALIKE: Final = 0.6
"""Coherence of coarse detail above which a piece shows the same place: other scenes stay below 0.5 by trial."""
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

    Parameters
    ----------
    paths : two or more paths
        Photographs of one kind and size: the camera hardly moved between them, nothing else changed.
    progress : function of (done, total), optional
        Called after each frame.

    Raises
    ------
    ImageError
        Fewer than two files can be read, or the frames differ in kind or size.
    SweepError
        The frames do not show the same scene, or hold too little detail above the noise.
    """
    left: list[RejectedShot] = []
    tell = progress or (lambda _done, _total: None)
    (first, (reference, quiet)), rest = _first_readable(paths, left)
    used, overlaid, hushed = [first], [], []
    tell(len(paths) - len(rest), len(paths))
    for path in rest:
        if laid := _laid_over(path, reference, quiet, left):
            used.append(path)
            overlaid.append(laid[0])
            hushed.append(laid[1])
        tell(len(used) + len(left), len(paths))
    if not overlaid:
        raise ImageError(
            f"{len(paths) - len(left)} of {len(paths)} photographs can be read: {left[0].reason}"
        )
    alike = np.stack([over.likeness > ALIKE for over in overlaid])
    _check_scene(used, alike)
    use = alike.all(axis=0)
    if np.count_nonzero(use) < FEWEST_PIECES:
        raise SweepError(
            f"only {np.count_nonzero(use)} places show the same in every frame, {FEWEST_PIECES} are needed; "
            "leave out frames in which the scene moved"
        )
    spectra = np.stack([reference.spectra[use], *(over.spectra[use] for over in overlaid)])
    still = np.stack([quiet.spectra, *hushed])
    fit = _fit(spectra, still, reference)
    shifts = [np.zeros(2), *(np.median(over.shift_cells[use], axis=0) for over in overlaid)]
    ranking = ordered(used, fit, reference.frame, shifts_cells=np.stack(shifts))
    return replace(ranking, left_out=tuple(left))


Pieced = tuple[ReferencePieces, ReferencePieces]


def _first_readable(
    paths: Sequence[Path], left: list[RejectedShot]
) -> tuple[tuple[Path, Pieced], Sequence[Path]]:
    """First photograph that can be read, the one that others are laid over, and those that follow it."""
    for number, path in enumerate(paths, start=1):
        try:
            return (path, _reference(open_frame(path))), paths[number:]
        except ImageError as error:
            left.append(_unreadable(path, error))
    raise ImageError(f"none of {len(paths)} photographs can be read: {left[0].reason}")


def _laid_over(
    path: Path, reference: ReferencePieces, quiet: ReferencePieces, left: list[RejectedShot]
) -> tuple[Overlaid, ComplexArray] | None:
    """Lay one photograph over the first; None where it cannot be read, which is noted.

    Raises
    ------
    ImageError
        It is of another kind.
    """
    try:
        frame = open_frame(path)
    except ImageError as error:
        left.append(_unreadable(path, error))
        return None
    _check_kind(reference.frame, frame)
    try:
        over = lay_over(frame, reference)
        shift = np.rint(np.median(over.shift_cells, axis=0)).astype(np.int64)
        return over, frame.pieces(quiet.corners + shift, quiet.size).spectra
    except ImageError as error:
        left.append(_unreadable(path, error))
        return None


def _unreadable(path: Path, error: ImageError) -> RejectedShot:
    return RejectedShot(path=path, reason=str(error).removeprefix(f"{path}: ").removeprefix(f"{path.name}: "))


def _reference(frame: Frame) -> tuple[ReferencePieces, ReferencePieces]:
    """Choose the pieces with most detail, and the quietest ones, in the first frame."""
    size = frame.piece_cells
    corners = _candidates(frame, size)
    cut = frame.pieces(corners, size)
    detail = _detail(frame, cut, size)
    open_ones = np.flatnonzero((cut.clipped <= _CLIPPED) & (detail[0] > 0.0))
    by_detail = open_ones[np.argsort(-detail[0][open_ones], kind="stable")]
    chosen = [index for index in by_detail if detail[1][index]][:MOST_PIECES]
    if len(chosen) < FEWEST_PIECES:
        raise SweepError(
            f"{frame.path.name}: {len(chosen)} places hold detail that is neither clipped nor lost in noise, "
            f"{FEWEST_PIECES} are needed; photograph a scene with fine texture, exposed so that nothing is white"
        )
    quiet = [index for index in by_detail[::-1] if index not in set(chosen)][:QUIET_PIECES]
    return _picked(frame, cut, corners, chosen), _picked(frame, cut, corners, quiet or chosen[-QUIET_PIECES:])


def _picked(frame: Frame, cut: Pieces, corners: IntArray, chosen: list[int]) -> ReferencePieces:
    return ReferencePieces(
        frame=frame, corners=corners[chosen], size=cut.spectra.shape[1], spectra=cut.spectra[chosen]
    )


def _candidates(frame: Frame, size: int) -> IntArray:
    """Corners half a piece apart, thinned out evenly where a frame holds very many."""
    rows, columns = frame.size_cells
    step = size // 2
    while (rows // step) * (columns // step) > _CANDIDATES:
        step += size // 8
    down = np.arange(size // 4, rows - size - size // 4 + 1, step)
    right = np.arange(size // 4, columns - size - size // 4 + 1, step)
    return np.stack(np.meshgrid(down, right, indexing="ij"), axis=-1).reshape(-1, 2).astype(np.int64)


def _detail(frame: Frame, cut: Pieces, size: int) -> tuple[FloatArray, FloatArray]:
    """Each piece's power of detail, and whether it stands above the finest bins' (mostly noise)."""
    rows, columns, whole = frequencies(size, lattice=frame.lattice)
    radius = np.hypot(rows, columns)
    power = np.abs(cut.spectra) ** 2
    middle = power[:, whole & (radius > 0.06) & (radius < 0.25)].mean(axis=1)
    coarse = power[:, whole & (radius > 0.03) & (radius < 0.1)].mean(axis=1)
    finest = power[:, whole & (radius > 0.36)].mean(axis=1)
    return middle, np.asarray(coarse > 4.0 * finest, np.float64)


def _check_kind(first: Frame, other: Frame) -> None:
    kinds = [(frame.photograph.size_px, frame.channel, frame.lattice) for frame in (first, other)]
    if kinds[0] != kinds[1]:
        sizes = [
            f"{frame.photograph.size_px[0]} x {frame.photograph.size_px[1]} {frame.channel}"
            for frame in (first, other)
        ]
        raise ImageError(
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


def _fit(spectra: ComplexArray, still: ComplexArray, reference: ReferencePieces) -> BlurFit:
    """Fill the rings and fit; shapes of both (frames, pieces, rows, columns)."""
    rows, columns, whole = frequencies(reference.size, lattice=reference.frame.lattice)
    radius = np.hypot(rows, columns)
    numbers = np.floor((radius - LOWEST_CYPX) / RING_CYPX)
    rings = np.where(whole & (radius >= LOWEST_CYPX), numbers, -1.0).astype(np.int64)
    used = rings >= 0
    shared = np.sum(np.abs(spectra.mean(axis=0)) ** 2, axis=0)[used]
    power = np.bincount(rings[used], weights=shared)
    fit = fit_blur(
        Rings(
            powers=ring_powers(spectra, rings=rings),
            quiet=ring_powers(still, rings=rings),
            radius_cypx=np.sqrt(np.bincount(rings[used], weights=shared * radius[used] ** 2) / power),
            bins=np.bincount(rings[used]).astype(np.float64),
        )
    )
    if fit is None:
        raise SweepError(
            "the frames share no detail above the noise; use a lower ISO, or a scene with more texture"
        )
    return fit
