"""Reads a page as a browser would: its elements, their attributes and its text, by the standard library's parser."""

from dataclasses import dataclass, field
from html.parser import HTMLParser


@dataclass
class Page(HTMLParser):
    elements: list[tuple[str, dict[str, str]]] = field(default_factory=list)
    texts: list[str] = field(default_factory=list)
    path: list[str] = field(default_factory=list)
    style: str = ""

    def __post_init__(self):
        super().__init__()

    def handle_starttag(self, tag, attrs):
        self.elements.append((tag, {name: value or "" for name, value in attrs}))
        if tag not in {"meta", "link", "img", "br", "input"}:
            self.path.append(tag)

    def handle_startendtag(self, tag, attrs):
        self.elements.append((tag, {name: value or "" for name, value in attrs}))

    def handle_endtag(self, tag):
        assert self.path, f"</{tag}> closes nothing"
        opened = self.path.pop()
        assert opened == tag, f"</{tag}> closes <{opened}>"

    def handle_data(self, data):
        if self.path and self.path[-1] == "style":
            self.style += data
        else:
            self.texts.append(data)

    def named(self, tag):
        return [attributes for name, attributes in self.elements if name == tag]

    @property
    def text(self):
        return " ".join(" ".join(self.texts).split())


def read_page(text: str) -> Page:
    page = Page()
    page.feed(text)
    page.close()
    assert page.path == [], f"never closed: {page.path}"
    return page
