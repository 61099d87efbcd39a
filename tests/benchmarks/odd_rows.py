"""How well edges of lenses and files that no simple family contains are measured, line by line.

    python tests/benchmarks/odd_rows.py [--rows halo,coma] [--edges 40] [--snrs 20,50,150,600,none]
        [--regions 100x60,25x25] [--levels 50,30,20,10] [--apart] [--seed 0] [--out FILE]

`--rows` and `--regions` take beginnings of names. Every edge is drawn anew: its lens, angle, side, offset and noise.
The regions of a kind and SNR are counted together, as «any»; `--apart` tells each of them as well.
"""

import argparse
import itertools
import zlib
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import pages  # lets numpy use one thread, and finds the made edges

# isort: split
import numpy as np
import numpy.typing as npt
from exact_edges import samples
from odd_edges import Chain, Mixture, OddEdge, Pupil, Spread, noisy_levels
from odd_kinds import KINDS, REGIONS, drawn_edge, drawn_good_lens, drawn_scene, present_of, without_halo
from processed_edges import PROCESSINGS, ProcessedEdge, processed
from ragged_edges import RaggedEdge

from lensbench.edge import METHODS, measure_edges
from lensbench.model.shot import Samples

Array = npt.NDArray[np.float64]
Truths = dict[str, Array]
"""What can be called true, by name: frequencies of shape (edges, levels). The first is what one asks of a method."""

SNRS: tuple[float | None, ...] = (20.0, 50.0, 150.0, 600.0, None)
LEVELS = (50, 30, 20, 10)
CAST = 6
"""Edges of a file whose truth takes a long edge; the others of a row are the same at other places, with other noise."""

FIRST_TRUTHS = ("", "local plateaus", "mean edge", "optics", "clean")
"""Whose lines are counted together at the end, denoised files left out: what they should show is open to dispute."""

EXPECTED_FLAGS = frozenset({"tone_unknown"})
"""Which every JPEG bears."""


@dataclass(frozen=True, kw_only=True)
class Key:
    """What one line of the table is about."""

    kind: str
    truth: str
    region: str
    snr: float | None
    level: int
    method: str


@dataclass(frozen=True, kw_only=True, eq=False)
class Found:
    """What came out, edge by edge; NaN where nothing did."""

    error: Array
    """Relative to the truth."""
    sd: Array
    """As stated, relative to what was found."""
    away: Array
    """Distance from the truth in stated sd."""
    flags: tuple[frozenset[str], ...]

    @property
    def measured(self) -> npt.NDArray[np.bool_]:
        return np.isfinite(self.error)

    def cells(self) -> list[str]:
        """As `FIGURES`."""
        measured, known = self.measured, np.isfinite(self.away)
        plain = known & np.array([not flags for flags in self.flags])
        flagged = measured & np.array([bool(flags) for flags in self.flags])
        error = self.error[measured]
        inside = np.abs(self.away) <= 1.96
        return [
            f"{100 * np.median(error):+.2f}" if error.size else "",
            f"{100 * np.sqrt(np.mean(error**2)):.2f}" if error.size else "",
            f"{100 * self.sd[known].mean():.2f}" if known.any() else "",
            f"{100 * inside[known].mean():.0f}" if known.any() else "",
            f"{100 * inside[plain].mean():.0f}" if plain.any() else "",
            f"{100 * flagged.mean():.0f}",
            f"{100 * (1.0 - measured.mean()):.0f}",
        ]

    def commonest_flags(self) -> str:
        """Three of them, each with the percentage of edges that bear it."""
        often = Counter(flag for flags in self.flags for flag in flags).most_common(3)
        return " ".join(f"{flag}:{100 * count / len(self.flags):.0f}" for flag, count in often)


FIGURES = ("bias %", "rms %", "sd %", "in", "plain in", "flagged", "lost")


def together(parts: Sequence[Found]) -> Found:
    """Several as one."""
    return Found(
        error=np.concatenate([part.error for part in parts]),
        sd=np.concatenate([part.sd for part in parts]),
        away=np.concatenate([part.away for part in parts]),
        flags=tuple(itertools.chain.from_iterable(part.flags for part in parts)),
    )


