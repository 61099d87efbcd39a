"""The report as one page that opens offline: its blocks in order, the answer first.

The page holds no script, loads nothing from outside, and every text in it is escaped.
"""

import base64
import hashlib
from collections.abc import Mapping
from functools import cache
from importlib.resources import files

from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup

from lensbench.report.document import Drawing, Report
from lensbench.report.panels import ACCENT, STYLES


def page_of(report: Report, drawings: Mapping[str, Drawing]) -> str:
    """Page of a report, as text to be written in UTF-8; `drawings` are its plots by their key.

    The content policy allows this page's own style sheet and nothing else.
    """
    style = _style()
    digest = base64.b64encode(hashlib.sha256(style.encode()).digest()).decode()
    policy = f"default-src 'none'; style-src 'sha256-{digest}'; base-uri 'none'; form-action 'none'"
    environment = Environment(
        loader=PackageLoader("lensbench.report", "templates"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    # Drawings are built from elements, hence already escaped.
    pictures = {key: Markup(drawing.svg) for key, drawing in drawings.items()}  # noqa: S704
    template = environment.get_template("page.html")
    return template.render(report=report, pictures=pictures, style=Markup(style), policy=policy)  # noqa: S704


@cache
def _style() -> str:
    sheet = files("lensbench.report").joinpath("templates", "style.css").read_text(encoding="utf-8")
    light = "\n".join(_line_rules(role, style.color) for role, style in STYLES.items())
    dark = "\n".join(_line_rules(role, style.color_on_dark) for role, style in STYLES.items())
    accents = [f":root {{ --accent: {color}; }}" for color in (ACCENT.color, ACCENT.color_on_dark)]
    on_dark = f"@media screen and (prefers-color-scheme: dark) {{\n{accents[1]}\n{dark}\n}}\n"
    return f"{sheet}{accents[0]}\n{light}\n{on_dark}"


def _line_rules(role: str, color: str) -> str:
    strokes = ", ".join(f".{kind}.{role}" for kind in ("curve", "bar", "whisker", "best"))
    return f"{strokes} {{ stroke: {color}; }} .mark.{role}, .dot.{role} {{ fill: {color}; }}"
