"""Which photographs belong together, by camera and lens, f-number and focal length, and what the shots table says.

Nothing is dropped in silence: a photograph that cannot be used stays in the list with the reason. Of files of equal
content one counts: copies are no repeats. In the shots table a filled cell overrides what the file says; this is how
lenses without electronic contacts are tested.
"""

from collections import Counter, defaultdict
from collections.abc import Callable, Container, Hashable, Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager, suppress
from dataclasses import replace
from pathlib import Path
from typing import Final

import numpy as np

from lensbench import photo
from lensbench.model.errors import ImageError, SweepError
from lensbench.model.setting import Setting
from lensbench.model.shot import Metadata, TableRow
from lensbench.model.sweep import PlannedShot
from lensbench.model.units import nominal_f_number
from lensbench.shot.task import without_path
from lensbench.storage.cache import KnownFiles, content_hash, identity_of
from lensbench.sweep.shots_table import read_shots_table, rows_by_name, rows_in_order

_TASTE_BYTES: Final = 65_536  # in the middle, where raw files of one size differ nearly always
_MOST_NAMED: Final = 5
_METADATA: Final = ".metadata.json"


def photographs_in(folders: Iterable[Path]) -> list[tuple[Path, Path]]:
    """Each photograph of some folders once, with its folder, whatever names and links lead there."""
    found: dict[Path, tuple[Path, Path]] = {}
    for folder in folders:
        place = folder.resolve()
        for path in photo.list_photos(folder):
            found.setdefault(place / path.relative_to(folder), (folder, path))
    return list(found.values())


def copies_among(paths: Iterable[Path]) -> dict[Path, Path]:
    """Tell which files are copies, byte by byte, and of which file that comes before them.

    Files are compared where their sizes are equal, whole only where a part is too; empty and unreadable ones
    are nobody's copies.
    """
    groups = [list(paths)]
    for trait in (lambda path: path.stat().st_size, _taste, content_hash):
        groups = [part for group in groups for part in _alike(group, trait)]
    return {copy: first for first, *others in groups for copy in others}


def _alike(paths: list[Path], trait: Callable[[Path], Hashable]) -> list[list[Path]]:
    """The files that share a trait with another one, together."""
    found: dict[Hashable, list[Path]] = defaultdict(list)
    for path in paths:
        with suppress(OSError):
            if value := trait(path):
                found[value].append(path)
    return [group for group in found.values() if len(group) > 1]