@dataclass(frozen=True, kw_only=True)
class Effort:
    """What is drawn and told."""

    edges: int
    snrs: tuple[float | None, ...]
    regions: tuple[str, ...]
    levels: tuple[int, ...]
    seed: int


def found_of(kind: str, effort: Effort) -> Iterator[tuple[Key, Found]]:
    """Draw all edges of a kind and measure them by every method."""
    make = file_regions if kind in PROCESSINGS else sensor_regions
    for region in effort.regions:
        place = region.removesuffix(" green") if kind in PROCESSINGS else region
        for snr, regions, truths in make(kind, region, effort):
            for method in METHODS:
                edges = measure_edges(regions, method=method)
                flags = tuple(frozenset(flag.flag for flag in edge.flags) - EXPECTED_FLAGS for edge in edges)
                for (truth, true), level in itertools.product(truths.items(), effort.levels):
                    names = f"mtf{level}_cypx", f"mtf{level}_sd_cypx"
                    cypx, sd = (np.array([getattr(edge, name, np.nan) for edge in edges]) for name in names)
                    off = cypx - true[:, LEVELS.index(level)]
                    key = Key(kind=kind, truth=truth, region=place, snr=snr, level=level, method=method)
                    yield key, Found(error=off / (cypx - off), sd=sd / cypx, away=off / sd, flags=flags)


def _random(*key: object) -> np.random.Generator:
    return np.random.default_rng(zlib.crc32(" ".join(map(str, key)).encode()))


def pupil_of(spread: Spread) -> Pupil:
    """First pupil in a spread."""
    while not isinstance(spread, Pupil):
        assert isinstance(spread, Mixture | Chain)
        first = spread.parts[0]
        spread = first[1] if isinstance(first, tuple) else first
    return spread


def _at_levels(ats: Sequence[float]) -> Array:
    return np.array(ats).reshape(-1, len(LEVELS))


def sensor_regions(
    kind: str, region: str, effort: Effort
) -> Iterator[tuple[float | None, list[Samples], Truths]]:
    """Samples of the sensor, the same edges for every SNR; half of them with photon noise, half with even noise."""
    rng = _random(kind, region, effort.seed)
    edges = [drawn_edge(kind, region, rng) for _ in range(effort.edges)]
    truths = {"": _at_levels([edge.at(level / 100) for edge in edges for level in LEVELS])}
    if kind.startswith("halo"):
        # A region narrower than the halo takes it for a part of black and white, and sees the core alone.
        cores = [without_halo(edge) for edge in edges if isinstance(edge, OddEdge)]
        truths = {
            "whole": truths[""],
            "core alone": _at_levels([core.at(level / 100) for core in cores for level in LEVELS]),
        }
    if "halo" in kind:
        whole = truths.pop("" if "" in truths else "whole")
        odd = [edge for edge in edges if isinstance(edge, OddEdge)]
        seen = [edge.seen_at(level / 100, pupil_of(edge.spread).q) for edge in odd for level in LEVELS]
        truths = {"local plateaus": _at_levels(seen), "whole": whole, **truths}
    if ragged := [edge for edge in edges if isinstance(edge, RaggedEdge)]:
        truths = {
            "mean edge": truths[""],
            "this stretch": _at_levels(
                [edge.realised_at(level / 100) for edge in ragged for level in LEVELS]
            ),
            "sharp edge": _at_levels([edge.sharp_at(level / 100) for edge in ragged for level in LEVELS]),
        }
    for snr in effort.snrs:
        yield (
            snr,
            [
                samples(
                    noisy_levels(edge.esf_values, snr, rng, photons=bool(k % 2)),
                    channel="green" if region.endswith("green") else "grey",
                    present=present_of(region, edge.scene),
                )
                for k, edge in enumerate(edges)
            ],
            truths,
        )


