"""Print how truly the state of a lens is told: tilt, decentring, field curvature, focus shift, astigmatism.

Figures of whole shoots are drawn from pupils with aberrations; pictures of lenses told by their wavefronts go through
the command line into a folder that is not there yet. The whole table takes some hours on one core.
"""

import tempfile
from collections.abc import Iterator
from pathlib import Path

import pages
from condition_figures import coverage_rows, figure_tables
from condition_pictures import picture_rows

HEAD = """# How truly the state of a lens is told

`lensbench sweep` says of every lens whether tilt, decentring, field curvature, focus shift and astigmatism matter,
are within limits, or can't be told ([how to test your copy](../howto/sound.md)). Here is how often it is right; worst
rows first.

- **«Matters», false**: of so many times that it was said, how often the truth lies below the limit; **«within
  limits», false** likewise, where it lies beyond.
- **Far from the limit, told**: of the shoots whose truth lies three stated standard deviations or more beyond the
  limit, or below it, how many were told so. The others were left at «can't tell». For decentring the doubt about a
  leaning plane of focus counts as well.
- **Interval holds the truth**: of the 95 % interval that is printed.

## Figures

Shoots of figures, not of pictures: the sheet's 33 targets with two edges each, or a wall's 13 with four, at the
widest stop and at f/5.6. The true MTF50 of every edge comes from exact overlap integrals of an aberrated pupil, not
from the curves that are fitted: spherical aberration of two orders, coma, astigmatism and field curvature with the
square and the fourth power of the image height, a decentred element's coma that is alike all over, a plane of focus
that leans. The widest stop is f/2 to f/4, on pixels of 4 um. Of every kind lenses are drawn anew, with faults from
none to far beyond the limit, so many lie near it, where nothing should be claimed. A shot strays by 1.5 % as a whole,
by 1 % of each side by itself, by 1.2 % of each edge, and by 2 um in focus; where a row says so, all shots have a
focus error as well, and the camera is tilted anywhere up to that angle, else to 0.1 degrees; the tilt is told to 0.05
degrees.

"""
PICTURES = """Small raw files (a megapixel) of lenses told by their [wavefronts](../method/wavefront-lens.md), through
`lensbench simulate` and `lensbench sweep`: three refocused shots at the widest stop and f/5.6, and what the row says.
In brackets what is true, in percent of MTF50, from the same wavefronts; what is false is bold.
"""


def page(
    *, shoots: int, cases: int, lenses: int, pictures: int, stops: int, repeats: int, steps: int, seed: int
) -> Iterator[str]:
    """The page; the first `cases` of the figures and the first so many `pictures`."""
    yield from HEAD.splitlines()
    yield "### The asymmetry's interval"
    yield from ("", "The truth is the same fit to a shot without noise, tilt and focus error.", "")
    yield from pages.shown(coverage_rows(max(shoots // 2, 1), cases=cases, lenses=lenses, seed=seed + 900))
    yield ""
    yield from pages.shown(figure_tables(shoots, cases=cases, lenses=lenses, seed=seed))
    if not pictures:
        return
    yield from ("## Pictures", "", *PICTURES.splitlines(), "")
    with tempfile.TemporaryDirectory() as folder:
        yield from pages.shown(
            picture_rows(Path(folder), cases=pictures, stops=stops, repeats=repeats, steps=steps)
        )


TABLE = pages.Table(
    page=page,
    full={
        "shoots": 300,
        "cases": 99,
        "lenses": 60,
        "pictures": 99,
        "stops": 2,
        "repeats": 3,
        "steps": 7,
        "seed": 0,
    },
    tiny={"shoots": 1, "cases": 1, "lenses": 1, "pictures": 0, "stops": 1, "repeats": 1, "steps": 3},
)
