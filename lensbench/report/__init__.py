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
    from lensbench.report.compare import choice_lines, comparison_answer, comparison_limits
    from lensbench.report.effect import effect_sentences
    from lensbench.report.json_form import advice_as_json, edge_as_json, findings_as_json, plain, shot_as_json
    from lensbench.report.notes import note_in_words
    from lensbench.report.tables import compare_table, effect_table, shots_table
    from lensbench.report.words import borne, clean_line, sd_of, sentence_case, with_doubt
    from lensbench.report.write import (
        check_output_folder,
        json_text,
        write_compare,
        write_effect,
        write_sweep,
    )

__all__ = [
    "advice_as_json",
    "advice_sentences",
    "answer_sentences",
    "blur_sentence",
    "blur_where_it_fits",
    "borne",
    "check_output_folder",
    "choice_lines",
    "clean_line",
    "compare_table",
    "comparison_answer",
    "comparison_limits",
    "edge_as_json",
    "effect_sentences",
    "effect_table",
    "findings_as_json",
    "has_physical",
    "interval",
    "json_text",
    "most_comes_from",
    "no_answer",
    "not_of_a_lens",
    "note_in_words",
    "picture_sentences",
    "plain",
    "sd_of",
    "sentence_case",
    "shot_as_json",
    "shots_table",
    "with_doubt",
    "write_compare",
    "write_effect",
    "write_sweep",
]

_ROOMS: Final = {
    "advice": ("advice_sentences", "interval", "no_answer", "picture_sentences"),
    "answer": ("answer_sentences",),
    "blur": ("blur_sentence", "blur_where_it_fits", "has_physical", "most_comes_from", "not_of_a_lens"),
    "compare": ("choice_lines", "comparison_answer", "comparison_limits"),
    "effect": ("effect_sentences",),
    "json_form": ("advice_as_json", "edge_as_json", "findings_as_json", "plain", "shot_as_json"),
    "notes": ("note_in_words",),
    "tables": ("compare_table", "effect_table", "shots_table"),
    "words": ("borne", "clean_line", "sd_of", "sentence_case", "with_doubt"),
    "write": ("check_output_folder", "json_text", "write_compare", "write_effect", "write_sweep"),
}
_HOME: Final = {name: room for room, names in _ROOMS.items() for name in names}
"""Where each public name is at home."""


def __getattr__(name: str) -> Any:
    if name not in _HOME:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    return getattr(import_module(f"{__name__}.{_HOME[name]}"), name)