def file_regions(
    kind: str, region: str, effort: Effort
) -> Iterator[tuple[float | None, list[Samples], Truths]]:
    """Samples of finished files; regions have the sizes of the sensor's, with a sample at every pixel."""
    processing, rng = PROCESSINGS[kind], _random(kind, region, effort.seed)
    for snr in effort.snrs:
        edges = _file_edges(kind, region, effort, rng)
        names = [
            name for name in processing.truths if snr is not None or name != "noisy" or processing.denoise
        ]
        truths = {
            name: _at_levels([edge.truth(level / 100, name, snr) for edge in edges for level in LEVELS])
            for name in names
        }
        yield snr, [edge.samples(snr, rng) for edge in edges], truths


def _file_edges(kind: str, region: str, effort: Effort, rng: np.random.Generator) -> list[ProcessedEdge]:
    """Edges at any place in a picture; of few lenses and angles where the truth is costly."""
    processing, length, width = PROCESSINGS[kind], *REGIONS[region][:2]
    costly = processing.truths != ("optics",)
    lenses = _random("lenses", effort.seed) if costly else rng
    count = min(CAST, effort.edges) if costly else effort.edges
    cast = [
        OddEdge(spread=drawn_good_lens(lenses), scene=drawn_scene("100x60", lenses)) for _ in range(count)
    ]
    edges = []
    for k in range(effort.edges):
        drawn = cast[k % count]
        lies = drawn.scene.width > drawn.scene.height
        scene = replace(
            drawn.scene,
            height=width if lies else length,
            width=length if lies else width,
            offset_px=float(rng.uniform(-0.7, 0.7)),
        )
        edges.append(processed(replace(drawn, scene=scene), processing, rng))
    return edges


def page(kinds: Sequence[str], effort: Effort, *, apart: bool) -> Iterator[str]:
    """Lines of the table, both methods side by side, and what the kinds have in common."""
    widest = max(map(len, kinds))
    yield f"{effort.edges} edges of a region and SNR; regions: {', '.join(effort.regions)}; seed {effort.seed}"
    yield "in: percentage within 1.96 stated sd; plain in: of the edges without a flag; lost: no figure came out"
    yield ""
    heads = [f"{'':{widest}}  {'true is':12} {'region':11} {'SNR':>4} MTF {'n':>4} "]
    yield heads[0] + "".join(f"| {method:<55} " for method in METHODS) + "|"
    columns = "".join(f"| {' '.join(f'{name:>7}' for name in FIGURES)} " for _ in METHODS)
    yield " " * len(heads[0]) + columns.replace("plain in", " plainin") + "| flags, %"
    groups: dict[Key, list[Found]] = {}
    for kind in kinds:
        lines: dict[Key, list[Found]] = {}
        for key, found in found_of(kind, effort):
            lines.setdefault(replace(key, region="any"), []).append(found)
            if apart:
                lines[key] = [found]
            if key.truth in FIRST_TRUTHS and not kind.startswith("denoised"):
                group = "all files" if kind in PROCESSINGS else "all sensor"
                groups.setdefault(replace(key, kind=group, truth="", region="any"), []).append(found)
        yield from _lines(lines, widest)
    yield ""
    yield from _lines(groups, widest)


def _lines(found: dict[Key, list[Found]], widest: int) -> Iterator[str]:
    """One line for each key, whatever the method."""
    for key in found:
        if key.method != METHODS[0]:
            continue
        both = [together(found[replace(key, method=method)]) for method in METHODS]
        snr = "none" if key.snr is None else f"{key.snr:g}"
        start = f"{key.kind:{widest}}  {key.truth:12} {key.region:11} {snr:>4} {key.level:3} {both[0].error.size:4} "
        figures = "".join(f"| {' '.join(f'{cell:>7}' for cell in part.cells())} " for part in both)
        yield f"{start}{figures}| {both[0].commonest_flags()}"


