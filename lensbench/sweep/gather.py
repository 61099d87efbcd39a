"""Which photographs belong together, by camera and lens, f-number and focal length, and what the shots table says.

Nothing is dropped in silence: a photograph that cannot be used stays in the list with the reason. Of files of equal
content one counts: copies are no repeats. In the shots table a filled cell overrides what the file says; this is how
lenses without electronic contacts are tested. A row whose `file` is empty is a shot that was planned and not taken; a
table that names no file at all goes by the order.
"""

import csv
import math
from collections import Counter, defaultdict
from collections.abc import Callable, Hashable, Iterable, Iterator, Mapping, Sequence
from contextlib import suppress
from dataclasses import replace
from pathlib import Path
from typing import Final

import numpy as np

from lensbench import photo
from lensbench.model.errors import ImageError, SettingError, SweepError, TextFileError
from lensbench.model.setting import Setting
from lensbench.model.shot import TABLE_COLUMNS, Metadata, TableRow, Turned
from lensbench.model.sweep import PlannedShot
from lensbench.model.units import PITCH_LIMITS_UM, nominal_f_number
from lensbench.storage.cache import content_hash
from lensbench.storage.text import TWO_WAYS, name_in_tables, read_text, table_in
from lensbench.sweep.task import without_path

_TASTE_BYTES: Final = 65_536  # in the middle, where raw files of one size differ nearly always
_MOST_NAMED: Final = 5


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
FOCAL_GAP: Final = 0.03  # as a share, from one group to the next. Common practice, no source.


def gather(folders: Sequence[Path], shots_csv: Path | None = None) -> list[PlannedShot]:
    """List the photographs of some folders with the settings they count under.

    Parameters
    ----------
    folders : paths of folders
        Walked through in natural order, each once whatever names lead to it; links inside are not followed.
    shots_csv : path, optional
        A shots table; its filled cells override the files' own metadata.

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
    named = [row for row in table if row.file]
    if named or not table:
        rows = _match(places, named)
    else:
        rows = _in_order([path for path in paths if path not in copies], table)
    beside_raw = _beside_raw(paths)
    shots = [_plan(path, rows.get(path), beside_raw=path in beside_raw) for path in paths]
    shots = _without_copies(shots, copies)
    if all(shot.left_out for shot in shots):
        first = shots[0]
        raise SweepError(
            f"none of {len(shots)} photographs can be used; the first, {first.path.name}: {first.left_out}"
        )
    return named_focal_lengths(shots)


def _beside_raw(paths: Sequence[Path]) -> set[Path]:
    """Finished pictures that stand beside a raw file of the same name."""
    raws = [path for path in paths if path.suffix.lower() in photo.RAW_SUFFIXES]
    names = {path.with_name(path.stem.lower()) for path in raws}
    return {path for path in paths if path.with_name(path.stem.lower()) in names} - set(raws)


def _without_copies(shots: Sequence[PlannedShot], copies: Mapping[Path, Path]) -> list[PlannedShot]:
    """Leave out all but one of the files of equal content: the first that is to be used, else the first."""
    counts: dict[Path, Path] = {}
    for shot in sorted(shots, key=lambda shot: bool(shot.left_out)):
        counts.setdefault(copies.get(shot.path, shot.path), shot.path)
    judged = []
    for shot in shots:
        original = counts[copies.get(shot.path, shot.path)]
        if not shot.by_choice and shot.path != original:
            left_out = f"a copy of {original.name}, which counts once"
            shot = replace(shot, left_out=left_out, by_choice=True, copy_of=original)  # noqa: PLW2901
        judged.append(shot)
    return judged


def _in_order(paths: Sequence[Path], table: Sequence[TableRow]) -> dict[Path, TableRow]:
    """Give each row the photograph in its place: as many of them as rows, and no f-number that says otherwise."""
    beside_raw = _beside_raw(paths)
    shots = [path for path in paths if path not in beside_raw]
    if len(shots) != len(table):
        raise SettingError(
            f"the shots table names no files and has {len(table)} rows, but there are {len(shots)} photographs: write "
            "the files' names into its column `file`"
        )
    for number, (path, row) in enumerate(zip(shots, table, strict=True), start=1):
        told = None
        with suppress(ImageError):
            told = photo.read_metadata(path).f_number
        if told and row.f_number and nominal_f_number(told) != nominal_f_number(row.f_number):
            raise SettingError(
                f"row {number} of the shots table says f/{row.f_number:g}, but {path.name} was taken at f/{told:.3g}: "
                "write the files' names into its column `file`"
            )
    return dict(zip(shots, table, strict=True))


def _match(places: Sequence[tuple[Path, Path]], rows: Sequence[TableRow]) -> dict[Path, TableRow]:
    """Find each row's photograph, by its path within the folder, or its bare name where that is unique."""
    by_name: dict[str, set[Path]] = defaultdict(set)
    for folder, path in places:
        for name in {path.name, path.relative_to(folder).as_posix(), path.as_posix()}:
            by_name[name_in_tables(name)].add(path)
    matched = {}
    for row in rows:
        found = by_name.get(row.file, set())
        if not found:
            raise SettingError(f"the shots table names {row.file}, which is in none of the folders")
        if len(found) > 1:
            raise SettingError(
                f"the shots table names {row.file}, but {len(found)} files bear that name; write its path"
            )
        matched[next(iter(found))] = row
    return matched


