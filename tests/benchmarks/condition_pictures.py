"""Rows of pictures: lenses told by their wavefronts, photographed, and swept by the program.

What is true comes from the same wavefronts (`condition_truth`) and, of the zones, from what was rendered: nothing of it
passes through the program's measurement. The photographs are kept in the folder for temporary files, for as long as
the simulator, the lenses and the cases stay as they are.
"""

import hashlib
import json
import subprocess
import tempfile
from collections import Counter
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import pages
from condition_figures import LIMITS, SPLIT
from condition_truth import MAGNIFICATION, PITCH_UM, truth_of
from wavefront_copies import Terms, by_terms, copy_of

from lensbench.chart.layout import sheet
from lensbench.model.condition import Subject
from lensbench.shot.geometry import direction_of, place_of, zone_of
from lensbench.simulate import Camera, Plan, Pose, Scene, series, shoot, write_shots_table
from lensbench.simulate.scene import Geometry, PointBlur, Shot
from lensbench.simulate.wavefront import WavefrontLens

ASKED = (
    Subject.TILT,
    Subject.DECENTRING,
    Subject.FIELD_CURVATURE,
    Subject.FOCUS_SHIFT,
    Subject.ASTIGMATISM,
    SPLIT,
    Subject.LATERAL_COLOUR,
)
ZONES = ("inner", "middle", "outer", "frame")
SIZE_PX = (2000, 3000)
SPREAD_UM = 3.0
ZONE_SHARE = 0.01


@dataclass(frozen=True, kw_only=True)
class Case:
    """A lens, and how it is photographed."""

    name: str
    lens: Callable[[], WavefrontLens]
    stops: tuple[float, ...]
    repeats: int = 3
    pitch_yaw_deg: tuple[float, float] = (0.1, -0.2)
    steady_um: float = 0.0
    """A focus error that all shots have."""
    turned: bool = False
    bracket: tuple[float, ...] = ()
    """Stops of a focus bracket beside."""
    colour: bool = False
    """A sensor with colour filters rather than without."""

    @property
    def shots(self) -> str:
        """What was shot, in words."""
        stops = ", ".join(f"f/{stop:g}" for stop in self.stops)
        parts = [f"{self.repeats} at {stops}"]
        parts += ["and as many turned"] * self.turned
        parts += [f"a bracket at {', '.join(f'f/{stop:g}' for stop in self.bracket)}"] * bool(self.bracket)
        if max(map(abs, self.pitch_yaw_deg)) > 0.5:
            parts.append("camera tilted by {:g} and {:g} degrees".format(*self.pitch_yaw_deg))
        if self.steady_um:
            parts.append(f"all {self.steady_um:g} um off focus")
        return "; ".join(parts)


def _curved() -> WavefrontLens:
    terms = Terms(curvature_um=-38.0, astigmatism_um=30.0, spherical_um=0.35, coma_um=0.3)
    return by_terms("Yarrow 50 mm f/2.8", 50.0, 2.8, terms)


def _shifting() -> WavefrontLens:
    terms = Terms(spherical_um=2.2, spherical_high_um=-0.3, coma_um=0.2, curvature_um=6.0)
    return by_terms("Teasel 50 mm f/2", 50.0, 2.0, terms)


def _knocked() -> WavefrontLens:
    terms = Terms(off_axis_um=(-0.25, 0.3), off_tilt_um=(-9.0, 10.0), spherical_um=0.4, coma_um=0.3)
    return by_terms("Sedge 50 mm f/2.8", 50.0, 2.8, terms)


def _sound() -> WavefrontLens:
    terms = Terms(
        spherical_um=0.5, spherical_high_um=-0.15, coma_um=0.4, curvature_um=5.0, red_um=3.6, blue_um=-1.2
    )
    return by_terms("Campion 50 mm f/2.8", 50.0, 2.8, terms)


