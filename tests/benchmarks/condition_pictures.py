"""Rows of pictures: lenses told by their wavefronts, through `lensbench simulate` and `lensbench sweep`.

What is true of them comes from the same wavefronts (`docs/method/wavefront-lens.md`), by the definitions of
docs/method/method.md: nothing of it passes through the program's measurement.
"""

import csv
import json
import subprocess
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from functools import cache
from pathlib import Path

import numpy as np
import pages
from condition_figures import AT_OUTER, AT_SIDES, LIMITS, peak_of
from scipy import interpolate

from lensbench.model.condition import Subject
from lensbench.simulate import lens_described
from lensbench.simulate.wavefront import WavefrontLens, transfer

ASKED = (Subject.DECENTRING, Subject.FIELD_CURVATURE, Subject.FOCUS_SHIFT, Subject.ASTIGMATISM)
REFOCUSED = ("--focus-spread-um", "3", "--seed", "5")
PITCH_UM = 4.0
FREQUENCY_CYPX = np.geomspace(0.01, 0.6, 40)
ROUND_DEG = (0.0, 90.0, 180.0, 270.0)
SCENES = {
    "sheet A3": ("--paper", "A3", "--size", "800x1200"),
    "wall of 13": ("--wall", "13", "--size", "800x1200"),
}


@dataclass(frozen=True, kw_only=True)
class Case:
    """A lens, the camera's pitch and yaw, and whether a focus bracket, or turned shots, stand beside."""

    lens: str
    scene: str = "sheet A3"
    tilt: str = "0.1,-0.2,0.4"
    turned: bool = False
    bracket: bool = False

    @property
    def folder(self) -> str:
        return f"{self.lens}-{self.scene}-{self.tilt}-{self.turned}-{self.bracket}".replace(" ", "-")


CASES = (
    Case(lens="borage", bracket=True),
    Case(lens="borage"),
    Case(lens="borage-decentred"),
    Case(lens="clover"),
    Case(lens="borage-decentred", turned=True),
    Case(lens="borage-decentred", bracket=True),
    Case(lens="clover", bracket=True),
    Case(lens="borage", tilt="0.6,-0.9,0.3"),
    Case(lens="borage", scene="wall of 13"),
    Case(lens="borage-decentred", scene="wall of 13"),
    Case(lens="borage", scene="wall of 13", bracket=True),
    Case(lens="clover", scene="wall of 13", bracket=True),
)


def picture_rows(folder: Path, *, cases: int, stops: int, repeats: int, steps: int) -> Iterator[str]:
    """Shoot, sweep, and set what is said beside what is true; what is false is bold."""
    asked = (str(subject) for subject in ASKED)
    yield from pages.head("lens", "chart", "tilt", "shots", *asked, "side", "turned test", "false")
    for case in CASES[:cases]:
        lens = lens_described(case.lens)
        assert isinstance(lens, WavefrontLens)
        ladder = (5.6, lens.widest_f_number)[:stops]
        found = _swept(case, folder / case.folder, sorted(ladder), repeats=repeats, steps=steps)
        yield _row(case, found, truth_of(case.lens, tuple(sorted(ladder))))


def _lensbench(*words: str) -> None:
    subprocess.run([*pages.PROGRAM, *words], check=True, stdout=subprocess.DEVNULL)


