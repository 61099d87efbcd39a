"""Measured lenses kept in one file, and advice from them."""

import json
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from lensbench import library as room
from lensbench.door import rows_frame
from lensbench.library import Advice, KeptSession, PicturePlan, Wanted
from lensbench.model.errors import LibraryError, SettingError
from lensbench.model.units import Paper
from lensbench.report.out.json_form import advice_as_json
from lensbench.report.text.advice import no_answer
from lensbench.storage.files import check_kind, write_whole, writing
from lensbench.storage.store import library_document, read_library_document

if TYPE_CHECKING:
    import pandas as pd

Sessions = list[KeptSession]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class AdviceResult:
    """Which lens and which stop, for a focal length."""

    advice: Advice

    def to_json(self) -> str:
        """Document that `lensbench library advise --json` prints."""
        return json.dumps(advice_as_json(self.advice), allow_nan=False)

    def to_pandas(self) -> "pd.DataFrame":
        """One row a lens, best first."""
        return rows_frame(advice_as_json(self.advice)["lenses"])


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PictureResult:
    """Which lens and which stop, for a picture with a near and a far limit."""

    plan: PicturePlan

    def to_json(self) -> str:
        """Document that `lensbench library advise --near --far --json` prints."""
        return json.dumps(advice_as_json(self.plan), allow_nan=False)

    def to_pandas(self) -> "pd.DataFrame":
        """One row a lens, best first."""
        return rows_frame(advice_as_json(self.plan)["lenses"])


class Library:
    """A file of measured lenses; every call opens it anew and leaves it whole."""

    def __init__(self, path: Path | str | None = None) -> None:
        self.path = room.usual_place() if path is None else Path(path)
        """By default in the user's data folder."""
        self._kept = room.Library(place=self.path)

    def sessions(self) -> Sessions:
        """Every session of every lens; empty where there is no library yet."""
        return self._kept.sessions() if self.path.exists() else []

    def find(self, lens: str, *, camera: str | None = None, session: str | None = None) -> Sessions:
        """Sessions of the one lens that a name, or a part of it, fits.

        Raises
        ------
        LibraryError
            No library, no such lens, or several.
        """
        return room.chosen(self._kept.sessions(), lens, camera=camera, session=session)

    def add(self, folder: Path | str, *, session: str | None = None, replace: bool = False) -> Sessions:
        """Keep the lenses of a sweep's folder; gives what was added.

        Raises
        ------
        SweepError
            The folder is not one that `sweep` wrote.
        LibraryError
            A session of that name is there and is not to be replaced, or the file cannot be written.
        """
        sessions = room.sessions_of_sweep(Path(folder), session=session)
        self._kept.add(sessions, replace=replace)
        return sessions

    def remove(self, lens: str, *, camera: str | None = None, session: str | None = None) -> Sessions:
        """Forget one session of a lens; gives what was removed.

        Raises
        ------
        SettingError
            Several sessions fit.
        LibraryError
            No library, or no such session.
        """
        found = self.find(lens, camera=camera, session=session)
        if len(found) > 1:
            titles = "; ".join(kept.title for kept in found)
            raise SettingError(f"several sessions fit: {titles}; name one", give=("session", "camera"))
        self._kept.remove(found[0])
        return found

    def export(self, file: Path | str, *, lens: str | None = None, replace: bool = False) -> Sessions:
        """Write the library, or one lens of it, to one file; gives what was written.

        Raises
        ------
        SettingError
            The file is there already, or cannot be written.
        LibraryError
            No library, or no such lens.
        """
        path = Path(file)
        if path.exists() and not replace:
            raise SettingError(
                f"{path} is there already; name another file, or write over it", give=("replace",)
            )
        check_kind(path, begins=b'{"format":{"name":"lensbench library"', what="an exported library")
        sessions = self._kept.sessions() if lens is None else self.find(lens)
        with writing(path):
            write_whole(path, library_document(sessions))
        return sessions

    def cards(self, file: Path | str, *, lens: str | None = None, paper: Paper = "A4") -> Sessions:
        """Write a pocket card of every lens, or of one, to a PDF; gives the sessions: the newest of each lens.

        Raises
        ------
        SettingError
            The file is there and is no PDF of cards, or cannot be written.
        LibraryError
            No library, an empty one, or no such lens.
        """
        from lensbench.report.out.write import write_cards
        from lensbench.report.page.card import kept_pocket_card

        kept = self._kept.sessions() if lens is None else self.find(lens)
        newest = {(one.lens, one.camera): one for one in sorted(kept, key=lambda one: one.added_at)}
        sessions = [newest[names] for names in sorted(newest)]
        if not sessions:
            raise LibraryError(
                f"{self.path}: the library is empty; `lensbench library add FOLDER` adds a sweep"
            )
        write_cards([kept_pocket_card(session) for session in sessions], Path(file), paper=paper)
        return sessions

    def take_in(self, file: Path | str, *, replace: bool = False) -> Sessions:
        """Take the lenses of an exported file into the library, all or none; gives what was taken.

        Raises
        ------
        LibraryError
            The file is not an exported library, or a session is there and is not to be replaced.
        """
        sessions = read_library_document(Path(file))
        self._kept.add(sessions, replace=replace)
        return sessions

    def advise(
        self, focal_length_mm: float, *, f_number: float | None = None, zone: str = "frame"
    ) -> AdviceResult:
        """Which lens and which stop, for a focal length: each at one stop, or at its own best.

        Raises
        ------
        LibraryError
            No library, or no lens can answer.
        """
        sessions = self._kept.sessions()
        advice = room.advise(sessions, focal_length_mm=focal_length_mm, f_number=f_number, zone=zone)
        if not advice.lenses:
            raise LibraryError(no_answer(focal_length_mm, advice.left_out))
        return AdviceResult(advice=advice)

    def plan_picture(self, wanted: Wanted) -> PictureResult:
        """Which lens and which stop, for a picture with a near and a far limit.

        Raises
        ------
        LibraryError
            No library, or no lens reaches the focal length.
        """
        plan = room.plan_picture(self._kept.sessions(), wanted)
        if not plan.lenses:
            raise LibraryError(no_answer(wanted.focal_length_mm, plan.left_out))
        return PictureResult(plan=plan)
