"""Studies of many photographs: a sweep, lenses compared, what one change did. With `out` they write their report."""

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Final

from lensbench.compare import compare as compare_of
from lensbench.door.documents import Places, paths_of, record_json, shots_frame
from lensbench.effect import effect as effect_of
from lensbench.model.compare import CompareFindings, Effect, EffectFindings
from lensbench.model.shot import RejectedShot
from lensbench.model.sweep import SweepFindings, SweepShot
from lensbench.shot import MeasureOptions
from lensbench.stats import Tie
from lensbench.sweep import Running
from lensbench.sweep import sweep as sweep_of

if TYPE_CHECKING:
    import pandas as pd

_USUAL: Final = MeasureOptions()
_KEPT: Final = "measured"
"""Folder within a report's for the results of each photograph."""


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
        from lensbench.report import has_physical

        return any(has_physical(shot) for shot in self.shots)

    @property
    def answer(self) -> tuple[str, ...]:
        """Answer in plain sentences."""
        from lensbench.report import answer_sentences

        return tuple(answer_sentences(self.findings))

    def to_json(self) -> str:
        """Document that `lensbench sweep --json` prints: findings.json."""
        from lensbench.report import findings_as_json, json_text

        return json_text(findings_as_json(self.findings)).decode()

    def to_pandas(self) -> "pd.DataFrame":
        """One row a photograph, the rejected ones included: shots.csv."""
        return shots_frame(self.shots)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class CompareResult:
    """Lenses side by side."""

    findings: CompareFindings
    written: tuple[Path, ...] = ()
    """Files of the report, `report.html` last."""

    @property
    def answer(self) -> tuple[str, ...]:
        """Answer in plain sentences, with the table of choices."""
        from lensbench.report import choice_lines, comparison_answer, comparison_limits

        findings = self.findings
        return (*comparison_answer(findings), *choice_lines(findings), *comparison_limits(findings))

    def to_json(self) -> str:
        """Document that `lensbench compare --json` prints: comparison.json."""
        return record_json(self.findings)

    def to_pandas(self) -> "pd.DataFrame":
        """One row for every pair, unit, focal length, f-number and zone: comparison.csv."""
        from lensbench.report import compare_table

        return compare_table(self.findings)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class EffectResult:
    """What one change did, and every photograph it rests on."""

    findings: EffectFindings
    shots: tuple[SweepShot, ...]
    written: tuple[Path, ...] = ()
    """Files of the report, `report.html` last."""

    @property
    def rejected(self) -> tuple[RejectedShot, ...]:
        """Photographs that could not be used; those left out by choice are not among them."""
        return self.findings.rejected

    @property
    def answer(self) -> tuple[str, ...]:
        """Answer in plain sentences."""
        from lensbench.report import effect_sentences

        return tuple(effect_sentences(self.findings))

    def to_json(self) -> str:
        """Document that `lensbench effect --json` prints: effect.json."""
        return record_json(self.findings)

    def to_pandas(self) -> "pd.DataFrame":
        """One row for every level, figure and zone: effect.csv."""
        from lensbench.report import effect_table

        return effect_table(self.findings)


def sweep(
    folders: Places,
    *,
    out: Path | str | None = None,
    shots: Path | str | None = None,
    options: MeasureOptions = _USUAL,
    tie: Tie | str = Tie.BEST,
    running: Running | None = None,
) -> SweepResult:
    """Measure folders of test shots, and find the best stop and zoom setting.

    Parameters
    ----------
    folders : path or paths
        Read, never written to.
    out : path, optional
        Folder for the report; results are kept there for a second run. Without it nothing is written.
    shots : path, optional
        A shots table (CSV), for what the metadata lack.
    options : MeasureOptions
        How each photograph is measured.
    tie : Tie
        Which of several equally good stops is named: best, widest, middle or deepest.
    running : Running, optional
        Over how many processes the work is spread; all processors by default.

    Raises
    ------
    SweepError
        No photograph can be used.
    ImageError
        A folder is not there.
    SettingError
        The report cannot be written to `out`, or the shots table cannot be used.
    """
    places, place = paths_of(folders), _report_folder(out)
    if place:
        _check(place, inputs=places)
    done = sweep_of(
        places,
        shots_csv=None if shots is None else Path(shots),
        options=options,
        cache=place and place / _KEPT,
        running=running,
        tie=Tie(tie),
    )
    written: tuple[Path, ...] = ()
    if place:
        from lensbench.report import write_sweep

        written = write_sweep(done.findings, done.shots, place)
    return SweepResult(findings=done.findings, shots=done.shots, rejected=done.rejected, written=written)


def compare(
    sweeps: Places,
    *,
    out: Path | str | None = None,
    print_height_mm: float | None = None,
    viewing_distance_mm: float | None = None,
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

    Raises
    ------
    SweepError
        A folder is not one that a sweep wrote, or there are fewer than two lenses.
    SettingError
        The report cannot be written to `out`, or one of the two lengths is missing.
    """
    looked = MeasureOptions(print_height_mm=print_height_mm, viewing_distance_mm=viewing_distance_mm)
    folders, place = paths_of(sweeps), _report_folder(out)
    if place:
        _check(place, sweeps=folders)
    findings = compare_of(folders, print_and_eye_mm=looked.print_and_eye_mm)
    written: tuple[Path, ...] = ()
    if place:
        from lensbench.report import write_compare

        written = write_compare(findings, place)
    return CompareResult(findings=findings, written=written)


def effect(
    folder: Path | str,
    *,
    by: str,
    against: str | None = None,
    out: Path | str | None = None,
    shots: Path | str | None = None,
    options: MeasureOptions = _USUAL,
    running: Running | None = None,
) -> EffectResult:
    """Measure what one change did: a filter, the stabiliser, a shutter speed, the ISO, processing.

    Parameters
    ----------
    folder : path
        Photographs of the chart; read, never written to.
    by : str
        What was changed: condition, exposure_s, iso, f_number, focal_length_mm, lens or camera.
    against : str, optional
        Level that the others are held against.
    out, shots, options, running
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
    photographs, place = Path(folder), _report_folder(out)
    if place:
        _check(place, inputs=[photographs])
    done: Effect = effect_of(
        photographs,
        by=by,
        against=against,
        shots_csv=None if shots is None else Path(shots),
        options=options,
        cache=place and place / _KEPT,
        running=running,
    )
    written: tuple[Path, ...] = ()
    if place:
        from lensbench.report import write_effect

        written = write_effect(done, place)
    return EffectResult(findings=done.findings, shots=done.shots, written=written)


def _report_folder(out: Path | str | None) -> Path | None:
    return None if out is None else Path(out)


def _check(out: Path, *, inputs: Sequence[Path] = (), sweeps: Sequence[Path] = ()) -> None:
    """Try the report's folder before anything is measured."""
    from lensbench.report import check_output_folder

    check_output_folder(out, inputs=inputs, sweeps=sweeps)
