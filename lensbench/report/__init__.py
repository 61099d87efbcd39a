"""Results as JSON, tables, plots, HTML and PDF; nothing is computed here.

What draws and writes is heavy: each name is loaded at its first use, so that a sentence costs no plotting library.
"""

from importlib import import_module
from typing import TYPE_CHECKING, Any, Final

if TYPE_CHECKING:
    from lensbench.report.advice import advice_sentences, interval, no_answer, picture_sentences
    from lensbench.report.answer import answer_sentences
    from lensbench.report.blur import (
        blur_sentence,
        blur_where_it_fits,
        has_physical,
        most_comes_from,
        not_of_a_lens,
    )
    from lensbench.report.card import kept_pocket_card
    from lensbench.report.compare import choice_lines, comparison_answer, comparison_limits
    from lensbench.report.effect import effect_sentences
    from lensbench.report.json_form import (
        advice_as_json,
        comparison_as_json,
        edge_as_json,
        effect_as_json,
        findings_as_json,
        plain,
        shot_as_json,
    )
    from lensbench.report.tables import compare_table, effect_table, shots_table
    from lensbench.report.words import borne, clean_line, note_in_words, sd_of, sentence_case, with_doubt
    from lensbench.report.write import (
        check_output_folder,
        json_text,
        write_cards,
        write_compare,
        write_effect,
        write_sweep,
    )

_PARTS: Final = {
    "advice": "advice_sentences interval no_answer picture_sentences",
    "answer": "answer_sentences",
    "blur": "blur_sentence blur_where_it_fits has_physical most_comes_from not_of_a_lens",
    "card": "kept_pocket_card",
    "compare": "choice_lines comparison_answer comparison_limits",
    "effect": "effect_sentences",
    "json_form": "advice_as_json comparison_as_json edge_as_json effect_as_json findings_as_json plain shot_as_json",
    "tables": "compare_table effect_table shots_table",
    "words": "borne clean_line note_in_words sd_of sentence_case with_doubt",
    "write": "check_output_folder json_text write_cards write_compare write_effect write_sweep",
}
"""File -> the names that it gives to this door."""


def __getattr__(name: str) -> Any:
    for part, names in _PARTS.items():
        if name in names.split():
            return getattr(import_module(f"{__name__}.{part}"), name)
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