CASES = (
    Case(name="borage", lens=lambda: copy_of("borage"), stops=(2.8, 5.6, 8.0)),
    Case(name="borage, decentred", lens=lambda: copy_of("borage-decentred"), stops=(2.8, 5.6)),
    Case(
        name="borage, plane leaning by 14 um",
        lens=lambda: copy_of("borage", leaning_um=(12.0, 7.0)),
        stops=(2.8, 5.6),
    ),
    Case(name="clover", lens=lambda: copy_of("clover"), stops=(2.8, 5.6)),
    Case(name="strongly curved and astigmatic", lens=_curved, stops=(2.8, 5.6)),
    Case(
        name="borage",
        lens=lambda: copy_of("borage"),
        stops=(2.8, 5.6),
        pitch_yaw_deg=(1.2, -1.6),
        steady_um=8.0,
    ),
    Case(
        name="borage, decentred",
        lens=lambda: copy_of("borage-decentred"),
        stops=(2.8, 5.6),
        repeats=2,
        turned=True,
    ),
    Case(name="borage", lens=lambda: copy_of("borage"), stops=(2.8, 5.6), repeats=2, bracket=(2.8, 5.6)),
    Case(name="element off its axis to the lower left", lens=_knocked, stops=(2.8, 5.6)),
    Case(name="sound, red 0.9 px out", lens=_sound, stops=(2.8, 5.6), repeats=2, colour=True),
    Case(
        name="strongly curved and astigmatic", lens=_curved, stops=(2.8, 5.6), repeats=2, bracket=(2.8, 5.6)
    ),
    Case(name="spherical, its focus shifts", lens=_shifting, stops=(2.0, 5.6), repeats=2, bracket=(2.0, 5.6)),
    Case(
        name="borage, plane leaning by 14 um",
        lens=lambda: copy_of("borage", leaning_um=(12.0, 7.0)),
        stops=(2.8, 5.6),
        repeats=2,
        bracket=(2.8, 5.6),
    ),
    Case(
        name="borage, decentred, turned on the camera",
        lens=lambda: copy_of("borage-decentred", turned=True),
        stops=(2.8, 5.6),
    ),
    Case(name="borage, wide open", lens=lambda: copy_of("borage"), stops=(2.0, 4.0)),
    Case(
        name="borage, plane leaning by 28 um",
        lens=lambda: copy_of("borage", leaning_um=(-20.0, 20.0)),
        stops=(2.8, 5.6),
    ),
)


class TargetsGeometry(Geometry):
    """Markers are blurred as the target beside them: of them no sharpness is told."""

    def blur(self, shot: Shot, channel: str, center_mm: tuple[float, float]) -> PointBlur:
        """As that of the nearest target."""
        centers_mm = [target.center_mm for target in self.scene.layout.targets]
        nearest = int(np.argmin(np.linalg.norm(np.array(centers_mm) - center_mm, axis=1)))
        return super().blur(shot, channel, centers_mm[nearest])


class TargetsScene(Scene):
    """A scene whose targets alone are rendered with their own blur."""

    def geometry(self, focal_length_mm: float) -> Geometry:
        """At a focal length."""
        return TargetsGeometry(scene=self, focal_length_mm=focal_length_mm)


def _taken(case: Case, steps: int) -> list[Path]:
    """Folders of a case's photographs, made where they are not kept."""
    lens = case.lens()
    known = hashlib.sha256(repr((replace(case, lens=None), steps, SIZE_PX, MAGNIFICATION)).encode())
    known.update(np.array(lens.maps.figures.c).tobytes())
    for path in sorted((pages.ROOT / "lensbench" / "simulate").glob("*.py")):
        known.update(path.read_bytes())
    place = Path(tempfile.gettempdir()) / "lensbench-condition" / known.hexdigest()[:16]
    rows, cols = SIZE_PX
    camera = Camera(rows=rows, cols=cols, pitch_um=PITCH_UM, cfa="rggb" if case.colour else "mono")
    pitch_deg, yaw_deg = case.pitch_yaw_deg
    pose = Pose(pitch_deg=pitch_deg, yaw_deg=yaw_deg, roll_deg=0.3)
    layout = replace(sheet("A4"), tones=(), markers=sheet("A4").markers[::3])  # enough to find the targets by
    scene = TargetsScene(layout=layout, lens=lens, camera=camera, pose=pose)
    (focal_mm,) = (position.focal_length_mm for position in lens.positions)
    common = {"focal_lengths_mm": [focal_mm], "focus_spread_um": SPREAD_UM}
    turned = "camera" if case.turned else ""
    plans = {"refocused": Plan(f_numbers=case.stops, repeats=case.repeats, turned=turned, seed=5, **common)}
    if case.bracket:
        reach_um = 11.0 * min(case.bracket) ** 1.4
        at_um = tuple(np.round(np.linspace(-1.3, 1.3, steps) * reach_um, 1).tolist())
        plans["bracket"] = Plan(f_numbers=case.bracket, repeats=1, focus_steps_um=at_um, seed=6, **common)
    for name, plan in plans.items():
        if not (place / name / "truth.json").exists():
            jobs = series(scene, place / name, plan=plan)
            jobs = [
                replace(job, shot=replace(job.shot, focus_error_um=job.shot.focus_error_um + case.steady_um))
                for job in jobs
            ]
            shoot(jobs, truth_channels=("green" if case.colour else "grey",))
            write_shots_table(place / name, jobs)
    return [place / name for name in plans]