def _swept(case: Case, place: Path, ladder: list[float], *, repeats: int, steps: int) -> dict:
    place.mkdir(parents=True)
    common = ("--lens", case.lens, *SCENES[case.scene], "--tilt", case.tilt, "--pitch-um", f"{PITCH_UM:g}")
    common += ("--stops", ",".join(f"{stop:g}" for stop in ladder))
    turned = ("--turned", "camera") if case.turned else ()
    folders = [place / "refocused"]
    words = ("--out", str(folders[0]), *common, *REFOCUSED, *turned, "--repeats", str(repeats))
    _lensbench("simulate", *words)
    if case.bracket:
        folders.append(place / "bracket")
        reach_um = 11.0 * ladder[0] ** 1.4
        at_um = ",".join(f"{step:.0f}" for step in np.linspace(-1.0, 1.6, steps) * reach_um)
        bracket = ("--repeats", "1", f"--focus-steps-um={at_um}", "--seed", "6")
        _lensbench("simulate", "--out", str(folders[1]), *common, *bracket)
    table = place / "shots.csv"
    _joined([path for one in folders if (path := one / "shots.csv").exists()], table)
    known = ("--shots", str(table)) if table.exists() else ()
    _lensbench("sweep", *map(str, folders), *known, "--out", str(place / "report"), "--workers", "1")
    findings = json.loads((place / "report" / "findings.json").read_text(encoding="utf-8"))
    return findings["lenses"][0]


def _joined(tables: list[Path], out: Path) -> None:
    rows = [row for table in tables for row in csv.reader(table.read_text(encoding="utf-8").splitlines())]
    if rows:
        with out.open("w", encoding="utf-8", newline="") as stream:
            csv.writer(stream).writerows([rows[0], *(row for row in rows if row != rows[0])])


def _row(case: Case, lens: dict, truth: dict[str, float]) -> str:
    findings = {finding["subject"]: finding for finding in lens["condition"]}
    cells, false = [], 0
    for subject in ASKED:
        verdict, limit = findings[subject]["verdict"], LIMITS[subject]
        wrong = verdict == ("within_limits" if truth[subject] >= limit else "matters")
        false += wrong
        told = verdict.replace("_", " ")
        cells.append(f"{f'**{told}**' if wrong else told} ({truth[subject]:.0f} %)")
    decentring = findings[Subject.DECENTRING]
    side = decentring["side"] if decentring["verdict"] == "matters" else "–"
    turned = decentring["details"]["turned"]["outcome"].replace("_", " ")
    shots = "refocused" + ", turned" * case.turned + ", bracket" * case.bracket
    return pages.row(case.lens, case.scene, case.tilt, shots, *cells, side, turned, false)


@cache
def truth_of(name: str, stops: tuple[float, ...]) -> dict[str, float]:
    """What is true of a lens in percent of MTF50, at the stop that shows most, focused in the middle at each."""
    lens = lens_described(name)
    assert isinstance(lens, WavefrontLens)
    at = {stop: _AtStop(lens, stop) for stop in stops}
    return {
        Subject.DECENTRING: max(max(own.asymmetry, own.lean_loss) for own in at.values()),
        Subject.FIELD_CURVATURE: max(own.curvature_loss for own in at.values()),
        Subject.FOCUS_SHIFT: at[stops[-1]].loss_at(at[stops[0]].middle_um) if len(stops) > 1 else 0.0,
        Subject.ASTIGMATISM: max(own.planes_loss for own in at.values()),
    }


Curve = Callable[[float], float]


