"""Numbers as people write them, on the command line, in tables and in descriptions.

A figure may bear its unit (`45 cm`, `1/60 s`, `4 µm`) or its mark (`f/2.8`, `ISO 400`), and a comma may be its decimal
sign. What could be read in two ways is refused, and every refusal shows the right form.
"""

import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from math import inf
from typing import Final

from lensbench.model.errors import SettingError

_NUMBER: Final = r"[-+]?(?:\d+(?:[.,]\d*)?|[.,]\d+)(?:e[-+]?\d+)?"
_TWO_WAYS: Final = re.compile(r"([-+]?[1-9]\d{0,2}),(\d{3})")  # decimal comma, or between thousands
_STOP_OR_TWO: Final = re.compile(r"(?<!\d)(?:1,\d|2,[258]|3,[25]|4,5|5,6|6,3|7,1)(?![\d.])")
"""A third of a stop with a decimal comma, or two stops."""
_ENDLESS: Final = frozenset({"inf", "infinity", "infinite", "∞"})
_METRE: Final = {
    "mm": 1e-3, "cm": 1e-2, "metres": 1.0, "meters": 1.0, "m": 1.0, "feet": 0.3048, "ft": 0.3048, "'": 0.3048,
    "inches": 0.0254, "inch": 0.0254, "in": 0.0254, '"': 0.0254,
}  # fmt: skip
"""Units of length; foot and inch by the international yard of 1959. [m]"""
_SECOND: Final = {
    "seconds": 1.0, "second": 1.0, "secs": 1.0, "sec": 1.0, "s": 1.0, '"': 1.0, "ms": 1e-3, "min": 60.0
}  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class Written:
    """How one kind of figure is written."""

    example: str
    units: Mapping[str, float] = field(default_factory=dict)
    """What may stand behind the figure, in lower case -> its factor."""
    range_example: str = ""
    before: str = ""
    """Regular expression of what may stand before it."""
    fraction: bool = False
    """Whether 1/60 is one."""


def _scaled(units: Mapping[str, float], unit: str) -> dict[str, float]:
    return {name: factor / units[unit] for name, factor in units.items()}


KINDS: Final = {
    "": Written(example="2.5", units={"%": 1.0}),
    "f-number": Written(example="2.8", range_example="3.5-5.6", before=r"(?:[fƒ]\s*[/=:]?|1\s*:)"),
    "mm": Written(example="50", range_example="24-70", units=_scaled(_METRE, "mm")),
    "m": Written(example="2.5", units=_scaled(_METRE, "m")),
    "um": Written(
        example="4.3", units=dict.fromkeys(("um", "µm", "μm", "micrometres", "microns"), 1.0) | {"mm": 1e3}
    ),
    "s": Written(example="1/60", units=_SECOND, fraction=True),
    "dpi": Written(example="600", units={"dpi": 1.0, "ppi": 1.0}),
    "degrees": Written(example="1.5", units=dict.fromkeys(("degrees", "deg", "°"), 1.0)),
    "EV": Written(example="12", units={"ev": 1.0}, before=r"(?:ev|lv)"),
    "ISO": Written(example="400", before=r"iso"),
    "ratio": Written(example="4", units={":1": 1.0, ": 1": 1.0, "to 1": 1.0}),
    "focal lengths": Written(
        example="50", units=dict.fromkeys(("focal lengths", "x", "f"), 1.0), before=r"x?"
    ),
    "lp/mm": Written(example="40", units={"lp/mm": 1.0, "lpmm": 1.0}),
}
"""Kind of figure -> how it is written. The unit asked for is the kind's name, or none."""


def read_number(text: str, kind: str = "", *, whole: bool = False, endless: bool = False) -> float:
    """Figure that a text holds, in the unit of its kind, one of `KINDS`; `whole` where it counts something.

    A SettingError, with the form to write, where it is no figure of this kind, one that can be read in two ways, or a
    range; and for infinity unless `endless`.

    >>> read_number("f/2,8", "f-number"), read_number("45 cm", "m"), read_number("1/50s", "s")
    (2.8, 0.45, 0.02)
    """
    written = KINDS[kind]
    example = "3" if whole and not kind else written.example
    clean = _clean(text)
    if clean in _ENDLESS and endless:
        return inf
    if len(_range_ends(clean, written)) == 2:
        raise SettingError(f"«{text}» is a range: write one number, such as {example}")
    value = _value(clean, written, text)
    if value is None or abs(value) == inf:
        raise SettingError(f"«{text}» is not a number: write {example}")
    if whole and value != int(value):
        raise SettingError(f"«{text}» is not a whole number: write {value:.0f}")
    return value


