"""Print how truly the state of a lens is told: tilt, decentring, field curvature, focus shift, astigmatism.

Figures of whole shoots are drawn from pupils with aberrations; pictures of lenses told by their wavefronts are
rendered, kept, and swept by the command line. The whole table takes some hours on one core.
"""

from collections.abc import Iterator

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
PICTURES = """Raw files of 2000 x 3000 px of 4 um through lenses told by their
[wavefronts](../method/wavefront-lens.md), swept: a sheet A4 that fills the frame, focused anew for each shot with a
scatter of 3 um, the camera tilted by 0.1 and 0.2 degrees or as the row says (1.6 degrees shift the focus in the corner
of this small sensor by as much as half a degree on one of 36 mm before a sheet A1). Borage and clover are lenses that
come with the program, in five of their wavelengths; «leaning» is borage with the plane of focus tilted, the figure that
of the corner; the others are made of single terms. Sensors without colour filters, but for one.

In brackets stands what is true, from the same wavefronts, in percent of MTF50 (lateral colour in px); what is false is
bold. «Intervals hold»: those of every setting's asymmetry and of the distances from brackets. «Zones hold»: figures of
zone and stop within 1 % of what was rendered, or whose interval holds it. «False of stops»: stops called as good that
are more than 3 % softer, and a best stop left out.
"""


def page(*, shoots: int, cases: int, lenses: int, pictures: int, steps: int, seed: int) -> Iterator[str]:
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
    yield from picture_rows(cases=pictures, steps=steps)


TABLE = pages.Table(
    page=page,
    full={"shoots": 300, "cases": 99, "lenses": 60, "pictures": 99, "steps": 6, "seed": 0},
    tiny={"shoots": 1, "cases": 1, "lenses": 1, "pictures": 0},
)
