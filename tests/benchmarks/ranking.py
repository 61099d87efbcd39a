"""Print the tables of ranking: what it makes of frames of unlike noise and brightness, and of frames 5 % apart in blur.

Scenes: invented leaves and scikit-image's own pictures. Frames of the first table are blurred by pupils and a shaking
hand, caught as photons and written as raw files, or developed and coded; those of the second by Gaussians, with white
noise. Both together take about forty minutes on one core.
"""

import tempfile
from collections.abc import Iterator
from dataclasses import dataclass, field
from itertools import islice, product
from pathlib import Path

import handheld_frames
import numpy as np
import pages
import skimage.data
from blurred_frames import frame, leaves, write_jpeg, write_raw, write_tiff
from handheld_frames import Blur, drawn_blur, exposed, optical_image

from lensbench.model.errors import LensError
from lensbench.rank.order import Ranking
from lensbench.rank.rank import rank

SIGMAS_PX = (0.7, 1.2, 2.0, 3.0)
STEP = 1.05
SNR = 50.0
WRITERS = {"tif": write_tiff, "jpg": write_jpeg, "dng": write_raw}
CAMERAS = {
    "tif": handheld_frames.write_tiff,
    "jpg": handheld_frames.write_jpeg,
    "dng": handheld_frames.write_raw,
}
KINDS = {"tif": "TIFF", "jpg": "JPEG", "dng": "raw"}
PICTURES = ("astronaut", "brick", "camera", "chelsea", "coffee", "coins", "grass", "gravel", "moon", "rocket")
DEMOSAICS = ("gradient-corrected", "edge-aware", "AHD")
ISO_TIMES = (1, 4, 16)
STOPS = (0.0, 0.5, 1.0)
ELECTRONS = (8000.0, 4000.0)
"""What makes white at the lower ISO: two sizes of pixel."""

Light = np.ndarray


@dataclass(slots=True)
class Count:
    """What came of the trials of one kind."""

    trials: int = 0
    refused: int = 0
    right: int = 0
    told: int = 0
    told_wrong: int = 0
    noisier_sharper: int = 0
    covered: int = 0
    ratio: float = 0.0
    widths: list[float] = field(default_factory=list)

    def add(
        self, ranking: Ranking, true_percent: float, *, sharper: int | None, noisier: int | None = None
    ) -> None:
        """Hold one ranking of two frames against the truth; frames are called by their place in the list."""
        pair = ranking.pairs[0]
        found = int(pair.sharper.stem)
        self.trials += 1
        self.right += found == sharper
        self.told += pair.told_apart
        self.told_wrong += pair.told_apart and found != sharper
        self.noisier_sharper += pair.told_apart and found == noisier
        self.covered += pair.ci95_percent[0] <= true_percent <= pair.ci95_percent[1]
        self.ratio += pair.detail_percent / true_percent if true_percent else 0.0
        self.widths.append(pair.ci95_percent[1] - pair.ci95_percent[0])

    def also(self, other: "Count") -> None:
        """Take in the trials of another."""
        for name in self.__dataclass_fields__:
            setattr(self, name, getattr(self, name) + getattr(other, name))


def scenes() -> Iterator[tuple[str, Light]]:
    """Give the scenes, as linear light from 0.02 to 0.92: shape (rows, columns, 3)."""
    yield "leaves (invented)", np.repeat(leaves(512, seed=1)[..., None], 3, axis=2)
    for name in PICTURES:
        light = getattr(skimage.data, name)() / 255.0
        light = np.repeat(light[..., None], 3, axis=2) if light.ndim == 2 else light
        rows, cols = light.shape[:2]
        yield name, 0.02 + 0.9 * light[: rows - rows % 2, : cols - cols % 2] ** 2.2


def contrast(blur: Blur, frequency_cypx: float) -> float:
    """Root mean square transfer in the octave around a frequency, over all directions."""
    angle = np.linspace(0.0, np.pi, 24, endpoint=False)[:, None]
    radius = frequency_cypx * np.geomspace(0.71, 1.41, 7)
    return float(np.sqrt(np.mean(np.abs(blur.transfer(radius * np.sin(angle), radius * np.cos(angle))) ** 2)))


