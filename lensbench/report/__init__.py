"""Results as JSON, tables, plots, HTML and PDF; nothing is computed here.

What draws and writes is heavy: each name is loaded at its first use, so that a sentence costs no plotting library.
"""

from importlib import import_module
from typing import TYPE_CHECKING, Any, Final

if TYPE_CHECKING:
    from lensbench.report.draw.beside import drawer_early
    from lensbench.report.out.json_form import (
        advice_as_json,
        comparison_as_json,
        edge_as_json,
        effect_as_json,
        findings_as_json,
        headed,
        plain,
        ranking_as_json,
        shot_as_json,
    )
    from lensbench.report.out.tables import compare_table, effect_table, shots_table
    from lensbench.report.out.write import (
        check_output_folder,
        check_sweep_folder,
        json_text,
        rewrite_sweep,
        write_cards,
        write_compare,
        write_effect,
        write_sweep,
    )
    from lensbench.report.page.card import kept_pocket_card
    from lensbench.report.text.advice import advice_sentences, interval, no_answer, picture_sentences
    from lensbench.report.text.answer import answer_sentences, short_answer
    from lensbench.report.text.blur import (
        blur_sentences,
        blur_where_it_fits,
        has_physical,
        most_comes_from,
        not_of_a_lens,
    )
    from lensbench.report.text.compare import choice_lines, comparison_answer, comparison_limits
    from lensbench.report.text.effect import effect_sentences
    from lensbench.report.text.words import borne, clean_line, note_in_words, sd_of, sentence_case, with_doubt

_PARTS: Final = {
    "text.advice": "advice_sentences interval no_answer picture_sentences",
    "text.answer": "answer_sentences short_answer",
    "text.blur": "blur_sentences blur_where_it_fits has_physical most_comes_from not_of_a_lens",
    "page.card": "kept_pocket_card",
    "text.compare": "choice_lines comparison_answer comparison_limits",
    "text.effect": "effect_sentences",
    "draw.beside": "drawer_early",
    "out.json_form": "advice_as_json comparison_as_json edge_as_json effect_as_json findings_as_json headed plain "
    "ranking_as_json shot_as_json",
    "out.tables": "compare_table effect_table shots_table",
    "text.words": "borne clean_line note_in_words sd_of sentence_case with_doubt",
    "out.write": "check_output_folder check_sweep_folder json_text rewrite_sweep write_cards write_compare "
    "write_effect write_sweep",
}
"""File -> the names that it gives to this door."""


def __getattr__(name: str) -> Any:
    for part, names in _PARTS.items():
        if name in names.split():
            return getattr(import_module(f"{__name__}.{part}"), name)
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")


def load_writers() -> None:
    """Load what draws and writes, for whoever has nothing else to do just now."""
    for part in ("draw.render", "out.pdf", "out.card_sheet", "out.html"):
        import_module(f"{__name__}.{part}")