def _swept(folders: list[Path], out: Path) -> dict:
    tables = [path.read_text(encoding="utf-8") for one in folders if (path := one / "shots.csv").exists()]
    words = [*map(str, folders), "--out", str(out / "report"), "--workers", "1"]
    if tables:
        lines = dict.fromkeys(line for text in tables for line in text.splitlines())
        (out / "shots.csv").write_text("\n".join(lines) + "\n", encoding="utf-8")
        words += ["--shots", str(out / "shots.csv")]
    subprocess.run([*pages.PROGRAM, "sweep", *words], check=True, stdout=subprocess.DEVNULL)
    findings = json.loads((out / "report" / "findings.json").read_text(encoding="utf-8"))
    return findings["lenses"][0]


def true_zones(folder: Path) -> dict[tuple[float, str], float]:
    """MTF50 of each stop's zones [cy/px]: the mean of the shots of what was rendered, weighted as the program does."""
    shots: dict[tuple[float, str], list[float]] = {}
    for photo in json.loads((folder / "truth.json").read_text(encoding="utf-8"))["photos"]:
        edges: dict[tuple[str, str], list[float]] = {}
        for edge in photo["edges"]:
            place = tuple(edge["center_px"])
            zone = zone_of(place_of(place, SIZE_PX).image_height, SIZE_PX)
            direction = direction_of(place, SIZE_PX, angle_deg=edge["angle_deg"])
            edges.setdefault((zone, str(direction)), []).append(edge["mtf50_cypx"])
        means = {
            zone: float(np.mean([np.mean(edges[zone, way]) for way in ("sagittal", "tangential")]))
            for zone in ZONES[:3]
        }
        means["frame"] = float(np.mean(list(means.values())))
        for zone, mean in means.items():
            shots.setdefault((photo["settings"]["f_number"], zone), []).append(mean)
    return {key: float(np.mean(means)) for key, means in shots.items()}