def shot_pair(
    light: Light, count: Count, *, kind: str, iso_times: int, stops: float, step: float, seed: int
) -> None:
    """Photograph a scene twice and rank: the second frame at a higher ISO, darker and softer, in either order."""
    random = np.random.default_rng([seed, iso_times, int(2 * stops), int(100 * step), ord(kind[0])])
    blur, electrons = drawn_blur(random), ELECTRONS[seed % 2]
    how = {} if kind == "dng" else {"demosaic": DEMOSAICS[random.integers(3)]}
    shots = [(blur, electrons, 0.0), (blur.larger(step), electrons / iso_times, stops)]
    first = int(random.integers(2))
    with tempfile.TemporaryDirectory() as folder:
        paths = []
        for number, (blurred, white, darker) in enumerate(shots[::-1] if first else shots):
            image = optical_image(light, blurred, shift_px=random.uniform(-0.5, 0.5, 2))
            mosaic = exposed(image, random=random, electrons=white, stops=darker)
            paths.append(CAMERAS[kind](Path(folder) / f"{number}.{kind}", mosaic, **how))
        try:
            ranking = rank(paths)
        except LensError:
            count.refused += 1
            return
    sharper = first if int(ranking.pairs[0].sharper.stem) == first else 1 - first
    frames = (shots[0][0], shots[1][0]) if sharper == first else (shots[1][0], shots[0][0])
    true = 100.0 * (
        contrast(frames[1], ranking.frequency_cypx) / contrast(frames[0], ranking.frequency_cypx) - 1.0
    )
    count.add(ranking, true, sharper=first, noisier=1 - first)


def unlike_rows(*, trials: int, settings: int, pictures: int, seed: int) -> Iterator[str]:
    """Tables of frames of unlike ISO and exposure: by setting, then by scene."""
    lights = list(islice(scenes(), pictures))
    found: dict[tuple[str, int, float, float], Count] = {}
    used = list(islice(product(KINDS, ISO_TIMES, STOPS), settings))
    places: dict[tuple[str, float], Count] = {}
    for number, (kind, iso_times, stops) in enumerate(used):
        for step in (1.0, STEP):
            whole = found.setdefault((kind, iso_times, stops, step), Count())
            for trial in range(trials):
                name, light = lights[(trial + 5 * number) % len(lights)]  # few trials see all scenes, too
                count = Count()
                shot_pair(
                    light, count, kind=kind, iso_times=iso_times, stops=stops, step=step, seed=seed + trial
                )
                whole.also(count)
                places.setdefault((name, step), Count()).also(count)
    yield from pages.head("files", "ISO, times", "stops darker", *_UNLIKE)
    yield from pages.worst_first(
        unlike_row(
            (KINDS[kind], times, stops), found[kind, times, stops, 1.0], found[kind, times, stops, STEP]
        )
        for kind, times, stops in used
    )
    sums = {step: Count() for step in (1.0, STEP)}
    for (*_, step), count in found.items():
        sums[step].also(count)
    yield unlike_row(("**all**", "", ""), sums[1.0], sums[STEP])[1]
    yield from ("", *pages.head("scene", *_UNLIKE))
    yield from pages.worst_first(
        unlike_row((name,), places[name, 1.0], places[name, STEP]) for name, _ in lights
    )


_UNLIKE = (
    "refused",
    "equal blur: told apart",
    "of these the noisier sharper",
    "5 %: right order",
    "told apart",
    "told apart wrongly",
    "95 % covers",
    "interval's median width",
)


def unlike_row(names: tuple[object, ...], equal: Count, apart: Count) -> tuple[float, str]:
    """A row and its merit: the share of frames of equal blur that were not told apart."""
    both = equal.trials + apart.trials
    cells = [
        f"{equal.refused + apart.refused} of {both + equal.refused + apart.refused}",
        percent(equal.told, equal.trials),
        f"{equal.noisier_sharper} of {equal.told}",
        *(percent(part, apart.trials) for part in (apart.right, apart.told, apart.told_wrong)),
        percent(equal.covered + apart.covered, both),
        f"{np.median(equal.widths + apart.widths or [np.nan]):.1f} %",
    ]
    return 1.0 - equal.told / max(equal.trials, 1), pages.row(*names, *cells)


