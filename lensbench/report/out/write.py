"""The one place that writes reports: every file whole or not at all, and over none but an earlier report's own.

What stands there is complete, and an older report stays when the new one fails. This holds file by file.

The files of an effect: page, PDF, tables and JSON.
"""

import json
import re
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any, Final

import pandas as pd
from reportlab.platypus import Flowable, KeepTogether, Spacer

from lensbench.model.compare import CompareFindings
from lensbench.model.effect import Effect, EffectFindings
from lensbench.model.errors import SettingError
from lensbench.model.sweep import SweepFindings, SweepShot
from lensbench.report.draw.plots import field_png, panel_png
from lensbench.report.out.compare import compare_content
from lensbench.report.out.content import SweepContent, sweep_content
from lensbench.report.out.effect import EffectContent, effect_content
from lensbench.report.out.html import compare_page, draw_panels, render, sweep_page
from lensbench.report.out.json_form import comparison_as_json, findings_as_json, plain
from lensbench.report.out.pdf import build_pdf, compare_pdf, grid_story, plots_story, sweep_pdf, text
from lensbench.report.out.tables import (
    as_csv,
    compare_table,
    edges_table,
    shots_table,
    spreadsheet_text,
)
from lensbench.report.text.glossary import GLOSSARY
from lensbench.storage.cache import Shelf
from lensbench.storage.files import Listing, probe_folder, within
from lensbench.storage.store import SWEEP_FILE, sweep_document
from lensbench.sweep import measured_lenses

__all__ = ["check_output_folder", "json_text", "write_compare", "write_effect", "write_files", "write_sweep"]


_PLOTS: Final = "plots"
"""Plots of an earlier run that the new one does not make again would lie; they go, where they are ours."""
_KEPT: Final = "measured"
_FILES: Final = (
    *("report.html", "report.pdf", "edges.csv", "shots.csv", "findings.json", SWEEP_FILE),
    *("comparison.csv", "comparison.json", "effect.csv", "effect.json"),
)


def write_sweep(findings: SweepFindings, shots: Sequence[SweepShot], out: Path) -> tuple[Path, ...]:
    """Write everything that a sweep leaves behind.

    Parameters
    ----------
    findings : SweepFindings
        What was found.
    shots : sequence of SweepShot
        Every photograph, the rejected ones included.
    out : Path
        The folder, made when it is not there; never one that holds the photographs.

    Returns
    -------
    tuple of Path
        The files written; `report.html` is the last, so where it stands the rest stands too.

    Raises
    ------
    SettingError
        The folder holds the photographs, or cannot be written.
    """
    check_output_folder(out, inputs=tuple(shot.planned.path.parent for shot in shots))
    content = sweep_content(findings, shots)
    plots = _sweep_plots(content)
    files = {
        **{f"plots/{key}.png": picture for key, picture in plots.items()},
        "edges.csv": as_csv(edges_table(shots)),
        "shots.csv": as_csv(shots_table(shots)),
        "findings.json": json_text(findings_as_json(findings)),
        SWEEP_FILE: sweep_document(measured_lenses(findings, shots)),
        "report.pdf": sweep_pdf(content, plots),
        "report.html": sweep_page(content).encode(),
    }
    return write_files(files, out)


def write_compare(comparison: CompareFindings, out: Path) -> tuple[Path, ...]:
    """Write everything that a comparison leaves behind, `report.html` last.

    Raises
    ------
    SettingError
        The folder is one of the sweeps compared, or cannot be written.
    """
    check_output_folder(out, sweeps=[Path(lens.folder) for lens in comparison.lenses if lens.folder])
    content = compare_content(comparison)
    plots = {panel.key: panel_png(panel) for pair in content.pairs for panel in pair.panels}
    files = {
        **{f"plots/{key}.png": picture for key, picture in plots.items()},
        "comparison.csv": as_csv(compare_table(comparison)),
        "comparison.json": json_text(comparison_as_json(comparison)),
        "report.pdf": compare_pdf(content, plots),
        "report.html": compare_page(content).encode(),
    }
    return write_files(files, out)


def write_files(files: Mapping[str, bytes], out: Path) -> tuple[Path, ...]:
    """Write some files under a folder, in order, and remove older plots of ours that are not among them.

    Raises
    ------
    SettingError
        The folder or a file cannot be written, or something of the user's would be written over; what stood there
        before still stands.
    """
    try:
        return Listing(folder=out, what="report").write(files, renewed=_PLOTS)
    except OSError as error:
        raise SettingError(
            f"the report cannot be written to {out}: {error.strerror}; name another folder with --out"
        ) from error


