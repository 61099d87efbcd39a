"""The report as one page that opens offline: no script, nothing loaded from outside, every text escaped."""

import base64
import hashlib
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from typing import Any

from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup

from lensbench.report.draw.field import FieldMap
from lensbench.report.draw.panels import STYLES, Grid, Panel
from lensbench.report.draw.render import as_svg
from lensbench.report.out.compare import CompareContent, PairContent
from lensbench.report.out.content import LensContent, SweepContent
from lensbench.report.text.glossary import GLOSSARY

__all__ = ["compare_page", "sweep_page"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Drawing:
    """A plot as the page shows it."""

    key: str
    title: str
    about: str
    svg: Markup
    """Built from elements, hence already escaped."""
    grid: Grid


@dataclass(frozen=True, slots=True, kw_only=True)
class LensPart:
    """One lens as the page shows it."""

    content: LensContent
    headline: str
    rest: tuple[str, ...]
    drawings: tuple[Drawing, ...]
    evidence_map: Drawing | None


@dataclass(frozen=True, slots=True, kw_only=True)
class PairPart:
    """Two lenses as the page shows them."""

    content: PairContent
    drawings: tuple[Drawing, ...]


def sweep_page(content: SweepContent) -> str:
    """Give the page of a sweep, as text to be written in UTF-8."""
    lenses = tuple(_lens_part(lens) for lens in content.lenses)
    title = lenses[0].content.title if len(lenses) == 1 else f"{len(lenses)} lenses"
    return render(
        "sweep.html",
        title=f"{title}: sharpness",
        version=content.version,
        lenses=lenses,
        unplaced=content.unplaced,
        glossary=GLOSSARY,
    )


def compare_page(content: CompareContent) -> str:
    """Give the page of a comparison, as text to be written in UTF-8."""
    pairs = tuple(PairPart(content=pair, drawings=draw_plots(pair.panels)) for pair in content.pairs)
    return render(
        "compare.html",
        title="Lenses compared",
        version=content.version,
        content=content,
        pairs=pairs,
        glossary=GLOSSARY,
    )


def render(template: str, **parts: Any) -> str:
    """Fill a template; the content policy allows this page's own style sheet and nothing else."""
    style = _style()
    digest = base64.b64encode(hashlib.sha256(style.encode()).digest()).decode()
    policy = f"default-src 'none'; style-src 'sha256-{digest}'; base-uri 'none'; form-action 'none'"
    return _environment().get_template(template).render(style=Markup(style), policy=policy, **parts)  # noqa: S704


def draw_plots(plots: Sequence[Panel | FieldMap]) -> tuple[Drawing, ...]:
    """Drawings of the page, one for each plot."""
    return tuple(
        Drawing(key=plot.key, title=plot.title, about=plot.about, svg=Markup(as_svg(plot)), grid=plot.grid)  # noqa: S704
        for plot in plots
    )


def _lens_part(lens: LensContent) -> LensPart:
    return LensPart(
        content=lens,
        headline=lens.answer[0],
        rest=lens.answer[1:],
        drawings=draw_plots((*lens.panels, *lens.fields)),
        evidence_map=draw_plots((lens.evidence.map,))[0] if lens.evidence and lens.evidence.map else None,
    )


@cache
def _environment() -> Environment:
    loader = PackageLoader("lensbench.report", "templates")
    return Environment(
        loader=loader, autoescape=True, undefined=StrictUndefined, trim_blocks=True, lstrip_blocks=True
    )


@cache
def _style() -> str:
    sheet = files("lensbench.report").joinpath("templates", "style.css").read_text(encoding="utf-8")
    light = "\n".join(_line_rules(role, style.color) for role, style in STYLES.items())
    dark = "\n".join(_line_rules(role, style.color_on_dark) for role, style in STYLES.items())
    return f"{sheet}{light}\n@media screen and (prefers-color-scheme: dark) {{\n{dark}\n}}\n"


def _line_rules(role: str, color: str) -> str:
    strokes = ", ".join(f".{kind}.{role}" for kind in ("curve", "bar", "whisker"))
    return f"{strokes} {{ stroke: {color}; }} .mark.{role} {{ fill: {color}; }}"