def _taste(path: Path) -> bytes:
    """Read some bytes in the middle."""
    with path.open("rb") as stream:
        stream.seek(max(0, path.stat().st_size - _TASTE_BYTES) // 2)
        return stream.read(_TASTE_BYTES)


def copies_in_words(copies: dict[Path, Path]) -> list[str]:
    """Say how many copies of which photographs were left out.

    >>> copies_in_words({Path("b.dng"): Path("a.dng"), Path("c.dng"): Path("a.dng")})
    ['left out: 2 copies of a.dng']
    """
    counts = Counter(copies.values())
    if len(counts) > _MOST_NAMED:
        first = next(iter(counts)).name
        return [f"left out: {len(copies)} copies of {len(counts)} photographs, the first of {first}"]
    return [
        f"left out: {f'{count} copies' if count > 1 else 'a copy'} of {original.name}"
        for original, count in counts.items()
    ]


UNKNOWN_LENS: Final = "unknown lens"
UNKNOWN_CAMERA: Final = "unknown camera"
STOP_UNKNOWN: Final = "its f-number is unknown; name it in a shots table (--shots; columns file,f_number)"
FOCAL_GAP: Final = 0.03  # as a share, from one group to the next. Common practice, no source.


def gather(
    folders: Sequence[Path],
    shots_csv: Path | None = None,
    *,
    camera: str | None = None,
    read: Callable[[Path], Metadata] | None = None,
) -> list[PlannedShot]:
    """List the photographs of some folders with the settings they count under.

    Parameters
    ----------
    folders : paths of folders
        Walked through in natural order, each once whatever names lead to it; links inside are not followed.
    shots_csv : path, optional
        A shots table; its filled cells override the files' own metadata.
    camera : str, optional
        Its name, where neither a photograph nor its row tells it.
    read : callable, optional
        What reads a photograph's metadata; `photo.read_metadata` by default.

    Returns
    -------
    list of PlannedShot
        One for each photograph found, in the order found; those with `left_out` are not to be measured. Of
        files of equal content one counts.

    Raises
    ------
    SweepError
        No photograph in the folders, or none that says at which f-number it was taken.
    ImageError
        A folder is not there or cannot be read.
    SettingError
        The shots table cannot be used, or names a file that is not there.
    """
    places = photographs_in(folders)
    if not places:
        raise SweepError(
            f"no photographs in {', '.join(map(str, folders))}; give a folder that holds test shots"
        )
    paths = [path for _, path in places]
    copies = copies_among(paths)
    table = read_shots_table(shots_csv) if shots_csv else []
    named, doubles = [row for row in table if row.file], beside_raw(paths)
    if named or not table:
        rows = rows_by_name(places, named, second=doubles)
    else:
        rows = rows_in_order([path for path in paths if path not in {*copies, *doubles}], table)
    read = read or photo.read_metadata
    shots = [_plan(path, rows.get(path), read, beside_raw=path in doubles, camera=camera) for path in paths]
    shots = _without_copies(shots, copies, named=rows)
    if all(shot.left_out for shot in shots):
        first = shots[0]
        raise SweepError(
            f"none of {len(shots)} photographs can be used; the first, {first.path.name}: {first.left_out}"
        )
    return named_focal_lengths(shots)


@contextmanager
def metadata_kept(cache: Path | None) -> Iterator[Callable[[Path], Metadata]]:
    """What reads metadata, those of photographs that nobody touched since the last run from the folder of results."""
    if cache is None:
        yield photo.read_metadata
        return
    known = KnownFiles.of(cache / _METADATA, Metadata)

    def read(path: Path) -> Metadata:
        identity = identity_of(path)
        if (metadata := known.get(identity)) is None:
            metadata = photo.read_metadata(path)
            known.learn(path, identity, metadata)
        return metadata

    yield read
    with suppress(OSError, ValueError):  # it reads them again, then; a name may hold what is no Unicode
        known.save()


def beside_raw(paths: Sequence[Path]) -> set[Path]:
    """Finished pictures that stand beside a raw file of the same name."""
    raws = [path for path in paths if path.suffix.lower() in photo.RAW_SUFFIXES]
    names = {path.with_name(path.stem.lower()) for path in raws}
    return {path for path in paths if path.with_name(path.stem.lower()) in names} - set(raws)


def _without_copies(
    shots: Sequence[PlannedShot], copies: Mapping[Path, Path], *, named: Container[Path]
) -> list[PlannedShot]:
    """Leave out all but one of the files of equal content: of those to be used one of the table, else the first."""
    counts: dict[Path, Path] = {}
    for shot in sorted(shots, key=lambda shot: (bool(shot.left_out), shot.path not in named)):
        counts.setdefault(copies.get(shot.path, shot.path), shot.path)
    judged = []
    for shot in shots:
        original = counts[copies.get(shot.path, shot.path)]
        if not shot.by_choice and shot.path != original:
            left_out = f"a copy of {original.name}, which counts once"
            shot = replace(shot, left_out=left_out, by_choice=True, copy_of=original)  # noqa: PLW2901
        judged.append(shot)
    return judged


def _plan(
    path: Path,
    row: TableRow | None,
    read: Callable[[Path], Metadata],
    *,
    beside_raw: bool,
    camera: str | None,
) -> PlannedShot:
    try:
        metadata, left_out = read(path), ""
    except ImageError as error:
        metadata, left_out = Metadata(), without_path(str(error), path)
    by_choice = "the raw file of the same name is measured instead" if beside_raw and row is None else ""
    if row is not None:
        by_choice = "" if row.use else "the shots table says not to use it"
    shot, stranger = planned_shot(path, metadata, row, camera=camera), False
    if not left_out and shot.metadata.f_number is None:
        left_out = _damage(path)
        stranger = not left_out and shot.metadata.camera is None and shot.metadata.focal_length_mm is None
        left_out = left_out or STOP_UNKNOWN
    return replace(
        shot, left_out=by_choice or left_out, by_choice=bool(by_choice), stranger=stranger and not by_choice
    )


def planned_shot(
    path: Path, metadata: Metadata, row: TableRow | None = None, *, camera: str | None = None
) -> PlannedShot:
    """One photograph with the settings it counts under, by its own metadata and its row of the shots table.

    `camera` is that of photographs that name none.
    """
    metadata = _overridden(metadata, row) if row else metadata
    told = row or TableRow()
    return PlannedShot(
        path=path,
        metadata=metadata,
        overrides=_overridden(Metadata(), row) if row else None,
        lens=metadata.lens or UNKNOWN_LENS,
        camera=metadata.camera or camera or UNKNOWN_CAMERA,
        setting=Setting(
            focal_length_mm=metadata.focal_length_mm,
            f_number=nominal_f_number(metadata.f_number) if metadata.f_number else 0.0,
        ),
        pitch_um=told.pitch_um,
        focus_group=told.focus_group,
        focus_step=told.focus_step,
        condition=told.condition,
        turned=told.turned,
    )


def _damage(path: Path) -> str:
    """Why a photograph that does not tell its f-number cannot be read; empty where it can."""
    try:
        photo.check_whole(path)
    except ImageError as error:
        return without_path(str(error), path)
    return ""


def _overridden(metadata: Metadata, row: TableRow) -> Metadata:
    """The row's filled cells instead; of an f-number the file's exact one where both bear the same name."""
    f_number = row.f_number or metadata.f_number
    if metadata.f_number and f_number and nominal_f_number(f_number) == nominal_f_number(metadata.f_number):
        f_number = metadata.f_number
    return replace(
        metadata,
        lens=row.lens or metadata.lens,
        camera=row.camera or metadata.camera,
        f_number=f_number,
        focal_length_mm=row.focal_length_mm or metadata.focal_length_mm,
    )


def named_focal_lengths(shots: Sequence[PlannedShot]) -> list[PlannedShot]:
    """Give every shot the name of its focal group, lens by lens."""
    by_lens: dict[tuple[str, str], list[float]] = defaultdict(list)
    for shot in shots:
        if shot.setting.focal_length_mm and not shot.left_out:
            by_lens[shot.camera, shot.lens].append(shot.setting.focal_length_mm)
    names = {lens: focal_groups(lengths) for lens, lengths in by_lens.items()}
    named = []
    for shot in shots:
        focal = shot.setting.focal_length_mm
        group = names.get((shot.camera, shot.lens), {}).get(focal, focal) if focal else None
        named.append(replace(shot, setting=replace(shot.setting, focal_length_mm=group)))
    return named


def focal_groups(focal_lengths_mm: Sequence[float]) -> dict[float, float]:
    """Name each focal length by the median of its group; a gap above 3 % divides groups.

    >>> focal_groups([24.0, 24.3, 24.0, 50.0])
    {24.0: 24.0, 24.3: 24.0, 50.0: 50.0}
    """
    lengths = np.sort(np.asarray(focal_lengths_mm, dtype=float))
    cuts = np.flatnonzero(lengths[1:] > lengths[:-1] * (1.0 + FOCAL_GAP)) + 1
    groups = np.split(lengths, cuts)
    return {
        float(length): round(float(np.median(group)), 1) for group in groups if group.size for length in group
    }
