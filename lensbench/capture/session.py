"""A session at the camera: shots come in, are judged against their like, and tick off the plan."""

from collections.abc import Callable, Iterable
from pathlib import Path

from lensbench.capture.following import Happening, What
from lensbench.capture.lacking import PlanBook
from lensbench.capture.verdict import Verdict, judge
from lensbench.clean import name_in_tables
from lensbench.errors import ImageError, LensError
from lensbench.photo import RAW_SUFFIXES, open_photo
from lensbench.records import Metadata, RejectedShot, ShotResult
from lensbench.shot import measure_shot

__all__ = ["Session", "without_doubles"]

Measure = Callable[[Path], ShotResult]


class Session:
    """What was shot so far."""

    def __init__(self, book: PlanBook | None = None, *, measure: Measure = measure_shot) -> None:
        self.book = book
        self._measure = measure
        self._usable: dict[Path, ShotResult] = {}

    def check(self, path: Path) -> tuple[Verdict, bool]:
        """Measure and judge one photograph, and tell whether the file is whole; a usable one ticks off its row."""
        try:
            result: ShotResult | RejectedShot = self._measure(path)
        except (LensError, OSError, MemoryError) as error:
            said = "the memory does not suffice for it" if isinstance(error, MemoryError) else str(error)
            reason = said.removeprefix(f"{path}: ").removeprefix(f"{path.name}: ")
            result = RejectedShot(path=path, reason=reason)
        metadata = result.metadata if isinstance(result, ShotResult) else Metadata()
        if path.suffix.lower() in RAW_SUFFIXES:
            self._set_aside(path)
        book = self.book
        place = None if book is None else book.place_for(path.name, metadata)
        verdict = judge(
            result,
            earlier=tuple(self._usable.values()),
            off_focus=book is not None and book.off_focus(place),
        )
        if verdict.usable and isinstance(result, ShotResult):
            if book is None or not book.off_focus(place):
                self._usable[path] = result
            if book is not None and place is not None:
                book.tick(place, path.name)
        elif book is not None:
            book.release(path.name)
        return verdict, isinstance(result, ShotResult) or _opens(path)

    def has_raw(self, path: Path) -> bool:
        """Tell whether a finished picture has its raw file beside it, which counts instead."""
        return path.suffix.lower() not in RAW_SUFFIXES and any(
            other.suffix.lower() in RAW_SUFFIXES for other in _of_one_shot(path)
        )

    def _set_aside(self, path: Path) -> None:
        """Let a finished picture that counted go, now that its raw file has come."""
        for known in [known for known in self._usable if _same_shot(known, path)]:
            self._usable.pop(known)
        if self.book is not None:
            for name in {row.file for row in self.book.rows if row.file}:
                if _same_shot(Path(name), Path(name_in_tables(path.name))):
                    self.book.release(name)

    def settle(self, happening: Happening) -> str:
        """Take note of a renamed or vanished file; give the line to say."""
        before = happening.before
        if happening.what is What.RENAMED and before is not None:
            if before in self._usable:
                self._usable[happening.path] = self._usable.pop(before)
            if self.book is not None:
                self.book.rename(before.name, happening.path.name)
            return f"renamed  {before.name} is now {happening.path.name}"
        self._usable.pop(happening.path, None)
        if self.book is not None:
            self.book.release(happening.path.name)
        return f"gone  {happening.path.name}: it no longer counts"


def _of_one_shot(path: Path) -> list[Path]:
    try:
        return [other for other in path.parent.iterdir() if _same_shot(other, path)]
    except OSError:
        return []


def _same_shot(one: Path, other: Path) -> bool:
    """Tell whether two files differ in their suffix only."""
    return one != other and one.parent == other.parent and one.stem.lower() == other.stem.lower()


def _opens(path: Path) -> bool:
    try:
        open_photo(path)
    except (ImageError, OSError):
        return False
    return True


def without_doubles(paths: Iterable[Path]) -> list[Path]:
    """Leave out finished pictures that a raw file of the same name stands beside."""
    listed = list(paths)
    raws = {path.with_suffix("") for path in listed if path.suffix.lower() in RAW_SUFFIXES}
    return [
        path for path in listed if path.suffix.lower() in RAW_SUFFIXES or path.with_suffix("") not in raws
    ]
