"""Studies of many photographs: sweeps, lenses compared, what one change did, frames ranked.

With `out` they write their report.
"""

from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import AbstractContextManager, contextmanager, nullcontext
from dataclasses import dataclass, replace
from itertools import pairwise
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import TYPE_CHECKING, Any, Final

from lensbench.door import rows_frame
from lensbench.model.compare import CompareFindings, EffectFindings
from lensbench.model.errors import SettingError
from lensbench.model.shot import RejectedShot
from lensbench.model.sweep import SweepFindings, SweepShot
from lensbench.model.units import Paper
from lensbench.report.out.json_form import (
    comparison_as_json,
    effect_as_json,
    findings_as_json,
    json_text,
    plain,
    ranking_as_json,
)
from lensbench.report.out.tables import compare_table, effect_table, shots_table
from lensbench.report.out.write import (
    check_output_folder,
    check_sweep_folder,
    rewrite_sweep,
    write_compare,
    write_effect,
    write_sweep,
)
from lensbench.report.text.answer import answer_sentences, short_answer
from lensbench.report.text.blur import has_physical
from lensbench.report.text.compare import choice_lines, comparison_answer, comparison_limits
from lensbench.report.text.effect import effect_sentences
from lensbench.shot import MeasureOptions
from lensbench.stats import Tie
from lensbench.storage.files import sole_writer
from lensbench.storage.store import read_shots
from lensbench.sweep import Running, copies_among, fetch, find, folder_name, is_address, rejections
from lensbench.sweep import sweep as sweep_of

if TYPE_CHECKING:
    import pandas as pd

    from lensbench.rank import PairOdds, Ranking

Places = str | Path | Iterable[str | Path]
"""One file or folder, or several."""
_USUAL: Final = MeasureOptions()
_KEPT: Final = "measured"  # folder within a report's for the results of each photograph
_FETCHED: Final = "fetched"  # and for photographs from elsewhere


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SweepResult:
    """Best settings, and every photograph they rest on."""

    findings: SweepFindings
    shots: tuple[SweepShot, ...]
    rejected: tuple[RejectedShot, ...]
    """Photographs that could not be used; those left out by choice are not among them."""
    written: tuple[Path, ...] = ()
    """Files of the report, `report.html` last."""

    @property
    def has_physical(self) -> bool:
        """Whether any photograph's blur was told apart, as `MeasureOptions.physical` asks."""
        return any(has_physical(shot) for shot in self.shots)

    @property
    def answer(self) -> tuple[str, ...]:
        """Answer in plain sentences."""
        return tuple(answer_sentences(self.findings))

    @property
    def short_answer(self) -> tuple[str, ...]:
        """What `lensbench sweep` ends with: of each lens three sentences, and its percent by stop and focal length."""
        return tuple(short_answer(self.findings))

    def to_json(self) -> str:
        """Document that `lensbench sweep --json` prints: findings.json."""
        return json_text(findings_as_json(self.findings)).decode()

    def to_pandas(self) -> "pd.DataFrame":
        """One row a photograph, the rejected ones included: shots.csv."""
        import pandas as pd

        return pd.DataFrame(shots_table(self.shots))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class CompareResult:
    """Lenses side by side."""

    findings: CompareFindings
    written: tuple[Path, ...] = ()
    """Files of the report, `report.html` last."""

    @property
    def answer(self) -> tuple[str, ...]:
        """Answer in plain sentences, with the table of choices."""
        parts = (comparison_answer, choice_lines, comparison_limits)
        return tuple(line for part in parts for line in part(self.findings))

    def to_json(self) -> str:
        """Document that `lensbench compare --json` prints: comparison.json."""
        return json_text(comparison_as_json(self.findings)).decode()

    def to_pandas(self) -> "pd.DataFrame":
        """One row for every pair, unit, focal length, f-number and zone: comparison.csv."""
        import pandas as pd

        return pd.DataFrame(compare_table(self.findings))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class EffectResult:
    """What one change did, and every photograph it rests on."""

    findings: EffectFindings
    shots: tuple[SweepShot, ...]
    rejected: tuple[RejectedShot, ...]
    """Photographs that could not be used; those left out by choice are not among them."""
    written: tuple[Path, ...] = ()
    """Files of the report, `report.html` last."""

    @property
    def answer(self) -> tuple[str, ...]:
        """Answer in plain sentences."""
        return tuple(effect_sentences(self.findings))

    def to_json(self) -> str:
        """Document that `lensbench effect --json` prints: effect.json."""
        return json_text(effect_as_json(self.findings)).decode()

    def to_pandas(self) -> "pd.DataFrame":
        """One row for every level, figure and zone: effect.csv."""
        import pandas as pd

        return pd.DataFrame(effect_table(self.findings))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class RankResult:
    """Frames in order, the sharpest first."""

    ranking: "Ranking"
    copies: dict[Path, Path]
    """Files of equal content with another, which were left out: copy -> original."""

    @property
    def neighbours(self) -> "tuple[PairOdds, ...]":
        """Odds of each frame against the next in the order."""
        following = dict(pairwise(frame.photo for frame in self.ranking.frames))
        return tuple(pair for pair in self.ranking.pairs if following.get(pair.sharper) == pair.softer)

    def to_json(self) -> str:
        """Document that `lensbench rank --json` prints."""
        return json_text(ranking_as_json(self.ranking)).decode()

    def to_pandas(self) -> "pd.DataFrame":
        """One row a frame, the sharpest first."""
        return rows_frame(map(plain, self.ranking.frames))


