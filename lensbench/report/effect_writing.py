"""The files of an effect: page, PDF, tables and JSON."""

from pathlib import Path

import pandas as pd
from reportlab.platypus import Flowable, KeepTogether, Spacer

from lensbench.report.clean import spreadsheet_text
from lensbench.report.effect_content import EffectContent, effect_content, effect_sentences
from lensbench.report.glossary import GLOSSARY
from lensbench.report.html import draw_panels, render
from lensbench.report.json_form import plain
from lensbench.report.pdf import build_pdf, grid_story, plots_story, text
from lensbench.report.plots import panel_png
from lensbench.report.tables import as_csv, shots_table
from lensbench.report.writing import check_output_folder, json_text, write_files
from lensbench.study.effect_records import Effect, EffectFindings

__all__ = ["effect_page", "effect_pdf", "effect_sentences", "effect_table", "write_effect"]

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
