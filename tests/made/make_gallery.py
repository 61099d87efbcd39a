"""The gallery of examples: `python tests/made/make_gallery.py` runs them and writes their pictures and the page."""

import ast
import io
import sys
import textwrap
from contextlib import redirect_stdout
from importlib import import_module
from pathlib import Path
from typing import Final

ROOT: Final = Path(__file__).resolve().parents[2]
EXAMPLES: Final = ROOT / "examples"
PAGE: Final = ROOT / "docs" / "start" / "gallery.md"
PICTURES: Final = ROOT / "docs" / "pictures" / "gallery"
NAMES: Final = (
    "which_stop",
    "which_side_is_soft",
    "how_far_may_focus_be_off",
    "what_a_filter_costs",
    "does_sharpening_resolve_more",
    "which_frame_is_sharpest",
    "how_true_is_an_edge",
)
"""In the order of the page: first what a photographer asks first."""
_HEAD: Final = """# Gallery

Short scripts in the [public Python interface](../reference/python.md), each one question with the known truth beside
the answer. They stand in the folder `examples`; a test runs every one. `python examples/which_stop.py stop.png`
answers, and draws the picture. This page was made by `python tests/made/make_gallery.py`.
"""


def question_of(name: str) -> tuple[str, str]:
    """Question of an example, and what it says of the way to its answer."""
    text = ast.get_docstring(ast.parse((EXAMPLES / f"{name}.py").read_text(encoding="utf-8"))) or ""
    question, _, about = text.partition("\n\n")
    return question, about


def answer(name: str, picture: Path) -> str:
    """What an example prints; its picture is drawn."""
    said = io.StringIO()
    with redirect_stdout(said):
        import_module(name).main(picture)
    return said.getvalue()


def main() -> None:
    """Write the page and its pictures."""
    sys.path.insert(0, str(EXAMPLES))
    parts = [_HEAD]
    for name in NAMES:
        question, about = question_of(name)
        lines = answer(name, PICTURES / f"{name}.png").splitlines()
        said = "\n".join(
            textwrap.fill(line, 76, initial_indent=" " * 4, subsequent_indent=" " * 6) for line in lines
        )
        shown = f"![Measured beside the truth: {question}](../pictures/gallery/{name}.png)"
        parts.append(f"## {question}\n\n{about}\n\n{said}\n\n{shown}\n\n`examples/{name}.py`\n")
    PAGE.write_text("\n".join(parts), encoding="utf-8")


if __name__ == "__main__":
    main()