def sweep(  # noqa: PLR0913  the options of the command
    folders: Places,
    *,
    out: Path | str | None = None,
    shots: Path | str | None = None,
    options: MeasureOptions = _USUAL,
    tie: Tie | str = Tie.BEST,
    camera: str | None = None,
    running: Running | None = None,
    paper: Paper = "A4",
    command: str = "",
) -> SweepResult:
    """Measure folders of test shots, and find the best stop and zoom setting.

    Parameters
    ----------
    folders : path or paths
        Read, never written to. An address (`s3://`, `gs://`, `sftp://`) needs the extra `remote`; its photographs are
        fetched into `out`, and only those that are new or changed by a second run.
    out : path, optional
        Folder for the report; results are kept there for a second run. Without it nothing is written.
    shots : path, optional
        A shots table (CSV), for what the metadata lack.
    options : MeasureOptions
        How each photograph is measured.
    tie : Tie
        Which of several equally good stops is named: best, widest, middle or deepest.
    camera : str, optional
        Its name, where a photograph does not tell it.
    running : Running, optional
        Over how many processes the work is spread; all processors by default.
    paper : str
        A4 or Letter, of the report's PDFs.
    command : str, optional
        What was typed to ask for it; the report says so.

    Raises
    ------
    SweepError
        No photograph can be used.
    ImageError
        A folder is not there.
    SettingError
        The report cannot be written to `out`, or the shots table cannot be used.
    """
    given = [folders] if isinstance(folders, (str, Path)) else list(folders)
    local = _paths(place for place in given if not is_address(place))
    with _report_folder(out, study="sweep", inputs=local) as out_folder, TemporaryDirectory() as passing:
        beside = out_folder / _FETCHED if out_folder else Path(passing)
        fetched = [
            fetch(place, beside / folder_name(place)) for place in map(str, given) if is_address(place)
        ]
        missing = tuple(rejected for place in fetched for rejected in place.missing)
        done = sweep_of(
            [*local, *(place.folder for place in fetched)],
            shots_csv=None if shots is None else Path(shots),
            options=options,
            cache=out_folder and out_folder / _KEPT,
            running=running,
            tie=Tie(tie),
            camera=camera,
        )
        unplaced = (*done.findings.unplaced, *missing)
        findings = replace(done.findings, unplaced=unplaced, command=command)
        written = write_sweep(findings, done.shots, out_folder, paper=paper) if out_folder else ()
    return SweepResult(
        findings=findings, shots=done.shots, rejected=(*done.rejected, *missing), written=written
    )


def remake(folder: Path | str, *, paper: Paper = "A4") -> SweepResult:
    """Make the reports of a sweep's folder anew from the shots that it keeps, without the photographs.

    `paper` is that of the report's PDFs: A4 or Letter.

    Raises
    ------
    SettingError
        It is no folder, the folder of another study, or somebody changed a file of the report.
    SweepError
        The folder keeps no measured shots, or damaged ones.
    """
    out = Path(folder)
    check_sweep_folder(out)
    check_output_folder(out)
    with sole_writer(out):
        kept = read_shots(out)
        found = find(kept.shots, method=kept.method, tie=Tie(kept.tie))
        unplaced = (*found.unplaced, *kept.missing)
        findings = replace(found, unplaced=unplaced, command=kept.command)
        written = rewrite_sweep(findings, kept.shots, out, paper=paper)
    rejected = (*rejections(kept.shots), *kept.missing)
    return SweepResult(findings=findings, shots=kept.shots, rejected=rejected, written=written)