def _plan(path: Path, row: TableRow | None, *, beside_raw: bool) -> PlannedShot:
    try:
        metadata, left_out = photo.read_metadata(path), ""
    except ImageError as error:
        metadata, left_out = Metadata(), without_path(str(error), path)
    by_choice = "the raw file of the same name is measured instead" if beside_raw and row is None else ""
    if row is not None:
        by_choice = "" if row.use else "the shots table says not to use it"
    shot = planned_shot(path, metadata, row)
    if not left_out and shot.metadata.f_number is None:
        left_out = _without_f_number(path, shot.metadata)
    return replace(shot, left_out=by_choice or left_out, by_choice=bool(by_choice))


def planned_shot(path: Path, metadata: Metadata, row: TableRow | None = None) -> PlannedShot:
    """One photograph with the settings it counts under, by its own metadata and its row of the shots table."""
    metadata = _overridden(metadata, row) if row else metadata
    told = row or TableRow()
    return PlannedShot(
        path=path,
        metadata=metadata,
        overrides=_overridden(Metadata(), row) if row else None,
        lens=metadata.lens or UNKNOWN_LENS,
        camera=metadata.camera or UNKNOWN_CAMERA,
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


def _without_f_number(path: Path, metadata: Metadata) -> str:
    """Say what to do about a photograph that does not tell its f-number; a damaged file hides it, too."""
    try:
        photo.check_whole(path)
    except ImageError as error:
        return without_path(str(error), path)
    says = "its f-number is unknown; name it in a shots table (--shots)"
    if metadata.camera is None and metadata.focal_length_mm is None:
        says += "; it tells no camera either, so the file may be damaged: look whether it opens"
    return says


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


_YES_NO: Final = {"yes": True, "y": True, "no": False, "n": False, "": True}
_MOST_ROWS: Final = 100_000
_F_NUMBERS: Final = (0.5, 128.0)
_FOCAL_MM: Final = (0.5, 20_000.0)  # Wider than any lens. Common practice, no source.


def read_shots_table(path: Path) -> list[TableRow]:
    """Read a shots table.

    Rows whose `file` is empty are kept, in their order. Comma or semicolon between the cells; with semicolons a
    decimal comma is understood. `f/5.6` and `5.6`, `50 mm` and `50` mean the same.

    Raises
    ------
    SettingError
        The file cannot be read as text, lacks the column `file`, has a column of another name, or a cell that
        is no number, not positive, or neither yes nor no: with the row and the column.
    """
    try:
        text = read_text(path)
        rows = [_row(f"{path}, line {line}", cells) for line, cells in _lines(path, text)]
    except TextFileError as error:
        raise SettingError(f"{path}: the shots table cannot be read: {error}") from error
    counts = Counter(row.file for row in rows if row.file)
    if twice := [file for file, count in counts.items() if count > 1]:
        raise SettingError(f"{path}: the file {twice[0]} stands in two rows; leave one")
    return rows


def _lines(path: Path, text: str) -> Iterator[tuple[int, dict[str, str]]]:
    """The filled lines with their numbers, at most so many."""
    head = (text.splitlines() or [""])[0]
    delimiter = ";" if ";" in head and "," not in head else ","
    names = [
        name.strip() for name in next(csv.reader([head], delimiter=delimiter, skipinitialspace=True), [])
    ]
    columns = f"columns: {', '.join(TABLE_COLUMNS)}"
    if "file" not in names:
        raise SettingError(f"{path}: no column `file` in the first line; {columns}")
    if strange := [name for name in names if name not in TABLE_COLUMNS]:
        raise SettingError(f"{path}: no such column: {', '.join(strange)}; {columns}")
    for count, (line, cells) in enumerate(table_in(text, delimiter=delimiter)):
        if count >= _MOST_ROWS:
            raise SettingError(f"{path}: more than {_MOST_ROWS} rows; divide the table")
        name = cells["file"]
        if delimiter == "," and ";" in name and Path(name).suffix.lower() not in photo.PHOTO_SUFFIXES:
            raise SettingError(
                f"{path}, line {line}: a semicolon stands where the first line has commas; use one of the two "
                "between all cells"
            )
        yield line, dict.fromkeys(TABLE_COLUMNS, "") | cells


def _row(place: str, cells: Mapping[str, str]) -> TableRow:
    use = _YES_NO.get(cells["use"].lower())
    if use is None:
        raise SettingError(f"{place}, column use: {cells['use']!r} is neither yes nor no")
    focal, pitch = cells["focal_length_mm"].removesuffix("mm"), cells["pitch_um"].removesuffix("um")
    return TableRow(
        file=cells["file"].replace("\\", "/"),
        lens=cells["lens"] or None,
        camera=cells["camera"] or None,
        f_number=_within(
            f"{place}, column f_number", cells["f_number"].lower().removeprefix("f/"), _F_NUMBERS
        ),
        focal_length_mm=_within(f"{place}, column focal_length_mm", focal, _FOCAL_MM),
        pitch_um=_within(f"{place}, column pitch_um", pitch, PITCH_LIMITS_UM, "sensors"),
        focus_group=cells["focus_group"],
        focus_step=_number(f"{place}, column focus_step", cells["focus_step"]),
        condition=cells["condition"],
        turned=_turned(place, cells["turned"]),
        use=use,
    )


def _turned(place: str, cell: str) -> Turned | None:
    try:
        return Turned(cell.lower()) if cell else None
    except ValueError as error:
        raise SettingError(f"{place}, column turned: {cell!r} is neither camera nor chart") from error


def _within(place: str, cell: str, limits: tuple[float, float], owners: str = "lenses") -> float | None:
    value = _number(place, cell)
    if value is not None and value <= 0.0:
        raise SettingError(f"{place}: {cell!r} is not positive")
    if value is not None and not limits[0] <= value <= limits[1]:
        raise SettingError(f"{place}: {cell!r} is beyond what {owners} have, {limits[0]:g} to {limits[1]:g}")
    return value


def _number(place: str, cell: str) -> float | None:
    if not cell.strip():
        return None
    if TWO_WAYS.fullmatch(cell.strip()):
        whole, part = cell.strip().replace(",", ""), float(cell.replace(",", "."))
        raise SettingError(f"{place}: {cell!r} can be read in two ways; write {whole} or {part:g}")
    try:
        value = float(cell.replace(",", ".").replace("_", "?"))  # Python would read 2_8 as 28
    except ValueError as error:
        raise SettingError(f"{place}: {cell!r} is no number") from error
    if not math.isfinite(value):
        raise SettingError(f"{place}: {cell!r} is no finite number")
    return value