class _AtStop:
    """Sharpness over focus and picture at one stop."""

    def __init__(self, lens: WavefrontLens, stop: float) -> None:
        self.lens, self.stop = lens, stop
        self.azimuths_deg = ROUND_DEG if lens.maps.figures.c.shape[2] > 2 else ROUND_DEG[:1]
        self.focused_um = -lens.focus_shift_um(lens.focal_range_mm[0], stop)
        self.middle_um = self._peak(_both(self._curves(0.0, 0.0)))

    def _curves(self, height: float, azimuth_deg: float) -> tuple[Curve, Curve]:
        """Log MTF50 of sagittal and tangential edges over the sensor's plane."""
        return _through_focus(self.lens, self.stop, self.focused_um, height, azimuth_deg)

    def _peak(self, curve: Curve) -> float:
        return peak_of(curve, self.focused_um, _reach_um(self.stop))

    def loss_at(self, focus_um: float) -> float:
        middle = _both(self._curves(0.0, 0.0))
        return _percent(middle(self.middle_um) - middle(focus_um))

    @property
    def asymmetry(self) -> float:
        """Of right against left and bottom against top, at 0.7 or where 3:2 ends before, in focus in the middle."""
        if len(self.azimuths_deg) == 1:
            return 0.0
        right, top, left, bottom = (
            _both(self._curves(height, azimuth))(self.middle_um)
            for azimuth, height in zip(ROUND_DEG, (AT_SIDES, 0.5547, AT_SIDES, 0.5547), strict=True)
        )
        return _percent(float(np.hypot(right - left, bottom - top)))

    @property
    def lean_loss(self) -> float:
        """What the plane of focus takes from the sides where it leans."""
        if len(self.azimuths_deg) == 1:
            return 0.0
        curves = [_both(self._curves(AT_SIDES, azimuth)) for azimuth in ROUND_DEG]
        best = [self._peak(curve) for curve in curves]
        off_um = np.hypot(best[0] - best[2], best[1] - best[3]) / 2.0
        losses = [
            curve(peak) - 0.5 * (curve(peak + off_um) + curve(peak - off_um))
            for curve, peak in zip(curves, best, strict=True)
        ]
        return _percent(float(np.mean(losses)))

    @property
    def curvature_loss(self) -> float:
        losses = []
        for azimuth in self.azimuths_deg:
            curve = _both(self._curves(AT_OUTER, azimuth))
            losses.append(curve(self._peak(curve)) - curve(self.middle_um))
        return _percent(float(np.mean(losses)))

    @property
    def planes_loss(self) -> float:
        losses = []
        for azimuth in self.azimuths_deg:
            sagittal, tangential = self._curves(AT_OUTER, azimuth)
            own, other = (self._peak(curve) for curve in (sagittal, tangential))
            losses += [sagittal(own) - sagittal(other), tangential(other) - tangential(own)]
        return _percent(float(np.mean(losses)))


def _reach_um(stop: float) -> float:
    """How far through focus is looked: four waves at the rim, where that is enough."""
    return min(16.0 * stop**2, 120.0)


def _percent(log_loss: float) -> float:
    return float(-100.0 * np.expm1(-max(log_loss, 0.0)))


def _both(curves: tuple[Curve, Curve]) -> Curve:
    return lambda z: 0.5 * (curves[0](z) + curves[1](z))


@cache
def _through_focus(
    lens: WavefrontLens, stop: float, focused_um: float, height: float, azimuth_deg: float
) -> tuple[Curve, Curve]:
    """Cubic splines through the exact figures; `height` in half-diagonals."""
    turn = np.radians(azimuth_deg)
    along = np.array([-np.sin(turn), np.cos(turn)])
    across = np.array([-np.cos(turn), -np.sin(turn)])
    reach_um = _reach_um(stop)
    focuses = focused_um + np.linspace(-reach_um, reach_um, 15)
    logs = []
    for focus_um in focuses:
        seen = transfer(
            lens.maps,
            (float(height * along[0]), float(height * along[1])),
            "green",
            lens.stopped_down(stop),
            lens.widest_f_number,
            float(focus_um),
            PITCH_UM,
        )
        # A sagittal edge lies along the radius: its normal, and the frequency, go across.
        logs.append([_log_mtf50(seen.at, normal) for normal in (across, along)])
    sagittal, tangential = (interpolate.CubicSpline(focuses, figures) for figures in np.array(logs).T)
    return (lambda z: float(sagittal(z))), (lambda z: float(tangential(z)))


def _log_mtf50(at: Callable, normal: np.ndarray) -> float:
    pixel = np.sinc(FREQUENCY_CYPX * normal[0]) * np.sinc(FREQUENCY_CYPX * normal[1])
    modulus = np.abs(at(FREQUENCY_CYPX * normal[0], FREQUENCY_CYPX * normal[1])) * pixel
    after = int(np.argmax(modulus < 0.5))
    share = (modulus[after - 1] - 0.5) / (modulus[after - 1] - modulus[after])
    step = np.log(FREQUENCY_CYPX[1] / FREQUENCY_CYPX[0])
    return float(np.log(FREQUENCY_CYPX[after - 1]) + share * step)
