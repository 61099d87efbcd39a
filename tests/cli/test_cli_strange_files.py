"""Files that decoders choke on, and names that they cannot take, cost that file only: seen from the command line."""

import csv
import json
import os
import shutil
import signal
import struct
import subprocess
import sys
import time

import numpy as np
import pytest
import tifffile
from commands import ROOT, Staying

PROGRAM = (sys.executable, "-c", "from lensbench.cli.main import run; run()")
# POSIX.1-2017, 7.2: in the C locale only the portable character set is sure; the two switches keep Python 3.11
# from taking UTF-8 all the same (PEP 538, PEP 540).
PLAIN = {"LC_ALL": "C", "PYTHONUTF8": "0", "PYTHONCOERCECLOCALE": "0"}
PROGRAMS = {}
PLAIN_ASCII = PLAIN | {"PYTHONIOENCODING": "ascii"}
BAD_NAME = os.fsdecode(b"sh\xffot.dng")

pytestmark = pytest.mark.skipif(sys.platform != "linux", reason="other systems refuse such names themselves")


@pytest.fixture(scope="module", autouse=True)
def programs():
    """One program for each environment, started when it is first asked."""
    yield
    while PROGRAMS:
        PROGRAMS.popitem()[1].close()


def lensbench(*words, **variables):
    environment = tuple(sorted(variables.items()))
    if environment not in PROGRAMS:
        PROGRAMS[environment] = Staying(variables)
    status, said, told = PROGRAMS[environment].ask(*words)
    told = told.decode("utf-8", "replace")
    assert "Traceback" not in told
    assert "Error:" not in told
    return status, said.decode("utf-8", "replace"), told


@pytest.fixture(scope="module")
def shoot(tmp_path_factory):
    """Three raw photographs of the chart."""
    out = tmp_path_factory.mktemp("shoot") / "raw"
    status, *_ = lensbench(
        "simulate", "--out", out, "--stops", "4", "--repeats", "3", "--size", "440x660", "--pitch-um", "8",
        "--workers", "1",
    )  # fmt: skip
    assert status == 0
    return sorted(out.glob("*.dng"))


@pytest.fixture(scope="module")
def region(shoot):
    """Where an edge of the chart lies, as `edge --roi` takes it."""
    _, said, _ = lensbench("measure", shoot[0], "--json")
    return ",".join(map(str, json.loads(said)["edges"][0]["roi"]))


def with_tag(path, tag, value):
    """Write a number into a TIFF's first directory (TIFF 6.0, section 2)."""
    data = bytearray(path.read_bytes())
    (at,) = struct.unpack_from("<I", data, 4)
    (count,) = struct.unpack_from("<H", data, at)
    for entry in range(at + 2, at + 2 + 12 * count, 12):
        found, kind = struct.unpack_from("<HH", data, entry)
        if found == tag:
            struct.pack_into("<H" if kind == 3 else "<I", data, entry + 8, value)
            path.write_bytes(data)
            return path
    raise AssertionError(f"no tag {tag} in {path}")


PICTURE = np.random.default_rng(1).integers(0, 255, (64, 96, 3)).astype(np.uint8)
# Tags of TIFF 6.0: 278 RowsPerStrip, 279 StripByteCounts, 322 TileWidth, 323 TileLength, 325 TileByteCounts.
ZEROS = {
    "strips": ({"rowsperstrip": 64}, 279),
    "tiles wide": ({"tile": (32, 32)}, 322),
    "tiles long": ({"tile": (32, 32)}, 323),
}


def damaged(folder, kind="tiles wide"):
    """A TIFF whose strips or tiles have no size."""
    path = folder / "zero.tif"
    options, tag = ZEROS[kind]
    tifffile.imwrite(path, PICTURE, photometric="rgb", byteorder="<", **options)
    return with_tag(path, tag, 0)


@pytest.mark.parametrize("command", ["edge", "measure", "check"])
@pytest.mark.parametrize("kind", ZEROS)
def test_a_tiff_without_strip_size_is_one_sentence(tmp_path, command, kind):
    status, said, told = lensbench(command, damaged(tmp_path, kind))
    assert status == 1
    assert (said + told).count("\n") == 1
    assert "damaged or cut short" in said + told