def counted(light: Light, *, kind: str, step: float, trials: int, seed: int) -> Count:
    """Rank pairs of frames blurred by Gaussians again and again."""
    count = Count()
    with tempfile.TemporaryDirectory() as folder:
        for trial in range(trials):
            random = np.random.default_rng(seed + trial)
            sigma = SIGMAS_PX[trial % len(SIGMAS_PX)]
            pair = [sigma, sigma * step] if random.random() < 0.5 else [sigma * step, sigma]
            paths = [
                WRITERS[kind](
                    Path(folder) / f"{number}.{kind}", frame(light, random=random, snr=SNR, sigma_px=blur)
                )
                for number, blur in enumerate(pair)
            ]
            ranking = rank(paths)
            sharp = int(ranking.pairs[0].sharper.stem)
            variance = pair[1 - sharp] ** 2 - pair[sharp] ** 2
            true = 100.0 * np.expm1(-2.0 * np.pi**2 * ranking.frequency_cypx**2 * variance)
            count.add(ranking, true, sharper=int(np.argmin(pair)))
    return count


def page(*, trials: int, shots: int, settings: int, pictures: int, seed: int) -> Iterator[str]:
    """The page; the first `pictures` of the scenes."""
    yield from (*HEAD.splitlines(), "")
    yield from unlike_rows(trials=shots, settings=settings, pictures=pictures, seed=seed)
    yield from GAUSSIAN.splitlines()
    rows: list[tuple[float, str]] = []
    whole, same = Count(), Count()
    for name, coloured in islice(scenes(), pictures):
        light = coloured @ [0.2126, 0.7152, 0.0722]
        for kind in WRITERS:
            count = counted(light, kind=kind, step=STEP, trials=trials, seed=seed)
            rows += pages.shown([(count.covered / count.trials, row(name, KINDS[kind], count))])
            whole.also(count)
        same.also(counted(light, kind="tif", step=1.0, trials=trials, seed=seed))
    yield from pages.worst_first(rows)
    yield row("**all**", "", whole)
    yield ""
    yield (
        f"Frames of equal blur, {same.trials} pairs: told apart in {percent(same.told, same.trials)} (the risk taken "
        "is 5 %)."
    )


def percent(part: int, whole: int) -> str:
    return f"{100.0 * part / whole:.1f} %" if whole else "-"


def row(name: str, files: str, count: Count) -> str:
    shares = [percent(part, count.trials) for part in (count.right, count.told, count.told_wrong)]
    ratio, covered = f"{count.ratio / count.trials:.2f}", percent(count.covered, count.trials)
    return pages.row(name, files, count.trials, *shares, ratio, covered)


HEAD = """# How well ranking orders frames

## Frames at unlike ISO and exposure

Two frames of one scene through one lens out of focus (up to 0.8 waves, with spherical aberration of two orders) in one
shaking hand. The second has the ISO number so many times as high and is so many stops darker; its blur is equal, or
of the same shape and 5 % larger. Light falls on a Bayer mosaic as photons (4000 or 8000 make white at the lower ISO),
read noise is 3 electrons. Raw files as they are; TIFF (16 bits) and JPEG (quality 90) in sRGB, colours interpolated
linearly, along edges, or by AHD. The interval is held against the pupils' own contrast in the octave around the
frequency named. Targets: told apart in at most 5 % at equal blur; 93 to 97 % covered; nothing refused where ISO and
exposure are equal.
"""

GAUSSIAN = """
## Frames of equal noise, 5 % apart

Pairs of frames blurred by Gaussians of sigma 0.7, 1.2, 2 or 3 px and of 5 % more, each moved by a fraction of a pixel
and with white noise of its own at SNR 50 (contrast of the scene, 98th less 2nd percentile, over the noise's rms). The
sigma is what is added to the scene, taken as it is; a picture's own softness comes on top, so the difference in total
blur is 5 % at most. TIFF of 16 bits, JPEG of quality 95. Target: right order in 99 %.

| scene | files | pairs | right order | told apart | told apart wrongly | blur found / true | 95 % covers |
|---|---|---|---|---|---|---|---|"""


TABLE = pages.Table(
    page=page,
    full={"trials": 40, "shots": 22, "settings": 27, "pictures": 99, "seed": 0},
    tiny={"trials": 1, "shots": 1, "settings": 1, "pictures": 1},
)
