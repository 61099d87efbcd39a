"""Near-identical frames of any scene put in order of sharpness, chart or not.

Frames are laid over one another piece by piece; where the scene has detail, the power of each frame's spectrum
above its noise tells its transfer against the others'. Order and odds come with it, and frames that can't be told
apart stand in one group.
"""

from collections.abc import Callable, Sequence
from contextlib import AbstractContextManager, nullcontext
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path
from typing import Any, Final, TypeVar

import numpy as np

from lensbench import photo
from lensbench.model.errors import ImageError, LensError, SettingError, SweepError
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
Result = TypeVar("Result")


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
        raise SettingError(f"{len(paths)} photograph{'s' * (not paths)}; give two or more of the same scene")
    if len(paths) > MOST_FRAMES:
        raise SettingError(f"{len(paths)} photographs; at most {MOST_FRAMES} are put in order at once")
    if len({path.resolve() for path in paths}) < len(paths):
        raise SettingError("a photograph is named twice; name each once")
    return paths


@dataclass(slots=True, kw_only=True, eq=False)
class _Laid:
    """Frames laid over one of them, and those that are not of its kind or its scene."""

    reference: ReferencePieces
    used: list[Path]
    overlaid: list[Overlaid]
    unlike: list[RejectedShot]


class _Frames:
    """The photographs, each opened within its limit; those that cannot be read are noted and not tried again."""

    def __init__(self, paths: Sequence[Path], limit: Callable[[Path], AbstractContextManager[Any]]) -> None:
        self._limit = limit
        self.left: dict[Path, RejectedShot] = {}
        self.paths = tuple(paths)

    def readable(self) -> list[Path]:
        return [path for path in self.paths if path not in self.left]

    def laid_over(self, first: Path, progress: Progress | None) -> _Laid | None:
        """All frames that can be read over one of them; None where that one cannot be read."""
        reference = self._done(first, lambda: _reference(open_frame(first)))
        if reference is None:
            return None
        laid = _Laid(reference=reference, used=[first], overlaid=[], unlike=[])
        for number, path in enumerate(self.readable(), start=1):
            if path != first and (over := self._done(path, partial(_over, path, reference))):
                if isinstance(over, str):
                    laid.unlike.append(RejectedShot(path=path, reason=over))
                else:
                    laid.used.append(path)
                    laid.overlaid.append(over)
            if progress:
                progress(number, len(self.paths))
        return laid

    def _done(self, path: Path, work: Callable[[], Result]) -> Result | None:
        try:
            with self._limit(path):
                return work()
        except ImageError as error:
            reason = str(error).removeprefix(f"{path}: ").removeprefix(f"{path.name}: ")
            self.left[path] = RejectedShot(path=path, reason=reason)
            return None


def rank(
    paths: Sequence[Path],
    *,
    progress: Progress | None = None,
    limit: Callable[[Path], AbstractContextManager[Any]] = nullcontext,
) -> Ranking:
    """Put frames of one scene in order of sharpness; one that is unreadable or foreign is left out and named.

    The scene is the one that most frames show, whichever comes first. `progress` is called with (done, total) after
    each frame, and within `limit` of its path each is read, where an ImageError costs that frame; the errors are as for
    `lensbench.rank`.
    """
    frames, best, plain = _Frames(paths, limit), None, None
    untried = list(paths)
    while untried and len(untried) > (len(best.used) if best else 0):
        try:
            laid = frames.laid_over(untried[0], progress if best is None else None)
        except SweepError as error:  # too plain to lay others over: it may still be laid over another
            laid, plain = None, plain or error
        tried = {untried[0], *(laid.used if laid else ())}
        untried = [path for path in untried if path not in tried and path not in frames.left]
        if laid and (best is None or len(laid.used) > len(best.used)):
            best = laid
    if best is None or not best.overlaid:
        raise _nothing_to_rank(frames, best, plain)
    left = {rejection.path: rejection for rejection in best.unlike} | frames.left
    ranking = _ranking(best.used, best.reference, best.overlaid)
    return replace(ranking, left_out=tuple(left[path] for path in paths if path in left))


def _nothing_to_rank(frames: _Frames, best: _Laid | None, plain: SweepError | None) -> LensError:
    """Why no two frames can be put in order."""
    if (count := len(frames.readable())) < 2:
        known = f"{count} of {len(frames.paths)}" if count else f"none of {len(frames.paths)}"
        return ImageError(f"{known} photographs can be read: {next(iter(frames.left.values())).reason}")
    if best is not None and best.unlike:
        return SweepError(f"{best.unlike[0].path.name}: {best.unlike[0].reason}")
    return plain or SweepError("no two frames show the same scene")


def _over(path: Path, reference: ReferencePieces) -> Overlaid | str:
    """A frame's pieces over the reference's, or what keeps the two from being put in order."""
    frame = open_frame(path)
    if unlike := _unlike(reference.frame, frame):
        return unlike
    over = lay_over(frame, reference)
    share = float((over.likeness > ALIKE).mean())
    if share >= _ALIKE_SHARE:
        return over
    return (
        f"not the same scene as {reference.frame.path.name} ({100 * share:.0f} % of the places match, "
        f"{100 * _ALIKE_SHARE:.0f} % are needed); give frames between which the camera hardly moved, "
        "at a lower ISO if noise hides the scene"
    )


def _ranking(used: Sequence[Path], reference: ReferencePieces, overlaid: Sequence[Overlaid]) -> Ranking:
    """Rank frames by the pieces that show the same in all of them."""
    alike = np.stack([over.likeness > ALIKE for over in overlaid])
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
        f"{sizes[1]} is not of the kind of {first.path.name} ({sizes[0]}); "
        "only frames of one camera, one size and one file format are put in order"
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
