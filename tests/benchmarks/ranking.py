"""Print the table of ranking: how often frames of known blur come out in the right order.

Scenes: invented leaves and scikit-image's own pictures, each blurred by known Gaussians 5 % apart, moved by a
fraction of a pixel, with noise of its own. The whole table takes ten minutes on one core.
"""

import tempfile
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import islice
from pathlib import Path

import numpy as np
import pages
import skimage.data
from blurred_frames import frame, leaves, write_jpeg, write_raw, write_tiff

from lensbench.rank.order import Ranking
from lensbench.rank.rank import rank

SIGMAS_PX = (0.7, 1.2, 2.0, 3.0)
STEP = 1.05
SNR = 50.0
WRITERS = {"tif": write_tiff, "jpg": write_jpeg, "dng": write_raw}
KINDS = {"tif": "TIFF, 16 bits", "jpg": "JPEG, quality 95", "dng": "raw, Bayer"}
PICTURES = ("astronaut", "brick", "camera", "chelsea", "coffee", "coins", "grass", "gravel", "moon", "rocket")

Light = np.ndarray


@dataclass(slots=True)
class Count:
    """What came of the trials of one kind."""

    trials: int = 0
    right: int = 0
    told: int = 0
    told_wrong: int = 0
    covered: int = 0
    ratio: float = 0.0

    def add(self, ranking: Ranking, sigmas_px: list[float]) -> None:
        """Hold one ranking of two frames against the truth; frames are called by their place in the list."""
        pair = ranking.pairs[0]
        soft, sharp = int(pair.softer.stem), int(pair.sharper.stem)
        variance = sigmas_px[soft] ** 2 - sigmas_px[sharp] ** 2
        true = 100.0 * np.expm1(-2.0 * np.pi**2 * ranking.frequency_cypx**2 * variance)
        self.trials += 1
        self.right += variance > 0.0
        self.told += pair.told_apart
        self.told_wrong += pair.told_apart and variance < 0.0
        self.covered += pair.ci95_percent[0] <= true <= pair.ci95_percent[1]
        self.ratio += pair.detail_percent / true if true else 0.0


def scenes() -> Iterator[tuple[str, Light]]:
    """Give the scenes, as linear light from 0.02 to 0.92."""
    yield "leaves (invented)", leaves(512, seed=1)
    for name in PICTURES:
        light = getattr(skimage.data, name)() / 255.0
        light = light @ [0.2126, 0.7152, 0.0722] if light.ndim == 3 else light
        rows, cols = light.shape
        yield name, 0.02 + 0.9 * light[: rows - rows % 2, : cols - cols % 2] ** 2.2


def counted(light: Light, *, kind: str, step: float, trials: int, seed: int) -> Count:
    """Rank pairs of frames again and again."""
    count = Count()
    with tempfile.TemporaryDirectory() as folder:
        for trial in range(trials):
            random = np.random.default_rng(seed + trial)
            sigma = SIGMAS_PX[trial % len(SIGMAS_PX)]
            pair = [sigma, sigma * step] if random.random() < 0.5 else [sigma * step, sigma]
            paths = [
                WRITERS[kind](
                    Path(folder) / f"{i}.{kind}", frame(light, random=random, snr=SNR, sigma_px=one)
                )
                for i, one in enumerate(pair)
            ]
            count.add(rank(paths), pair)
    return count


def page(*, trials: int, pictures: int, seed: int) -> Iterator[str]:
    """The page; the first `pictures` of the scenes."""
    yield from HEAD.splitlines()
    rows: list[tuple[float, str]] = []
    whole, same = Count(), Count()
    for name, light in islice(scenes(), pictures):
        for kind in WRITERS:
            count = counted(light, kind=kind, step=STEP, trials=trials, seed=seed)
            rows += pages.shown([(count.right / count.trials, row(name, KINDS[kind], count))])
            for item in ("trials", "right", "told", "told_wrong", "covered", "ratio"):
                setattr(whole, item, getattr(whole, item) + getattr(count, item))
        equal = counted(light, kind="tif", step=1.0, trials=trials, seed=seed)
        same.trials, same.told = same.trials + equal.trials, same.told + equal.told
    yield from pages.worst_first(rows)
    yield row("**all**", "", whole)
    yield ""
    yield (
        f"Frames of equal blur, {same.trials} pairs: told apart in {percent(same.told, same.trials)} (the risk taken "
        "is 5 %)."
    )


def percent(part: int, whole: int) -> str:
    return f"{100.0 * part / max(whole, 1):.1f} %"


def row(name: str, files: str, count: Count) -> str:
    shares = [percent(part, count.trials) for part in (count.right, count.told, count.told_wrong)]
    ratio, covered = f"{count.ratio / count.trials:.2f}", percent(count.covered, count.trials)
    return f"| {name} | {files} | {count.trials} | {' | '.join(shares)} | {ratio} | {covered} |"


HEAD = """# How well ranking orders frames

Pairs of frames of one scene, blurred by Gaussians of sigma 0.7, 1.2, 2 or 3 px and of 5 % more, each moved by a
fraction of a pixel and with white noise of its own at SNR 50 (contrast of the scene, 98th less 2nd percentile, over
the noise's rms). The sigma is what is added to the scene, taken as it is; a picture's own softness comes on top, so
the difference in total blur is 5 % at most. Target: right order in 99 %.

| scene | files | pairs | right order | told apart | told apart wrongly | blur found / true | 95 % covers |
|---|---|---|---|---|---|---|---|"""


TABLE = pages.Table(
    page=page, full={"trials": 40, "pictures": 99, "seed": 0}, tiny={"trials": 1, "pictures": 1}
)