def test_the_other_photographs_of_a_folder_are_answered(tmp_path, shoot):
    for path in shoot:
        shutil.copy(path, tmp_path / f"x{path.name}")  # behind the damaged one, whose name comes later
    damaged(tmp_path).rename(tmp_path / "a.tif")
    status, said, _ = lensbench("check", tmp_path)
    assert status == 0
    assert "3 of 4 usable" in said
    assert "a.tif" in said
    out = tmp_path.parent / f"{tmp_path.name}-report"
    status, _, told = lensbench("sweep", tmp_path, "--out", out, "--workers", "1")
    assert status == 0
    assert "rejected: a.tif" in told


def test_ranking_leaves_a_damaged_file_out(tmp_path, shoot):
    for path in shoot:
        shutil.copy(path, tmp_path)
    status, _, told = lensbench("rank", damaged(tmp_path), *tmp_path.glob("*.dng"))
    assert status in {0, 1}  # repeats of one setting may well be alike
    assert "left out: zero.tif" in told


def until(happened):
    """Wait for something that takes a second or two."""
    deadline = time.monotonic() + 60.0
    while not happened():
        assert time.monotonic() < deadline
        time.sleep(0.05)


def watched(place, variables):
    """A program that watches a folder, and the file that it answers in."""
    out = place.with_suffix(".out")
    with out.open("wb") as stdout, place.with_suffix(".messages").open("wb") as stderr:
        watch = subprocess.Popen(
            [*PROGRAM, "check", os.fsencode(place), "--watch"],
            cwd=ROOT, stdout=stdout, stderr=stderr, env=os.environ | variables,
            preexec_fn=lambda: signal.signal(signal.SIGINT, signal.SIG_DFL),  # however the tests were started
        )  # fmt: skip
    return watch, out


def test_watching_goes_on(tmp_path, shoot):
    """In a plain folder, and in a strange one in the C locale, side by side."""
    places = [tmp_path / "plain", tmp_path / os.fsdecode(b"sh\xffoots")]
    for place in places:
        place.mkdir()
        damaged(place)
    watches = [watched(place, variables) for place, variables in zip(places, ({}, PLAIN), strict=True)]

    def lines_are(count):
        return lambda: all(out.read_bytes().count(b"\n") >= count for _, out in watches)

    until(lines_are(1))  # the damaged file is tried again after 2 s
    for path, name in zip(shoot, (b"sh\xffot.dng", "Schärfe.dng".encode(), b"later.dng"), strict=True):
        lines = max(out.read_bytes().count(b"\n") for _, out in watches)
        for place in places:
            shutil.copy(path, place / os.fsdecode(name))
        until(lines_are(lines + 1))
    for (watch, out), place in zip(watches, places, strict=True):
        watch.send_signal(signal.SIGINT)
        assert watch.wait(timeout=30) == 0
        lines = out.read_bytes().decode().splitlines()
        assert b"Traceback" not in place.with_suffix(".messages").read_bytes()
        assert [line for line in lines if "zero.tif" in line and "damaged" in line]
        assert sorted(line.split()[1] for line in lines if line.startswith("usable")) == [
            "Schärfe.dng", "later.dng", "shot.dng",
        ]  # fmt: skip


NAMES = {
    "no UTF-8": (b"sh\xffot.dng", {}),
    "no UTF-8, plain terminal": (b"sh\xffot.dng", PLAIN_ASCII),
    "umlaut, plain terminal": ("Schärfe.dng".encode(), PLAIN_ASCII),
    "umlaut, C locale": ("Schärfe.dng".encode(), PLAIN),
}