def compare(
    sweeps: Places,
    *,
    out: Path | str | None = None,
    print_height_mm: float | None = None,
    viewing_distance_mm: float | None = None,
    paper: Paper = "A4",
) -> CompareResult:
    """Set the lenses of two or more sweeps side by side, at equal stop, focal length and zone.

    Parameters
    ----------
    sweeps : paths
        Folders that `sweep` wrote.
    out : path, optional
        Folder for the report. Without it nothing is written.
    print_height_mm, viewing_distance_mm : float, optional
        How pictures are looked at; pixel for pixel on a screen by default.
    paper : str
        A4 or Letter, of the report's PDF.

    Raises
    ------
    SweepError
        A folder is not one that a sweep wrote, or there are fewer than two lenses.
    SettingError
        The report cannot be written to `out`, or one of the two lengths is missing.
    """
    from lensbench.compare import compare as compare_of

    looked = MeasureOptions(print_height_mm=print_height_mm, viewing_distance_mm=viewing_distance_mm)
    folders = _paths(sweeps)
    with _report_folder(out, study="comparison", sweeps=folders) as out_folder:
        done = compare_of(folders, print_and_eye_mm=looked.print_and_eye_mm)
        written = write_compare(done.findings, out_folder, done.lenses, paper=paper) if out_folder else ()
    return CompareResult(findings=done.findings, written=written)


def effect(  # noqa: PLR0913  the options of the command
    folder: Path | str,
    *,
    by: str,
    against: str | None = None,
    out: Path | str | None = None,
    shots: Path | str | None = None,
    options: MeasureOptions = _USUAL,
    camera: str | None = None,
    running: Running | None = None,
    paper: Paper = "A4",
) -> EffectResult:
    """Measure what one change did: a filter, the stabiliser, a shutter speed, the ISO, processing.

    Parameters
    ----------
    by : str
        What was changed: condition, exposure_s, iso, f_number, focal_length_mm, lens or camera.
    against : str, optional
        Level that the others are held against.
    folder, out, shots, options, camera, running, paper
        As for `sweep`.

    Raises
    ------
    SweepError
        No photograph can be used, or there is nothing to compare.
    ImageError
        The folder is not there.
    SettingError
        No such column or level, the report cannot be written to `out`, or the shots table cannot be used.
    """
    from lensbench.effect import effect as effect_of

    with _report_folder(out, study="effect", inputs=[Path(folder)]) as out_folder:
        done = effect_of(
            Path(folder),
            by=by,
            against=against,
            shots_csv=None if shots is None else Path(shots),
            options=options,
            cache=out_folder and out_folder / _KEPT,
            camera=camera,
            running=running,
        )
        written = write_effect(done, out_folder, paper=paper) if out_folder else ()
    found = done.findings
    return EffectResult(findings=found, shots=done.shots, rejected=found.rejected, written=written)


def rank(
    photos: Places,
    *,
    progress: Callable[[int, int], None] | None = None,
    limit: Callable[[Path], AbstractContextManager[Any]] = nullcontext,
) -> RankResult:
    """Put near-identical frames of any scene in order of sharpness; no chart is needed.

    Parameters
    ----------
    photos : paths
        Two or more frames of one scene, of one camera, or their folder.
    progress : callable, optional
        Called with how many frames are done, of how many.
    limit : callable, optional
        Gives, for a frame's path, what it is read within: by an ImageError it can leave it out.

    Raises
    ------
    SettingError
        Fewer than two photographs, one named twice, or frames of different kinds.
    SweepError
        The frames do not show the same scene.
    ImageError
        A folder cannot be read.
    """
    from lensbench.rank import frames_of
    from lensbench.rank import rank as rank_frames

    paths = frames_of(_paths(photos))
    copies = copies_among(paths)
    frames = [path for path in paths if path not in copies]
    if len(frames) < 2:
        raise SettingError(
            "only one photograph is there, and copies of it; give two or more of the same scene"
        )
    return RankResult(ranking=rank_frames(frames, progress=progress, limit=limit), copies=copies)


def _paths(places: Places) -> list[Path]:
    return [Path(places)] if isinstance(places, (str, Path)) else [Path(place) for place in places]


@contextmanager
def _report_folder(
    out: Path | str | None, *, study: str, inputs: Sequence[Path] = (), sweeps: Sequence[Path] = ()
) -> Iterator[Path | None]:
    """Report's folder, tried before anything is measured, and ours alone; None where no report is asked for."""
    if out is None:
        yield None
        return
    check_output_folder(Path(out), study=study, inputs=inputs, sweeps=sweeps)
    with sole_writer(Path(out)):
        yield Path(out)
