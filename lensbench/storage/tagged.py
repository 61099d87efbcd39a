"""A canvas that keeps what its marks are: headings, paragraphs, tables, figures, in reading order (ISO 32000-1, 14.7).

So that a screen reader meets a table as a table, and a plot by its words.
"""

from collections.abc import Hashable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from typing import Any, Final

from reportlab.pdfbase.pdfdoc import PDFArray, PDFDictionary, PDFName, PDFPage, PDFString
from reportlab.pdfgen.canvas import Canvas

Structure = tuple[tuple[str, Hashable], ...]
"""Path to an element from the document's: kind (P, H1, Table, TR, TD, Figure ...) and key of each step."""
_OF_PAGES: Final = [*PDFPage.__NoDefault__, "StructParents", "Tabs"]
"""What is written of a page; the library alone writes no more than the first of it."""


def element(kind: str) -> Structure:
    """A new element of the document's own."""
    return ((kind, object()),)


@dataclass(slots=True, eq=False)
class _Element:
    """One element of the structure, and what lies in it."""

    kind: str
    alt: str = ""
    kids: list["_Element"] = field(default_factory=list)
    marks: list[tuple[Any, int]] = field(default_factory=list)
    """Reference of the page and number on it, of each stretch of marked content."""
    reference: Any = None


class TaggedCanvas(Canvas):  # type: ignore[misc]  # of a library without types
    """Canvas whose file is a tagged PDF."""

    def __init__(self, *args: Any, **how: Any) -> None:
        self._root = _Element("Document")
        self._elements: dict[Structure, _Element] = {(): self._root}
        self._marked: list[list[_Element]] = [[]]
        """Element of each mark, page by page."""
        super().__init__(*args, **how)

    @contextmanager
    def tagged(self, structure: Structure, *, alt: str = "") -> Iterator[None]:
        """Draw a part of an element, the head of a table that goes on over a page excepted: that was read before."""
        kind, _ = structure[-1]
        if kind == "TH" and structure in self._elements:
            with self.artifact():
                yield
            return
        drawn = self._element(structure)
        drawn.alt = alt
        drawn.marks.append((self._doc.thisPageRef(), len(self._marked[-1])))
        self.addLiteral(f"/{kind} <</MCID {len(self._marked[-1])}>> BDC")
        self._marked[-1].append(drawn)
        yield
        self.addLiteral("EMC")

    @contextmanager
    def artifact(self) -> Iterator[None]:
        """Draw what is no content: rules, page numbers."""
        self.addLiteral("/Artifact BMC")
        yield
        self.addLiteral("EMC")

    def showPage(self) -> None:  # noqa: N802  the library's name
        """End a page."""
        super().showPage()
        page = self._doc.Pages.pages[-1]
        page.__NoDefault__, page.StructParents, page.Tabs = _OF_PAGES, len(self._marked) - 1, PDFName("S")
        self._marked.append([])

    def save(self) -> None:
        """End the last page and write the file, its structure included."""
        if self._code:
            self.showPage()
        catalog, root = self._doc.Catalog, PDFDictionary({"Type": PDFName("StructTreeRoot")})
        root["K"] = self._written(self._root, self._doc.Reference(root))
        pages = enumerate([drawn.reference for drawn in marked] for marked in self._marked)
        root["ParentTree"] = PDFDictionary(
            {"Nums": PDFArray([item for number, marked in pages for item in (number, PDFArray(marked))])}
        )
        catalog.StructTreeRoot, catalog.MarkInfo = root, PDFDictionary({"Marked": "true"})
        self._doc.ensureMinPdfVersion("transparency")  # 1.4, as for tags
        super().save()

    def _element(self, structure: Structure) -> _Element:
        if structure not in self._elements:
            made = _Element(structure[-1][0])
            self._element(structure[:-1]).kids.append(made)
            self._elements[structure] = made
        return self._elements[structure]

    def _written(self, own: _Element, parent: Any) -> Any:
        """Reference of an element's entry in the file."""
        entry = PDFDictionary({"S": PDFName(own.kind), "P": parent})
        own.reference = self._doc.Reference(entry)
        inner: Any = [self._written(kid, own.reference) for kid in own.kids]
        for page, number in own.marks:
            inner.append(PDFDictionary({"Type": PDFName("MCR"), "Pg": page, "MCID": number}))
        if len(own.marks) == len(inner) == 1:
            entry["Pg"], inner = own.marks[0]
        entry["K"] = PDFArray(inner) if isinstance(inner, list) else inner
        if own.alt:
            entry["Alt"] = PDFString(own.alt)
        if own.kind == "TH":
            entry["A"] = PDFDictionary({"O": PDFName("Table"), "Scope": PDFName("Column")})
        return own.reference
