"""The one place that writes reports: every file whole or not at all, and over none but an earlier report's own.

What stands there is complete, and an older report stays when the new one fails. This holds file by file.
"""

from collections.abc import Callable, Mapping, Sequence
from functools import partial
from itertools import chain
from pathlib import Path
from typing import Final

from lensbench.model.compare import CompareFindings, Effect
from lensbench.model.errors import SettingError
from lensbench.model.measured import SweepLens
from lensbench.model.sweep import KeptShots, SweepFindings, SweepShot
from lensbench.model.units import Paper
from lensbench.report.draw import Drawing
from lensbench.report.draw.beside import drawn_beside
from lensbench.report.out.json_form import comparison_as_json, effect_as_json, findings_as_json, json_text
from lensbench.report.out.tables import as_csv, compare_table, edges_table, effect_table, shots_table
from lensbench.report.page.card import PocketCard, lens_pocket_card
from lensbench.report.page.compare import compare_report
from lensbench.report.page.document import Report
from lensbench.report.page.effect import effect_report
from lensbench.report.page.sweep import sweep_report
from lensbench.report.text.words import shots_at
from lensbench.storage.cache import ResultCache
from lensbench.storage.files import Listing, check_kind, probe_folder, within, write_whole, writing
from lensbench.storage.made import MadeCache
from lensbench.storage.store import SHOTS_FILE, SWEEP_FILE, shots_document, sweep_document
from lensbench.sweep import measured_lenses

_PLOTS: Final = "plots"
"""Plots of an earlier run that the new one does not make again would lie; they go, where they are ours."""
_KEPT: Final = "measured"
_STUDIES: Final = {
    "sweep": ("edges.csv", "shots.csv", "card.pdf", "findings.json", SHOTS_FILE, SWEEP_FILE),
    "comparison": ("comparison.csv", "comparison.json"),
    "effect": ("shots.csv", "effect.csv", "effect.json"),
}
"""Study -> the files of its own beside its report; the last is there where its report is."""
_FILES: Final = (
    "report.html",
    "report.pdf",
    *dict.fromkeys(name for own in _STUDIES.values() for name in own),
)

_Records = Callable[[], Mapping[str, bytes]]
"""Makes the tables and documents beside a report: names of files with their content."""


def write_sweep(
    findings: SweepFindings, shots: Sequence[SweepShot], out: Path, *, paper: Paper = "A4"
) -> tuple[Path, ...]:
    """Write everything that a sweep leaves behind; the files written, `report.html` last: where it stands, all do.

    `shots` holds every photograph, the rejected ones included. `paper` is that of `report.pdf` and `card.pdf`.

    Raises
    ------
    SettingError
        The folder holds the photographs, or cannot be written.
    """
    check_output_folder(out, study="sweep", inputs=tuple(shot.planned.path.parent for shot in shots))
    own = {shot.planned.path for shot in shots}
    missing = tuple(rejected for rejected in findings.unplaced if rejected.path not in own)
    kept = KeptShots(
        shots=tuple(shots),
        method=findings.method,
        tie=findings.tie,
        command=findings.command,
        missing=missing,
    )
    drawn = [shots_at(lens, lens.best, shots)[:1] for lens in findings.lenses if lens.best]

    def keep() -> dict[str, bytes]:
        return {
            SHOTS_FILE: shots_document(kept, curves_of=list(chain.from_iterable(drawn))),
            SWEEP_FILE: sweep_document(measured_lenses(findings, shots)),
        }

    return _write_sweep_report(findings, shots, out, paper, keep)


def rewrite_sweep(
    findings: SweepFindings, shots: Sequence[SweepShot], out: Path, *, paper: Paper = "A4"
) -> tuple[Path, ...]:
    """Write the report of a sweep anew into its folder, from what `read_shots` gives; that itself stays as it is.

    The folder has passed `check_output_folder`.
    """
    return _write_sweep_report(findings, shots, out, paper, dict)


def _write_sweep_report(
    findings: SweepFindings, shots: Sequence[SweepShot], out: Path, paper: Paper, keep: _Records
) -> tuple[Path, ...]:
    made = MadeCache(folder=out / _KEPT)
    cards = tuple(lens_pocket_card(lens) for lens in findings.lenses)

    def records() -> dict[str, bytes]:
        return {
            "edges.csv": as_csv(edges_table(shots)),
            "shots.csv": as_csv(shots_table(shots)),
            "findings.json": json_text(findings_as_json(findings)),
            **keep(),
            "card.pdf": made.get_or_make("cards", (cards, paper), partial(_cut, cards, paper)),
        }

    return _write_report(sweep_report(findings, shots), records, out, paper, made)


def write_compare(
    comparison: CompareFindings, out: Path, lenses: Sequence[SweepLens] = (), *, paper: Paper = "A4"
) -> tuple[Path, ...]:
    """Write everything that a comparison leaves behind, `report.html` last; the `lenses` give it pixels to show.

    Raises
    ------
    SettingError
        The folder is one of the sweeps compared, or cannot be written.
    """
    compared = [Path(lens.folder) for lens in comparison.lenses if lens.folder]
    check_output_folder(out, study="comparison", sweeps=compared)
    records = {
        "comparison.csv": as_csv(compare_table(comparison)),
        "comparison.json": json_text(comparison_as_json(comparison)),
    }
    return _write_report(compare_report(comparison, lenses), lambda: records, out, paper)