def read_range(text: str, kind: str) -> tuple[float, float]:
    """Both ends of a range, ascending or as written; one figure is both ends. Errors as of `read_number`.

    >>> read_range("24-70mm", "mm"), read_range("f/3.5-5.6", "f-number"), read_range("50", "mm")
    ((24.0, 70.0), (3.5, 5.6), (50.0, 50.0))
    """
    written = KINDS[kind]
    ends = _range_ends(_clean(text), written)
    if not ends and _value(_clean(text), written, text) is None:
        raise SettingError(
            f"«{text}» is neither a number nor a range: write {written.example}, or {written.range_example}"
        )
    first, last = (read_number(end, kind) for end in ends or (text, text))
    return first, last


def read_numbers(text: str, kind: str = "") -> list[float]:
    """Figures of a list: a comma between them; with semicolons or spaces, a comma is a decimal sign.

    A list without any point that goes up and down, or in which two figures can be one f-number (2,8), is taken to have
    decimal commas, and refused.

    >>> read_numbers("f/2.8,f/4", "f-number"), read_numbers("2,8; 4; 5,6", "f-number")
    ([2.8, 4.0], [2.8, 4.0, 5.6])
    """
    mark = ";" if ";" in text else " " if re.search(r"\d\s+[fF]?[/\d]", text) else ","
    figures = [read_number(part, kind) for part in text.split(mark) if part.strip()]
    ordered = sorted(figures)
    zigzag = len(figures) > 2 and figures not in (ordered, ordered[::-1])
    pair = _STOP_OR_TWO.search(text) if kind == "f-number" else None
    if mark == "," and "." not in text and (zigzag or pair):
        apart = (
            f"{pair[0].replace(',', '.')}, or f/{pair[0].replace(',', ',f/')}" if pair else "decimal points"
        )
        raise SettingError(f"«{text}» can be read in two ways: write {apart}")
    return figures


def _clean(text: str) -> str:
    return " ".join(text.lower().replace("−", "-").replace("′", "'").replace("″", '"').split())


def _range_ends(clean: str, written: Written) -> tuple[str, ...]:
    """The two texts of a range, each with its unit; empty where it is none."""
    head, unit = rf"(?:{written.before})?\s*" if written.before else "", _unit(written)
    figure = _NUMBER.removeprefix("[-+]?")
    found = re.fullmatch(rf"({head}{figure})\s*({unit}?)\s*(?:-|–|to)\s*({head}{figure})\s*({unit}?)", clean)
    return (found[1] + (found[2] or found[4]), found[3] + found[4]) if found else ()


def _unit(written: Written) -> str:
    longest = sorted(written.units, key=len, reverse=True)
    return f"(?:{'|'.join(map(re.escape, longest))})" if longest else "(?:)"


def _value(clean: str, written: Written, text: str) -> float | None:
    """Value of a cleaned text in the kind's unit; None where it is no figure."""
    head = rf"(?:{written.before})?\s*" if written.before else ""
    over = r"(?:\s*/\s*(\d+(?:[.,]\d+)?))?" if written.fraction else "()"
    found = re.fullmatch(rf"{head}({_NUMBER}){over}\s*({_unit(written)}?)", clean)
    if found is None:
        return None
    if two := _TWO_WAYS.fullmatch(found[1]):
        whole, part = "".join(two.groups()), float(".".join(two.groups()))
        raise SettingError(f"«{text}» can be read in two ways: write {whole} or {part:g}")
    under = float(found[2].replace(",", ".")) if found[2] else 1.0
    if under == 0.0:
        return None
    return float(found[1].replace(",", ".")) / under * written.units.get(found[3], 1.0)
