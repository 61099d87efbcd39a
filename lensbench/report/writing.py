"""The one place that writes reports: every file is written whole or not at all.

A file is written beside its place under a passing name, forced to the disk, and put in place in one step. So
what stands there is complete, and an older report stays when the new one fails. This holds file by file.
"""

import json
import re
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any, Final

from lensbench.errors import SettingError
from lensbench.outfiles import probe_folder, write_whole
from lensbench.report.comparing import compare_content
from lensbench.report.content import SweepContent, sweep_content
from lensbench.report.html import compare_page, sweep_page
from lensbench.report.json_form import comparison_as_json, findings_as_json
from lensbench.report.pdf import compare_pdf, sweep_pdf
from lensbench.report.plots import field_png, panel_png
from lensbench.report.tables import as_csv, compare_table, edges_table, responses_table, shots_table
from lensbench.study.compare_records import CompareFindings
from lensbench.study.findings import SweepFindings, SweepShot

__all__ = ["check_output_folder", "json_text", "write_compare", "write_files", "write_sweep", "write_whole"]

_OWN_PLOTS: Final = (
    "lens-*-stops-*.png",
    "lens-*-zoom.png",
    "lens-*-field-*.png",
    "lens-*-evidence-map.png",
    "lens-*-response.png",
    "pair-*.png",
    "effect-*.png",
)
"""Plots of an earlier run that the new one does not make again would lie; these names are ours to remove."""


_MARKS: Final = ("measured", "findings.json", "comparison.json", "effect.json")
"""By which a folder is known for one of an earlier report."""
_FILES: Final = (
    *("report.html", "report.pdf", "edges.csv", "shots.csv", "responses.csv"),
    *("comparison.csv", "effect.csv"),
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
        "responses.csv": as_csv(responses_table(shots)),
        "findings.json": json_text(findings_as_json(findings)),
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
    folders = {Path(lens.folder).resolve() for lens in comparison.lenses if lens.folder}
    if out.resolve() in folders:
        raise SettingError(f"{out} is one of the sweeps compared; name another folder with --out")
    check_output_folder(out, inputs=())
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
        The folder or a file cannot be written; what stood there before still stands.
    """
    paths = {name: out / name for name in files}
    try:
        for name, path in paths.items():
            path.parent.mkdir(parents=True, exist_ok=True)
            write_whole(path, files[name])
        _remove_older_plots(out / "plots", keep=set(paths.values()))
    except OSError as error:
        raise SettingError(
            f"the report cannot be written to {out}: {error.strerror}; name another folder with --out"
        ) from error
    return tuple(paths.values())


def check_output_folder(out: Path, *, inputs: Sequence[Path]) -> None:
    """Make sure that a report can be written, and not among the photographs it was made from or over other files.

    Raises
    ------
    SettingError
        `out` is a file, is a folder of photographs or lies inside one, holds files of a report's names that no
        report left there, or cannot be written.
    """
    if out.exists() and not out.is_dir():
        raise SettingError(f"{out} is a file; name a folder for the report with --out")
    place = out.resolve()
    for folder in dict.fromkeys(inputs):
        if place.is_relative_to(folder.resolve()):
            raise SettingError(
                f"{out} lies in the folder of photographs {folder}, which is never written to; "
                "name a folder outside it with --out"
            )
    if not any((out / name).exists() for name in _MARKS) and (
        foreign := [name for name in _FILES if (out / name).exists()]
    ):
        raise SettingError(
            f"{out} holds a {foreign[0]} that is of no earlier report and would be written over; "
            "name another folder with --out"
        )
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


def _remove_older_plots(folder: Path, *, keep: set[Path]) -> None:
    for pattern in _OWN_PLOTS:
        for path in folder.glob(pattern):
            if path not in keep:
                path.unlink()