@pytest.mark.parametrize("name", NAMES)
@pytest.mark.parametrize("command", ["check", "measure", "edge", "rank"])
def test_a_raw_file_of_any_name_is_measured(tmp_path, shoot, region, name, command):
    bytes_of_name, variables = NAMES[name]
    path = tmp_path / os.fsdecode(bytes_of_name)
    shutil.copy(shoot[0], path)
    beside = {"rank": [shutil.copy(shoot[1], tmp_path / "other.dng")], "edge": ["--roi", region]}.get(
        command, []
    )
    status, said, told = lensbench(command, path, *beside, **variables)
    assert "cannot be" not in told
    assert "left out" not in told
    assert "cannot be" not in said
    if command == "rank":
        assert status in {0, 1}  # repeats of one setting may well be alike
    else:
        assert status == 0
        assert path.suffix in said


@pytest.mark.parametrize("command", ["measure", "edge"])
def test_the_figures_do_not_depend_on_the_name(tmp_path, shoot, region, command):
    shutil.copy(shoot[0], tmp_path / BAD_NAME)
    options = ["--json", "--roi", region] if command == "edge" else ["--json"]
    _, plain, _ = lensbench(command, shoot[0], *options)
    status, strange, _ = lensbench(command, tmp_path / BAD_NAME, *options, **PLAIN_ASCII)
    assert status == 0
    assert json.loads(strange)["edges"] == json.loads(plain)["edges"]


@pytest.mark.parametrize("variables", [{}, PLAIN], ids=["usual", "C locale"])
def test_names_of_any_kind_pass_through_a_whole_sweep(tmp_path, shoot, variables):
    folder = tmp_path / os.fsdecode(b"sh\xffoots")
    folder.mkdir()
    names = (b"sh\xffot.dng", "Schärfe.dng".encode(), b"plain.dng")
    for path, name in zip(shoot, names, strict=True):
        shutil.copy(path, folder / os.fsdecode(name))
    damaged(tmp_path).rename(folder / os.fsdecode(b"z\xfe.tif"))
    out = tmp_path / "report"
    status, said, told = lensbench("sweep", folder, "--out", out, "--workers", "1", "--json", **variables)
    assert status == 0
    (lens,) = json.loads(said)["lenses"]
    assert (lens["shots"], len(lens["rejected"])) == (4, 1)
    assert "rejected: z" in told
    json.loads((out / "findings.json").read_bytes())
    (out / "report.html").read_bytes().decode()
    assert (out / "report.pdf").read_bytes().startswith(b"%PDF")
    rows = list(csv.DictReader((out / "shots.csv").read_text("utf-8").splitlines()))
    assert len({row["file"] for row in rows}) == 4
    assert [row for row in rows if row["file"].endswith("Schärfe.dng")]


@pytest.mark.parametrize("variables", [{}, PLAIN], ids=["usual", "C locale"])
def test_a_plan_is_filled_with_names_that_sweep_finds_again(tmp_path, shoot, variables):
    folder = tmp_path / "shoot"
    folder.mkdir()
    for path, name in zip(shoot, (b"sh\xffot.dng", "Schärfe.dng".encode(), b"plain.dng"), strict=True):
        shutil.copy(path, folder / os.fsdecode(name))
    plan = tmp_path / "plan.csv"
    plan.write_text("file,f_number\n,4\n,4\n,4\n")
    status, said, _ = lensbench("check", folder, "--plan", plan, "--fill", **variables)
    assert status == 0
    assert "3 of 3 shots" in said
    rows = list(csv.DictReader(plan.read_text("utf-8").splitlines()))
    assert {"Schärfe.dng", "plain.dng"} < {row["file"] for row in rows}
    status, _, _ = lensbench(
        "sweep", folder, "--shots", plan, "--out", tmp_path / "o", "--workers", "1", **variables
    )
    assert status == 0


@pytest.mark.parametrize("variables", [{}, PLAIN], ids=["usual", "C locale"])
def test_a_lens_may_be_named_in_any_signs(tmp_path, variables):
    name = os.fsdecode("Schärfe".encode() + b"\xff")
    out = tmp_path / "plan"
    words = ("--focal", "50", "--widest", "2.8", "--lens", name, "--camera", name, "--out", out)
    status, _, _ = lensbench("plan", *words, **variables)
    assert status == 0
    assert (out / "checklist.pdf").read_bytes().startswith(b"%PDF")
    assert "Schärfe" in (out / "shots.csv").read_text("utf-8")
