"""Print the tables of ranking: what it makes of frames of unlike noise and brightness, and of frames 5 % apart in blur.

Scenes: invented leaves and scikit-image's own pictures. Frames of the first table are blurred by pupils and a shaking
hand, caught as photons and written as raw files, or developed and coded; those of the second by Gaussians, with white
noise. Both together take about a quarter of an hour on one core.
"""

import tempfile
from collections import defaultdict
from collections.abc import Iterator, Mapping, Sequence
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
STEPS = (1.0, STEP)
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
Setting = tuple[str, int, float]
"""Kind of file; of the second frame how many times the ISO number is as high, and how many stops it is darker."""


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
    octave_covered: int = 0
    """The same against what the octave around has; it is softer by less, since its coarser end has more contrast."""
    ratio: float = 0.0
    widths: list[float] = field(default_factory=list)

    def add(
        self,
        ranking: Ranking,
        true_percent: float,
        *,
        sharper: int | None,
        noisier: int | None = None,
        octave_percent: float = np.nan,
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
        self.octave_covered += pair.ci95_percent[0] <= octave_percent <= pair.ci95_percent[1]
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


def softer_percent(sharp: Blur, soft: Blur, frequency_cypx: float, *, octave: bool) -> float:
    """Contrast behind one blur against that behind another, less 100 %: rms over all directions, and an octave."""
    angle = np.linspace(0.0, np.pi, 24, endpoint=False)[:, None]
    radius = frequency_cypx * (np.geomspace(0.71, 1.41, 7) if octave else np.ones(1))
    fine, coarse = (
        np.sqrt(np.mean(np.abs(blur.transfer(radius * np.sin(angle), radius * np.cos(angle))) ** 2))
        for blur in (sharp, soft)
    )
    return float(100.0 * (coarse / fine - 1.0))


@dataclass(frozen=True, kw_only=True)
class Optics:
    """One scene behind one lens in one hand: the sharper frame's light, and by step of blur that of a second one."""

    scene: str
    electrons: float
    blur: Blur
    sharper: Light
    others: dict[float, Light]


def drawn_optics(light: Light, scene: str, *, trial: int, seed: int) -> Optics:
    """Draw a lens and a hand and form the pictures, that settings share: forming them takes longer than a pair."""
    random = np.random.default_rng([seed, trial])
    blur = drawn_blur(random)

    def formed(step: float) -> Light:
        return np.asarray(optical_image(light, blur.larger(step), shift_px=random.uniform(-0.5, 0.5, 2)))

    return Optics(
        scene=scene,
        electrons=ELECTRONS[trial % 2],
        blur=blur,
        sharper=formed(1.0),
        others={step: formed(step) for step in STEPS},
    )


def shot_pair(optics: Optics, count: Count, *, setting: Setting, step: float, seed: Sequence[int]) -> None:
    """Photograph a scene twice and rank: the second frame at a higher ISO, darker and softer, in either order."""
    kind, iso_times, stops = setting
    random = np.random.default_rng([*seed, iso_times, int(2 * stops), int(100 * step), ord(kind[0])])
    how = {} if kind == "dng" else {"demosaic": DEMOSAICS[random.integers(3)]}
    shots = [
        (optics.sharper, optics.electrons, 0.0),
        (optics.others[step], optics.electrons / iso_times, stops),
    ]
    first = int(random.integers(2))
    with tempfile.TemporaryDirectory() as folder:
        paths = []
        for number, (image, white, darker) in enumerate(shots[::-1] if first else shots):
            mosaic = exposed(image, random=random, electrons=white, stops=darker)
            paths.append(CAMERAS[kind](Path(folder) / f"{number}.{kind}", mosaic, **how))
        try:
            ranking = rank(paths)
        except LensError:
            count.refused += 1
            return
    blurs = [optics.blur, optics.blur.larger(step)]
    if int(ranking.pairs[0].sharper.stem) != first:
        blurs.reverse()
    true, octave = (softer_percent(*blurs, ranking.frequency_cypx, octave=octave) for octave in (False, True))
    count.add(ranking, true, sharper=first, noisier=1 - first, octave_percent=octave)


def unlike_rows(*, trials: int, settings: int, pictures: int, seed: int) -> Iterator[str]:
    """Tables of frames of unlike ISO and exposure: by setting, by kind of file, then by scene."""
    lights = list(islice(scenes(), pictures))
    used: list[Setting] = list(islice(product(KINDS, ISO_TIMES, STOPS), settings))
    found: dict[tuple[object, float], Count] = defaultdict(Count)
    for trial in range(trials):
        scene, light = lights[trial % len(lights)]
        optics = drawn_optics(light, scene, trial=trial, seed=seed)
        for setting, step in product(used, STEPS):
            count = Count()
            shot_pair(optics, count, setting=setting, step=step, seed=(seed, trial))
            for name in (setting, setting[0], scene, "all"):
                found[name, step].also(count)
    yield from pages.head("files", "ISO, times", "stops darker", *_UNLIKE)
    yield from pages.worst_first(
        unlike_row((KINDS[setting[0]], *setting[1:]), found, setting) for setting in used
    )
    for kind in dict.fromkeys(setting[0] for setting in used):
        yield unlike_row((f"**all {KINDS[kind]}**", "", ""), found, kind)[1]
    yield unlike_row(("**all**", "", ""), found, "all")[1]
    yield from ("", *pages.head("scene", *_UNLIKE))
    yield from pages.worst_first(unlike_row((scene,), found, scene) for scene, _ in lights)


_UNLIKE = (
    "refused",
    "equal blur: told apart",
    "of these the noisier sharper",
    "5 %: right order",
    "told apart",
    "told apart wrongly",
    "95 % covers",
    "the octave's",
    "interval's median width",
)


def unlike_row(
    names: tuple[object, ...], found: Mapping[tuple[object, float], Count], name: object
) -> tuple[float, str]:
    """A row and its merit: the share of frames of equal blur that were not told apart."""
    equal, apart = (found[name, step] for step in STEPS)
    both = equal.trials + apart.trials
    cells = [
        f"{equal.refused + apart.refused} of {both + equal.refused + apart.refused}",
        percent(equal.told, equal.trials),
        f"{equal.noisier_sharper} of {equal.told}",
        *(percent(part, apart.trials) for part in (apart.right, apart.told, apart.told_wrong)),
        percent(equal.covered + apart.covered, both),
        percent(equal.octave_covered + apart.octave_covered, both),
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
linearly, along edges, or by AHD. Each lens and hand is photographed at every setting. Targets: told apart in at most
5 % at equal blur; intervals that hold in 93 to 97 %, 92 at the least; nothing refused where ISO and exposure are equal.
Of 44 pairs at a true 5 %, 6 are told apart at most in 99 rows of 100.

Intervals are held against the pupils' own contrast at the frequency named, over all directions. One column holds them
against that of the whole octave around it as well, which is another figure: its coarser end has more contrast, weighs
more, and differs by less, the more so the softer the frames.

Not reached: at 16 times the ISO, a difference of 5 % is told in less than half of finished pictures, since what
developing and coding leave in doubt is wide; scenes with little detail (moon, rocket) are rarely told apart at any ISO,
and are refused where noise hides them. Of a blur whose contrast passes through zero near the frequency named the figure
is that of the nearest Gaussian.
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
    full={"trials": 40, "shots": 44, "settings": 27, "pictures": 99, "seed": 0},
    tiny={"trials": 1, "shots": 1, "settings": 1, "pictures": 1},
)