def write_effect(done: Effect, out: Path, *, paper: Paper = "A4") -> tuple[Path, ...]:
    """Write everything that an effect leaves behind, `report.html` last.

    Raises
    ------
    SettingError
        The folder holds the photographs, or cannot be written.
    """
    check_output_folder(out, study="effect", inputs=tuple(shot.planned.path.parent for shot in done.shots))
    records = {
        "shots.csv": as_csv(shots_table(done.shots)),
        "effect.csv": as_csv(effect_table(done.findings)),
        "effect.json": json_text(effect_as_json(done.findings)),
    }
    return _write_report(effect_report(done.findings), lambda: records, out, paper)


def write_cards(cards: Sequence[PocketCard], file: Path, *, paper: Paper = "A4") -> Path:
    """Write pocket cards to one PDF of their own, eight to a page; the file.

    Raises
    ------
    SettingError
        The file is no PDF by its name, lies over another file than such cards, or cannot be written.
    """
    from lensbench.report.out.card_sheet import SUBJECT  # noqa: PLC0415  heavy

    what, sign = "a PDF of pocket cards as this program wrote it", f"/Subject ({SUBJECT})".encode()
    check_kind(file, suffix=".pdf", begins=b"%PDF-", sign=sign, what=what)
    with writing(file):
        write_whole(file, _cut(cards, paper))
    return file


def _write_report(
    report: Report, records: _Records, out: Path, paper: Paper, made: MadeCache | None = None
) -> tuple[Path, ...]:
    made = made or MadeCache(folder=None)
    with drawn_beside([plot for plot in report.plots if not made.holds("plot", plot)]) as drawn:
        kept = records()
        printed = made.get_or_make("pdf", (report, paper), partial(_printed, report, paper))
        # The last first: the other process begins with the first.
        packed = {
            plot.key: made.get_or_make("plot", plot, partial(drawn, plot)) for plot in reversed(report.plots)
        }
    drawings = {plot.key: Drawing.unpacked(packed[plot.key]) for plot in report.plots}
    files = {
        **{f"{_PLOTS}/{key}.png": drawing.png for key, drawing in drawings.items()},
        **kept,
        "report.pdf": printed,
        "report.html": made.get_or_make("page", report, partial(_page, report, drawings)),
    }
    written = write_files(files, out)
    made.prune()
    return written


def _printed(report: Report, paper: Paper) -> bytes:
    from lensbench.report.out.pdf import pdf_of  # noqa: PLC0415  heavy, too

    return pdf_of(report, paper=paper)


def _cut(cards: Sequence[PocketCard], paper: Paper) -> bytes:
    from lensbench.report.out.card_sheet import cards_pdf  # noqa: PLC0415

    return cards_pdf(cards, paper=paper)


def _page(report: Report, drawings: Mapping[str, Drawing]) -> bytes:
    from lensbench.report.out.html import page_of  # noqa: PLC0415

    return page_of(report, drawings).encode()


def write_files(files: Mapping[str, bytes], out: Path) -> tuple[Path, ...]:
    """Write some files under a folder, in order, and remove older plots of ours; all or a SettingError."""
    try:
        return Listing(folder=out, what="report").write(files, renewed=_PLOTS)
    except OSError as error:
        raise SettingError(
            f"the report cannot be written to {out}: {error.strerror}; name another folder with --out"
        ) from error


def check_output_folder(
    out: Path, *, study: str = "sweep", inputs: Sequence[Path] = (), sweeps: Sequence[Path] = ()
) -> None:
    """Make sure that a report can be written: not among what it is made from, nor over files of the user or of a study.

    `study` is sweep, comparison or effect, `inputs` are folders of photographs, `sweeps` those that are compared.

    Raises
    ------
    SettingError
        `out` is a file, is a folder of photographs or lies inside one, is one of the sweeps, holds another study's
        report or files of a report's names that no report left there, or cannot be written; or an input lies where the
        report's own files go, or that place is a link.
    """
    if out.exists() and not out.is_dir():
        raise SettingError(f"{out} is a file; name a folder for the report with --out")
    photographs, compared = dict.fromkeys(inputs), dict.fromkeys(sweeps)
    if around := [folder for folder in photographs if within(out, folder)]:
        raise SettingError(
            f"{out} lies in the folder of photographs {around[0]}, which is never written to; "
            "name a folder outside it with --out"
        )
    if any(within(out, folder) and within(folder, out) for folder in compared):
        raise SettingError(f"{out} is one of the sweeps compared; name another folder with --out")
    for folder in (*photographs, *compared):
        for own in (out / _PLOTS, out / _KEPT):
            if within(folder, own):
                raise SettingError(
                    f"{folder} lies in {own}, where the report's own files go; name another folder with --out"
                )
    for other, files in _STUDIES.items():
        if other != study and (out / files[-1]).is_file():
            raise SettingError(
                f"{out} holds {files[-1]}, the report of another study ({other}); name another folder with --out"
            )
    listing = Listing(folder=out, what="report")
    listing.check(_FILES)
    listing.check_subfolder(_PLOTS)
    if not compared:
        ResultCache(folder=out / _KEPT).check()
    probe_folder(out)


def check_sweep_folder(folder: Path) -> None:
    """Refuse, by a SettingError, what is no folder, and the folder of a study that keeps no measured shots."""
    if not folder.is_dir():
        raise SettingError(f"{folder} is no folder; give one that `lensbench sweep` wrote")
    if (folder / SHOTS_FILE).exists():
        return
    ways = {
        "comparison": "compare the sweeps again: nothing is measured for it",
        "effect": "run `lensbench effect` again with the same --out: results that it kept are taken from there",
    }
    for study, way in ways.items():
        if (folder / _STUDIES[study][-1]).is_file():
            raise SettingError(
                f"{folder} holds the report of another study ({study}), and `report` wants a sweep's; {way}"
            )
