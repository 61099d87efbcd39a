"""Print how truly the state of a lens is told: decentring, field curvature, focus shift, astigmatism.

    python tests/benchmarks/condition.py [--shoots 1000] [--brackets 30] [--parts decentring,brackets,pictures]
        [--pictures FOLDER] [--out docs/condition.md]

Figures of whole shoots are drawn from pupils with aberrations; pictures go through the command line into a folder
that is not there yet. No test run collects this: it takes about an hour on one core.
"""

import argparse
import os
import sys
import tempfile
from collections.abc import Iterator
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
sys.path[:0] = [str(ROOT / "tests" / "made"), str(ROOT / "tests" / "benchmarks")]
for _name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ[_name] = "1"

# ruff: noqa: E402
from condition_figures import bracket_rows, coverage_rows, decentring_rows
from condition_pictures import picture_rows

HEAD = """# How truly the state of a lens is told

Made by `python tests/benchmarks/condition.py --shoots {shoots} --brackets {brackets} --out docs/condition.md`;
some rows by fewer shoots, as the column says.

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

PARTS = ("decentring", "brackets", "pictures")


def section(part: str, *, shoots: int, brackets: int, pictures: Path) -> Iterator[str]:
    """Give one part of the page, line by line."""
    if part == "decentring":
        yield "### Decentring\n"
        yield from decentring_rows(shoots)
        yield (
            "\nThe asymmetry's interval; the truth is the same fit to a shot without noise, tilt and focus error.\n"
        )
        yield from coverage_rows(shoots // 2)
    if part == "brackets":
        yield "\n### Field curvature, focus shift, astigmatism, tilted plane of focus\n"
        yield from bracket_rows(brackets)
    if part == "pictures":
        yield "\n## Pictures\n"
        yield PICTURES
        yield from picture_rows(pictures)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--shoots", type=int, default=1000)
    parser.add_argument("--brackets", type=int, default=30)
    parser.add_argument("--parts", default=",".join(PARTS), help="Some of them, with commas between.")
    parser.add_argument("--pictures", type=Path)
    parser.add_argument("--out", type=Path)
    chosen = parser.parse_args()
    lines = [HEAD.format(shoots=chosen.shoots, brackets=chosen.brackets)]
    with tempfile.TemporaryDirectory() as folder:
        place = chosen.pictures or Path(folder) / "shoots"
        for part in chosen.parts.split(","):
            for line in section(part, shoots=chosen.shoots, brackets=chosen.brackets, pictures=place):
                print(line, file=sys.stderr, flush=True)
                lines.append(f"{line}\n")
    text = "".join(lines)
    if chosen.out:
        chosen.out.write_text(text, encoding="utf-8")
    print(text)


if __name__ == "__main__":
    main()
