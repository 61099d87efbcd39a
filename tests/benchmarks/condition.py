"""Print how truly the state of a lens is told: decentring, field curvature, focus shift, astigmatism.

Figures of whole shoots are drawn from pupils with aberrations; pictures go through the command line into a folder
that is not there yet. The whole table takes about an hour on one core.
"""

import tempfile
from collections.abc import Iterator
from pathlib import Path

import pages
from condition_figures import bracket_rows, coverage_rows, decentring_rows
from condition_pictures import picture_rows

HEAD = """# How truly the state of a lens is told

Some rows are made by fewer shoots, as their column says.

`lensbench sweep` says of every lens whether decentring, field curvature, focus shift, astigmatism, lateral colour and
distortion matter, are within limits, or can't be told ([how to test your copy](howto-sound.md)). Here is how often it
is right.

## Figures

Shoots of figures, not of pictures: the sheet's 33 targets with two edges each. The true MTF50 of every edge comes
from exact overlap integrals of an aberrated pupil (Seidel's laws over the field; coma that is alike all over for a
decentred element), not from the curves that are fitted, for lenses with a widest stop of f/2 to f/4 on pixels of
4 um. A shot strays by 2 % as a whole, by 2 % of each side by itself, by 1.5 % of each edge, and by 3 um in focus;
the tilt is told to 0.05 degrees. «Softer by 10 %» is the mean of the edges on one side against the side opposite.

"""
PICTURES = """Small raw files (a megapixel) through `lensbench simulate` and `lensbench sweep`, 26 photographs a lens:
three refocused shots at f/2.8 and f/5.6, the same with the camera turned, and one focus bracket of seven steps at both
stops. What must matter is bold.
"""


def page(
    *, shoots: int, brackets: int, cases: int, lenses: int, stops: int, repeats: int, steps: int, seed: int
) -> Iterator[str]:
    """The page; the first `cases` of each of its tables."""
    yield from HEAD.splitlines()
    yield from ("### Decentring", "", *pages.shown(decentring_rows(shoots, cases=cases, count=lenses)), "")
    yield "The asymmetry's interval; the truth is the same fit to a shot without noise, tilt and focus error."
    yield from ("", *pages.shown(coverage_rows(max(shoots // 2, 1), cases=cases, count=min(lenses, 4))), "")
    yield from ("### Field curvature, focus shift, astigmatism, leaning plane of focus", "")
    yield from pages.shown(bracket_rows(brackets, cases=cases))
    yield from ("", "## Pictures", "", *PICTURES.splitlines(), "")
    with tempfile.TemporaryDirectory() as folder:
        yield from pages.shown(
            picture_rows(Path(folder), cases=cases, stops=stops, repeats=repeats, steps=steps)
        )


TABLE = pages.Table(
    page=page,
    full={
        "shoots": 1000,
        "brackets": 30,
        "cases": 99,
        "lenses": 10,
        "stops": 2,
        "repeats": 3,
        "steps": 7,
        "seed": 0,
    },
    tiny={"shoots": 2, "brackets": 1, "cases": 1, "lenses": 1, "stops": 1, "repeats": 1, "steps": 3},
)