def check_output_folder(out: Path, *, inputs: Sequence[Path] = (), sweeps: Sequence[Path] = ()) -> None:
    """Make sure that a report can be written, neither among what it is made from nor over the user's files.

    Parameters
    ----------
    out : Path
        Folder of the report.
    inputs : sequence of Path
        Folders of photographs.
    sweeps : sequence of Path
        Folders of sweeps that are compared.

    Raises
    ------
    SettingError
        `out` is a file, is a folder of photographs or lies inside one, is one of the sweeps, holds files of a
        report's names that no report left there, or cannot be written; or an input lies where the report's own
        files go, or that place is a link.
    """
    if out.exists() and not out.is_dir():
        raise SettingError(f"{out} is a file; name a folder for the report with --out")
    photographs, compared = dict.fromkeys(inputs), dict.fromkeys(sweeps)
    for folder in photographs:
        if within(out, folder):
            raise SettingError(
                f"{out} lies in the folder of photographs {folder}, which is never written to; "
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
    listing = Listing(folder=out, what="report")
    listing.check(_FILES)
    listing.check_subfolder(_PLOTS)
    if not compared:
        Shelf(folder=out / _KEPT).check()
    probe_folder(out)


def json_text(form: Mapping[str, Any]) -> bytes:
    """Give a JSON document, with the text as it is and no NaN; signs that a terminal would obey are escaped."""
    text = json.dumps(form, allow_nan=False, ensure_ascii=False, indent=1)
    return (_HIDDEN.sub(_escaped, text) + "\n").encode()


_HIDDEN: Final = re.compile(r"[\x7f-\x9f\u061c\u200b-\u200f\u2028-\u202e\u2060-\u206f\ud800-\udfff\ufeff]")
"""What JSON leaves as it is, and is not seen: C1 controls, direction marks, half surrogates."""


def _escaped(found: re.Match[str]) -> str:
    return f"\\u{ord(found[0]):04x}"


def _sweep_plots(content: SweepContent) -> dict[str, bytes]:
    plots: dict[str, bytes] = {}
    for lens in content.lenses:
        plots |= {panel.key: panel_png(panel) for panel in lens.panels}
        maps = [*lens.fields, *([lens.evidence.map] if lens.evidence and lens.evidence.map else [])]
        plots |= {field.key: field_png(field) for field in maps}
    return plots


_GAP_PT = 6.0


def write_effect(done: Effect, out: Path) -> tuple[Path, ...]:
    """Write everything that an effect leaves behind, `report.html` last.

    Raises
    ------
    SettingError
        The folder holds the photographs, or cannot be written.
    """
    check_output_folder(out, inputs=tuple(shot.planned.path.parent for shot in done.shots))
    content = effect_content(done.findings)
    plots = {panel.key: panel_png(panel) for panel in content.panels}
    files = {
        **{f"plots/{key}.png": picture for key, picture in plots.items()},
        "shots.csv": as_csv(shots_table(done.shots)),
        "effect.csv": as_csv(effect_table(done.findings)),
        "effect.json": json_text(plain(done.findings)),
        "report.pdf": effect_pdf(content, plots),
        "report.html": effect_page(content).encode(),
    }
    return write_files(files, out)


def effect_table(findings: EffectFindings) -> pd.DataFrame:
    """Give one row for every level, figure and zone."""
    return pd.DataFrame(
        [
            {
                "level": spreadsheet_text(row.level),
                "reference": spreadsheet_text(findings.reference),
                "figure": row.figure,
                "zone": row.zone,
                "unit": row.unit,
                "difference": row.difference,
                "ci95_low": row.ci95[0],
                "ci95_high": row.ci95[1],
                "visible_from": row.visible_from,
                "verdict": row.verdict,
            }
            for row in findings.rows
        ]
    )


def effect_page(content: EffectContent) -> str:
    """Give the page of an effect, as text to be written in UTF-8."""
    return render(
        "effect.html",
        title=content.title,
        version=content.version,
        content=content,
        drawings=draw_panels(content.panels),
        glossary=GLOSSARY,
    )


def effect_pdf(content: EffectContent, plots: dict[str, bytes]) -> bytes:
    """Give the PDF of an effect; `plots` are PNG files by the key of their panel."""
    first, *rest = content.answer
    story: list[Flowable] = [text(first, "answer"), *(text(sentence, "lead") for sentence in rest)]
    story += grid_story(content.levels.caption, content.levels)
    story += [Spacer(0, _GAP_PT), *plots_story(content.panels, plots)]
    story += grid_story(content.differences.caption, content.differences)
    story += grid_story("Photographs that were not used", content.rejected)
    method = [
        text(f"{number}. {sentence}", "body") for number, sentence in enumerate(content.method, start=1)
    ]
    story.append(KeepTogether([text("Method and limits", "section"), *method]))
    return build_pdf(story, title=content.title)
