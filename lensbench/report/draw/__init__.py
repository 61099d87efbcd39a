"""What a report shows: plots as data, the pens that draw them, and the one renderer."""

from dataclasses import dataclass

import msgspec

from lensbench.report.draw.field import FieldMap
from lensbench.report.draw.panels import Panel
from lensbench.report.draw.strips import Strips

Plot = Panel | FieldMap | Strips


@dataclass(frozen=True, slots=True, kw_only=True)
class Drawing:
    """One plot, drawn."""

    svg: str  # an element for the page, which tells its name and its content to those who don't see it
    narrow: str = ""  # the same for a telephone; empty where one shape serves both
    png: bytes  # a file, with the title in it

    def packed(self) -> bytes:
        """Both in one, to be kept."""
        return msgspec.msgpack.encode(self)

    @classmethod
    def unpacked(cls, content: bytes) -> "Drawing":
        """Drawing that `packed` gave."""
        return msgspec.msgpack.decode(content, type=cls)