def odd_page(*, edges: int, kinds: int, seed: int) -> Iterator[str]:
    """Page of docs: a row for each kind and SNR of sensor samples and files, the lowest share first."""
    effort = Effort(edges=edges, snrs=SNRS[:4], regions=tuple(REGIONS), levels=(50,), seed=seed)
    names = [name for name in (*KINDS, *PROCESSINGS) if not name.startswith("denoised")][:kinds]
    rows: list[tuple[float, str]] = []
    for kind in names:
        parts: dict[Key, list[Found]] = {}
        for key, found in found_of(kind, effort):
            if key.truth in PAGE_TRUTHS:
                parts.setdefault(replace(key, region="any"), []).append(found)
        for key, own in parts.items():
            if key.method != METHODS[0]:
                continue
            refined, iso = (together(parts[replace(key, method=method)]) for method in METHODS)
            inside = float(np.mean(np.abs(refined.away[np.isfinite(refined.away)]) <= 1.96))
            figures = refined.cells()
            name = f"{kind}{f', {key.truth}' if key.truth else ''}"
            cells = (name, f"{key.snr:g}", *figures[:4], *figures[5:], *iso.cells()[:2], len(own) * edges)
            rows.append((inside, pages.row(*cells)))
        pages.shown([f"{kind}: done"])
    yield from ODD_HEAD.splitlines()
    yield from pages.head("edges", "SNR", *FIGURES[:4], *FIGURES[5:], "`iso` bias %", "`iso` rms %", "n")
    yield from pages.worst_first(rows)


PAGE_TRUTHS = ("", "local plateaus", "whole", "this stretch", "optics", "clean")

ODD_HEAD = """# Edges of no simple family

MTF50 of edges whose blur no built-in kind was drawn from, and of finished files, against their truth: regions of 100 x
60 and 60 x 40 samples, and of 41 x 41 and 25 x 25 on the green sites of a colour filter array together, lenses, angles
(3 to 42 degrees), sides and places drawn at random, no edge left out. Halos, pupils and trails are drawn from their
physics (`tests/made/odd_kinds.py`), files go through encoders and interpolations of general-purpose libraries.
Halos have two truths: that of the light between the region's own plateaus, which is [what the method
measures](../method/method.md#53-the-shapes), and that of all light, however far it falls («whole»), which no region
narrower than the halo can tell. The truth of a ragged print is the mean course of this very stretch; of interpolated
pictures that of a long edge without noise through the same steps; of JPEGs that of the optics before. «in» is the
percentage within 1.96 stated sd, which should be 95; «sd» the mean stated sd; «lost» gave no figure. The lowest share
stands first.

"""

TABLE = pages.Table(
    page=odd_page, full={"edges": 24, "kinds": 99, "seed": 0}, tiny={"edges": 2, "kinds": 2}, keeps_notes=True
)


def _asked(names: Sequence[str], wanted: str | None, parser: argparse.ArgumentParser) -> tuple[str, ...]:
    if wanted is None:
        return tuple(names)
    beginnings = wanted.split(",")
    if lacking := [word for word in beginnings if not any(name.startswith(word) for name in names)]:
        parser.error(f"nothing begins with {', '.join(lacking)}; there are {'; '.join(names)}")
    return tuple(name for name in names if name.startswith(tuple(beginnings)))


def main() -> None:
    """Print the table as it comes, and keep it."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument(
        "--rows", help=f"beginnings of: {'; '.join((*KINDS, *PROCESSINGS))}".replace("%", "%%")
    )
    parser.add_argument("--edges", type=int, default=40)
    parser.add_argument("--snrs", default="20,50,150,600,none")
    parser.add_argument("--regions")
    parser.add_argument("--levels", default="50")
    parser.add_argument("--apart", action="store_true", help="a line for each region, too")
    parser.add_argument("--seed", type=int, default=0)
    parser.add_argument("--out", type=Path)
    asked = parser.parse_args()
    effort = Effort(
        edges=asked.edges,
        snrs=tuple(None if snr == "none" else float(snr) for snr in asked.snrs.split(",")),
        regions=_asked(tuple(REGIONS), asked.regions, parser),
        levels=tuple(int(level) for level in asked.levels.split(",")),
        seed=asked.seed,
    )
    kinds = _asked((*KINDS, *PROCESSINGS), asked.rows, parser)
    lines = []
    for line in page(kinds, effort, apart=asked.apart):
        print(line, flush=True)
        lines.append(line)
        if asked.out is not None:
            asked.out.write_text("\n".join(lines) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
