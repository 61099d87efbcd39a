"""The one registry of quality flags: what each means and what the photographer can do.

A figure never travels without its flags. Every flag that any room raises is listed in `flags.txt`, and the report,
the command line and the docs take their words from there.
"""

from dataclasses import dataclass
from enum import StrEnum
from importlib.resources import files
from typing import Final


class Severity(StrEnum):
    """How much a flag matters."""

    INFO = "info"
    WARNING = "warning"
    REJECT = "reject"


@dataclass(frozen=True, slots=True, kw_only=True)
class Flag:
    """One kind of trouble."""

    name: str
    severity: Severity
    meaning: str
    advice: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Remark:
    """One flag raised, with the figure that was seen and the limit it broke."""

    flag: str
    seen: str
    """The figure seen and the limit, in words: «SNR 12, limit 20»."""

    @property
    def severity(self) -> Severity:
        """The severity that the registry gives this flag."""
        return FLAGS[self.flag].severity

    @property
    def message(self) -> str:
        """What was seen, as one plain sentence."""
        return f"{FLAGS[self.flag].meaning} ({self.seen})" if self.seen else FLAGS[self.flag].meaning

    @property
    def advice(self) -> str:
        """What to do about it."""
        return FLAGS[self.flag].advice

    def __str__(self) -> str:
        return f"{self.flag}: {self.seen}" if self.seen else self.flag


@dataclass(frozen=True, slots=True)
class Note:
    """Something to be said: which of its kind, with figures and names; the report finds the words.

    What the values and names are stands beside each kind.
    """

    kind: StrEnum
    values: tuple[float, ...] = ()
    names: tuple[str, ...] = ()
    limit: float = float("nan")


def _registry() -> dict[str, Flag]:
    """Flags of one edge, then of one photograph or series; two lines each: name, severity, meaning; then the advice."""
    text = files("lensbench.model").joinpath("flags.txt").read_text(encoding="utf-8")
    lines = [line.strip() for line in text.splitlines()]
    flags = {}
    for head, advice in zip(lines[::2], lines[1::2], strict=True):
        name, severity, meaning = head.split(maxsplit=2)
        flags[name] = Flag(
            name=name, severity=Severity(severity.removesuffix(":")), meaning=meaning, advice=advice
        )
    return flags


FLAGS: Final = _registry()


def remark(flag: str, seen: str = "") -> Remark:
    """Raise a flag of the registry, with the figure seen and its limit; a KeyError where it holds none of that name."""
    return Remark(flag=FLAGS[flag].name, seen=seen)


def worst(remarks: tuple[Remark, ...]) -> Severity | None:
    """The gravest severity among some remarks, or None without any."""
    return max((remark.severity for remark in remarks), key=list(Severity).index, default=None)
