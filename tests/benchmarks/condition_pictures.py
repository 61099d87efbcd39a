"""Rows of pictures: four described lenses through `lensbench simulate` and `lensbench sweep`, as a user would."""

import csv
import json
import subprocess
from collections.abc import Iterator
from dataclasses import asdict
from pathlib import Path

import pages
from condition_shoots import FAULTS, SUBJECTS, described

ASKED = ("decentring", "field curvature", "focus shift", "astigmatism", "lateral colour", "distortion")
REFOCUSED = ("--focus-spread-um", "3", "--turned", "camera", "--seed", "5")
STOPS = ("5.6", "2.8")
STEPS_UM = ("0", "-36", "36", "-18", "18", "-54", "54")
SCENES = {
    "sheet A3": ("--paper", "A3", "--tilt", "0.2,-0.3,0.4", "--size", "800x1200"),
    "wall of 13": ("--wall", "13", "--tilt", "-0.2,0.3,0.3", "--size", "640x960"),
}


def lensbench(*words: str) -> None:
    """Run the command line as a user does."""
    subprocess.run([*pages.PROGRAM, *words], check=True, stdout=subprocess.DEVNULL)


def picture_rows(folder: Path, *, cases: int, stops: int, repeats: int, steps: int) -> Iterator[str]:
    """Shoot, sweep, and give what is said of each lens; what must matter is marked."""
    yield from pages.head("lens", "chart", *ASKED, "turned test", "right")
    kinds = [(kind, scene) for scene in SCENES for kind in FAULTS]
    for kind, scene in kinds[:cases]:
        place = folder / scene.replace(" ", "-") / kind
        words = (*SCENES[scene], "--stops", ",".join(sorted(STOPS[:stops])))
        bracket = ",".join(sorted(STEPS_UM[:steps], key=float))
        yield _row(kind, scene, _swept(kind, place, words, repeats=repeats, bracket_um=bracket))


def _swept(kind: str, place: Path, scene: tuple[str, ...], *, repeats: int, bracket_um: str) -> dict:
    place.mkdir(parents=True)
    lens = place / "lens.json"
    lens.write_text(json.dumps(asdict(described(kind))), encoding="utf-8")
    bracket = ("--repeats", "1", f"--focus-steps-um={bracket_um}", "--seed", "6")
    common = ("--lens", str(lens), *scene)
    lensbench("simulate", "--out", str(place / "refocused"), *common, *REFOCUSED, "--repeats", str(repeats))
    lensbench("simulate", "--out", str(place / "bracket"), *common, *bracket)
    table = place / "shots.csv"
    _joined([place / "refocused" / "shots_table.csv", place / "bracket" / "shots_table.csv"], table)
    folders = (str(place / "refocused"), str(place / "bracket"))
    lensbench("sweep", *folders, "--shots", str(table), "--out", str(place / "report"), "--workers", "1")
    findings = json.loads((place / "report" / "findings.json").read_text(encoding="utf-8"))
    return findings["lenses"][0]


def _joined(tables: list[Path], out: Path) -> None:
    rows = [row for table in tables for row in csv.reader(table.read_text(encoding="utf-8").splitlines())]
    with out.open("w", encoding="utf-8", newline="") as stream:
        csv.writer(stream).writerows([rows[0], *(row for row in rows if row != rows[0])])


def _row(kind: str, scene: str, lens: dict) -> str:
    findings = {finding["subject"]: finding for finding in lens["condition"]}
    wanted = {SUBJECTS[kind]} if kind in SUBJECTS else set()
    matters = {subject for subject in ASKED if findings[subject]["verdict"] == "matters"}
    outcome = findings["decentring"]["details"]["turned"]["outcome"]
    turned = outcome if "decentring" in matters else "–"
    words = {subject: findings[subject]["verdict"].replace("_", " ") for subject in ASKED}
    cells = [f"**{words[subject]}**" if subject in wanted else words[subject] for subject in ASKED]
    return pages.row(kind, scene, *cells, turned, "yes" if matters == wanted else "NO")
