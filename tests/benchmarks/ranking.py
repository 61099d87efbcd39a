"""Print the table of ranking: how often frames of known blur come out in the right order.

    python tests/benchmarks/ranking.py [--trials 40] [--out docs/ranking.md]

Scenes: invented leaves and scikit-image's own pictures, each blurred by known Gaussians 5 % apart, moved by a
fraction of a pixel, with noise of its own. No test run collects this: the full table takes ten minutes on one core.
"""

import argparse
import os
import sys
import tempfile
import time
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT / "tests" / "made"))
for _name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ[_name] = "1"

# ruff: noqa: E402
import numpy as np
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


def counted(light: Light, *, kind: str, step: float, trials: int, sigmas_px: tuple[float, ...]) -> Count:
    """Rank pairs of frames again and again."""
    count = Count()
    with tempfile.TemporaryDirectory() as folder:
        for trial in range(trials):
            random = np.random.default_rng(trial)
            sigma = sigmas_px[trial % len(sigmas_px)]
            pair = [sigma, sigma * step] if random.random() < 0.5 else [sigma * step, sigma]
            paths = [
                WRITERS[kind](
                    Path(folder) / f"{i}.{kind}", frame(light, random=random, snr=SNR, sigma_px=one)
                )
                for i, one in enumerate(pair)
            ]
            count.add(rank(paths), pair)
    return count


def table(trials: int) -> Iterator[str]:
    """Give the rows of the page."""
    start = time.perf_counter()
    yield "| scene | files | pairs | right order | told apart | told apart wrongly | blur found / true | 95 % covers |"
    yield "|---|---|---|---|---|---|---|---|"
    whole, same = Count(), Count()
    for name, light in scenes():
        for kind in WRITERS:
            found = counted(light, kind=kind, step=STEP, trials=trials, sigmas_px=SIGMAS_PX)
            yield row(name, KINDS[kind], found)
            for item in ("trials", "right", "told", "told_wrong", "covered", "ratio"):
                setattr(whole, item, getattr(whole, item) + getattr(found, item))
        equal = counted(light, kind="tif", step=1.0, trials=trials, sigmas_px=SIGMAS_PX)
        same.trials, same.told = same.trials + equal.trials, same.told + equal.told
        print(f"{name}: {time.perf_counter() - start:.0f} s", file=sys.stderr, flush=True)
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

Made by `python tests/benchmarks/ranking.py --trials {trials} --out docs/ranking.md`.

"""


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--trials", type=int, default=40)
    parser.add_argument("--out", type=Path)
    chosen = parser.parse_args()
    text = HEAD.format(trials=chosen.trials) + "\n".join(table(chosen.trials)) + "\n"
    if chosen.out:
        chosen.out.write_text(text, encoding="utf-8")
    print(text)


if __name__ == "__main__":
    main()