class Told:
    """What was said of one shoot beside what is true."""

    def __init__(self, case: Case, lens: dict, truth: dict, zones: dict) -> None:
        self.case, self.lens, self.truth = case, lens, truth
        self.findings = {finding["subject"]: finding for finding in lens["condition"]}
        (focal,) = lens["by_focal_length"]
        self.zones = [
            (point["zone"], point["f_number"], point["mtf50_cypx"], tuple(point["ci95_cypx"]), true)
            for point in focal["curve"]
            if (true := zones.get((point["f_number"], point["zone"]))) and point["mtf50_cypx"]
        ]
        self.frame = {stop: true for (stop, zone), true in zones.items() if zone == "frame"}

    def outcome(self, subject: str) -> tuple[str, str]:
        """Right, can't tell, false alarm or missed; and the cell that says so."""
        own = self.findings[Subject.ASTIGMATISM if subject == SPLIT else subject]
        verdict = own["verdict"]
        if subject == SPLIT:
            split = (own["details"] or {}).get("split")
            verdict = split["verdict"] if split else "cannot_tell"
        true, limit = self.truth.get(subject, float("nan")), LIMITS.get(subject, 0.5)
        if not np.isfinite(true):
            return "", "–"
        matters = true >= limit
        outcome = {
            "cannot_tell": "can't tell",
            "matters": "right" if matters else "false alarm",
            "within_limits": "missed" if matters else "right",
        }[verdict]
        told = f"{verdict.replace('_', ' ')} ({true:.{0 if subject in LIMITS else 2}f})"
        return outcome, told if outcome in {"right", "can't tell"} else f"**{told}**"

    def intervals(self) -> Iterator[tuple[str, bool]]:
        """Of every asymmetry and every distance of planes that has an interval: whether that holds the truth."""
        decentring = self.findings[Subject.DECENTRING]["details"]
        for row in decentring["rows"]:
            true = self.truth[row["f_number"]]["asymmetry"]
            yield f"asymmetry f/{row['f_number']:g} {row['source']}", _holds(row["ci95_percent"], true)
        for subject in (Subject.FIELD_CURVATURE, Subject.ASTIGMATISM, Subject.FOCUS_SHIFT):
            details = self.findings[subject]["details"] or {}
            distance = details if subject is Subject.FOCUS_SHIFT else details.get("distance")
            if distance:
                true = self.truth[distance["f_number"]][subject]
                yield f"{subject} f/{distance['f_number']:g}", _holds(distance["ci95_percent"], true)

    def zone_errors(self) -> Iterator[tuple[float, bool]]:
        """Error of each zone figure as a share, and whether it lies within 1 % or its interval holds the truth."""
        for _, _, told, ci95, true in self.zones:
            error = told / true - 1.0
            yield error, abs(error) <= ZONE_SHARE or _holds(ci95, true)

    def headline(self) -> tuple[str, int]:
        """How much the named stop really loses, and how many of the answer's claims about stops are false."""
        best = self.lens["best"]
        if best is None or best["zone"] != "frame":
            return "no stop named", 0
        top = max(self.frame.values())
        named = {key: {one["f_number"] for one in best[key]} for key in ("tied", "as_good")}
        false = sum(self.frame[stop] < 0.97 * top for stop in named["as_good"])
        false += max(self.frame, key=lambda stop: self.frame[stop]) not in named["tied"] | {best["f_number"]}
        return (
            f"f/{best['f_number']:g}, loses {100.0 * (1.0 - self.frame[best['f_number']] / top):.1f} %",
            false,
        )

    def cells(self) -> tuple[list[object], Counter]:
        """A row, and what it counts."""
        outcomes = {subject: self.outcome(subject) for subject in ASKED}
        count = Counter(outcome for outcome, _ in outcomes.values() if outcome)
        errors = list(self.zone_errors())
        held = sum(inside for _, inside in errors)
        worst = max((error for error, _ in errors), key=abs, default=0.0)
        said, false = self.headline()
        decentring = self.findings[Subject.DECENTRING]
        side = f"{decentring['side']} ({self.truth['side']})" if decentring["verdict"] == "matters" else "–"
        turned = decentring["details"]["turned"]["outcome"].replace("_", " ")
        intervals = dict(self.intervals())
        count += Counter(zones=len(errors), zones_held=held, headline_false=false)
        count += Counter(intervals=len(intervals), intervals_held=sum(intervals.values()))
        cells = [
            *(self.case.name, self.case.shots, *(cell for _, cell in outcomes.values()), side, turned),
            *(
                f"{sum(intervals.values())} of {len(intervals)}",
                f"{held} of {len(errors)}",
                f"{100.0 * worst:+.1f}",
            ),
            *(said, false),
        ]
        return cells, count


def _holds(interval: tuple[float | None, float | None], true: float) -> bool:
    low, high = interval
    return low is not None and high is not None and low <= true <= high


HEAD = (
    *("lens", "shots", *(str(subject) for subject in ASKED), "side told (true)", "turned test"),
    *("intervals hold", "zones hold", "worst zone %", "stop named", "false of stops"),
)


def picture_rows(*, cases: int, steps: int) -> Iterator[str]:
    """Table of what is said beside what is true, the worst shoots first, and the counts of all."""
    rows, total = [], Counter()
    for case in CASES[:cases]:
        folders = _taken(case, steps)
        with tempfile.TemporaryDirectory() as out:
            lens = _swept(folders, Path(out))
        tilt_deg = case.pitch_yaw_deg
        told = Told(case, lens, truth_of(case.lens(), case.stops, tilt_deg), true_zones(folders[0]))
        cells, count = told.cells()
        total += count
        wrong = count["false alarm"] + count["missed"] + count["headline_false"]
        rows.append(((-wrong, -count["can't tell"]), pages.row(*cells)))
        pages.shown([pages.row(*cells), str([name for name, held in told.intervals() if not held])])
    yield from pages.head(*HEAD)
    yield from (row for _, row in sorted(rows, key=lambda pair: pair[0]))
    yield ""
    verdicts = ", ".join(f"{total[name]} {name}" for name in ("right", "can't tell", "false alarm", "missed"))
    yield (
        f"All verdicts together: {verdicts}. Zone figures within 1 % or their interval: {total['zones_held']} of "
        f"{total['zones']}; intervals of asymmetries and distances that hold the truth: {total['intervals_held']} of "
        f"{total['intervals']}."
    )
