"""Shots judged at the camera: simulated mistakes that must be told, and clean shots that must not."""

import os
import shutil
import signal
import subprocess
import sys
import time
from dataclasses import replace
from math import cos, radians, sqrt, tan
from pathlib import Path

import pytest
from typer.testing import CliRunner

from lensbench import simulate
from lensbench.capture.framing import border_gaps, empty_sides, side_as_held, tilt_as_held
from lensbench.capture.plan import table_text
from lensbench.capture.plan_book import PlanBook, PlanFile
from lensbench.capture.session import Follower, Happening, Session, What, follow
from lensbench.capture.verdict import judge
from lensbench.chart.layout.sheet import sheet
from lensbench.cli.main import app
from lensbench.model.errors import ImageError, SettingError, remark
from lensbench.model.shot import Metadata, RejectedShot, TableRow, Tilt
from lensbench.shot import measure_shot
from lensbench.sweep.gather import read_shots_table

ROOT = Path(__file__).resolve().parents[2]
LENS = simulate.prime("Invented 35", simulate.ZoomPosition(focal_length_mm=35), widest_f_number=2.8)


SOFT = "soft everywhere: refocus once; if it stays so, the lens is soft at this stop: keep the shot"


def taken(path, *, f_number=5.6, pose=None, **shot):
    """One photograph of an A3 sheet from a home printer."""
    scene = simulate.Scene(
        layout=sheet("A3"),
        lens=LENS,
        camera=simulate.Camera(rows=928, cols=1392, pitch_um=5.0),
        pose=pose or simulate.Pose(),
        print_sigma_mm=0.03,
    )
    job = simulate.Job(
        scene=scene, shot=simulate.Shot(focal_length_mm=35.0, f_number=f_number, seed=5, **shot), path=path
    )
    simulate.shoot([job], workers=1, truth_channels=())
    return path


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    return tmp_path_factory.mktemp("camera")


@pytest.fixture(scope="module")
def clean(folder):
    path = taken(folder / "clean.dng")
    return path, measure_shot(path)


@pytest.fixture(scope="module")
def wide(folder):
    return measure_shot(taken(folder / "wide.dng", f_number=2.8))


def test_clean_shots_are_usable_without_a_word(clean, wide):
    for shot in (clean[1], wide):
        verdict = judge(shot)
        assert verdict.usable, verdict.line
        assert (verdict.repeat, verdict.mind) == ((), ())
    assert judge(wide).line == "usable  wide.dng (f/2.8, 35 mm, 1/125 s)"


@pytest.mark.parametrize(
    ("turns", "told", "moved"),
    [
        ({"yaw_deg": 3.0}, "turn the camera 3.0 degrees to the left", "to the right"),
        ({"pitch_deg": -2.5}, "turn the camera 2.5 degrees up", "down"),
    ],
)
def test_a_camera_turned_away_is_turned_back(tmp_path, turns, told, moved):
    """The simulated pose is the truth; the axis wanders by distance x tan(angle) as it is turned."""
    shot = measure_shot(taken(tmp_path / "a.dng", f_number=2.8, pose=simulate.Pose(**turns)))
    (said,) = judge(shot).repeat
    (angle,) = turns.values()
    wander_cm = shot.distance_mm * tan(radians(abs(angle))) / 10.0
    assert said.startswith(told)
    assert said.endswith(f"and move it {wander_cm:.0f} cm {moved}")


def test_too_much_and_too_little_light(tmp_path):
    clipped = Session().check(taken(tmp_path / "white.dng", paper_level=1.2))[0]
    assert not clipped.usable
    assert "white is clipped" in clipped.line
    # 0.65 over 0.1 is 2.7 stops: 2 2/3 on a camera's dial.
    dark = judge(measure_shot(taken(tmp_path / "dark.dng", paper_level=0.1)))
    assert dark.usable
    assert "2 2/3 stops more" in dark.line


def test_paper_just_clipped_is_two_thirds_too_much(clean):
    session = Session(measure=lambda path: replace(clean[1], path=path, quality=(remark("white_clipped"),)))
    verdict, _ = session.check(Path("a.dng"))
    assert not verdict.usable
    assert verdict.repeat == ("white is clipped: two thirds of a stop less",)


def with_figure(shot, mtf50_cypx):
    """The same shot with one figure in every zone."""
    zones = {name: replace(zone, mtf50_cypx=mtf50_cypx) for name, zone in shot.summary.items()}
    return replace(shot, summary=zones)


def test_what_physics_allows_goes_by_the_working_f_number(clean):
    # Life-size, f/16 works as f/32 (N (1 + m), any optics textbook): on 5 um no lens passes 0.404 / q = 0.117
    # cycles/pixel (Goodman's pupil falls to one half at 0.404 of its cutoff). A lens at 80 % of it is in focus.
    near = replace(clean[1], magnification=1.0, metadata=replace(clean[1].metadata, f_number=16.0))
    allowed = 0.404 / (0.54 * 32.0 / 5.0)
    assert judge(with_figure(near, 0.8 * allowed)).mind == ()
    assert judge(with_figure(near, 0.4 * allowed)).mind == (SOFT,)


def test_a_misfocused_shot_is_told_beside_its_like(tmp_path, wide):
    """55 um at f/2.8 is a disc of 20 um, 4 px (geometric: shift over f-number). Alone it may be the lens."""
    off = measure_shot(taken(tmp_path / "off.dng", f_number=2.8, focus_error_um=55.0))
    assert (judge(off).usable, judge(off).mind) == (True, (SOFT,))
    for first, second in ((wide, off), (off, wide)):  # whichever comes first
        shots = iter((first, second))
        session = Session(measure=lambda path, shots=shots: replace(next(shots), path=path))
        told = [session.check(tmp_path / name)[0] for name in ("1.dng", "2.dng")]
        told += session.revised
        (bad,) = [verdict for verdict in told if not verdict.usable]
        sharp = "1.dng" if first is wide else "2.dng"
        assert bad.line.startswith(f"REPEAT  {'2.dng' if first is wide else '1.dng'} (f/2.8")
        assert f"softer all over than {sharp}: refocus" in bad.line
        assert {path.name for path in session.usable} == {sharp}


def test_a_lens_that_is_soft_wide_open_is_not_out_of_focus(clean, tmp_path):
    """Repeats that agree: soft by whatever means, and no one of them out of focus."""
    figures = iter((0.08, 0.081, 0.079))
    session = Session(measure=lambda path: replace(with_figure(clean[1], next(figures)), path=path))
    told = [session.check(tmp_path / f"{number}.dng")[0] for number in range(3)]
    assert [verdict.usable for verdict in told] == [True] * 3
    assert [verdict.mind for verdict in told] == [(SOFT,), (), ()]
    assert session.revised == ()


def test_steps_of_a_bracket_may_be_out_of_focus_before_it_is_whole(clean, tmp_path):
    book = PlanBook(
        [
            TableRow(f_number=5.6, focal_length_mm=35.0),
            *(
                TableRow(f_number=5.6, focal_length_mm=35.0, focus_group="bracket", focus_step=float(step))
                for step in (-2, -1, 0, 1, 2)
            ),
        ]
    )
    figures = iter((0.3, 0.1, 0.2, 0.3, 0.2, 0.1))
    session = Session(book, measure=lambda path: replace(with_figure(clean[1], next(figures)), path=path))
    for number in range(6):
        verdict, _ = session.check(tmp_path / f"{number}.dng")
        assert verdict.usable, verdict.line
        assert session.revised == ()
    assert book.taken == 6


def shaken(shot, *, length_px, direction_deg):
    """Move the camera by a length: L^2/12 cos^2 is added to each edge's squared blur (variance of an even spread)."""
    edges = []
    for chart_edge in shot.edges:
        edge = chart_edge.edge
        normal_deg = -edge.angle_deg  # counter-clockwise from level
        added = length_px**2 / 12.0 * cos(radians(direction_deg - normal_deg)) ** 2
        blurred = 0.18739 / sqrt((0.18739 / edge.mtf50_cypx) ** 2 + added)
        edges.append(replace(chart_edge, edge=replace(edge, mtf50_cypx=blurred)))
    return replace(shot, edges=tuple(edges), quality=(remark("shake", "moved by hand"),))


@pytest.mark.parametrize(
    ("direction_deg", "orientation", "word"),
    [(90.0, 1, "vertical"), (0.0, 1, "sideways"), (45.0, 1, "slanting"), (90.0, 6, "sideways")],
)
def test_shake_is_told_with_time_and_direction(clean, direction_deg, orientation, word):
    shot = shaken(clean[1], length_px=2.0, direction_deg=direction_deg)
    metadata = replace(shot.metadata, exposure_s=1 / 15, orientation=orientation)
    verdict = judge(replace(shot, metadata=metadata))
    assert f"better repeat: 1/15 s: {word} shake, use the timer" in verdict.line


def test_framing_is_told_by_side(tmp_path, clean):
    gaps = border_gaps(clean[1])
    assert all(abs(gap) < 0.02 for gap in gaps.values())
    near = measure_shot(taken(tmp_path / "near.dng", pose=simulate.Pose(distance_mm=1700.0)))
    assert "larger than the frame: go further away" in judge(near).line
    far = measure_shot(taken(tmp_path / "far.dng", pose=simulate.Pose(distance_mm=3200.0)))
    # Scale goes with the magnification; the sheet filled the frame from 2048 mm.
    share = 100.0 * far.magnification / clean[1].magnification
    assert f"fills {share:.0f} % of the frame's width only" in judge(far).line


def test_neither_a_lone_line_nor_a_stray_target_moves_the_frame(clean):
    shot = clean[1]
    told = border_gaps(shot)
    names = list(dict.fromkeys(edge.target for edge in shot.edges))
    lone = [edge for edge in shot.edges if edge.target not in names[::2] or edge.arm == 1]
    strays = []
    for edge in shot.edges:
        row, col = edge.edge.point_px
        off = (
            edge.edge
            if edge.target not in names[::5]
            else replace(edge.edge, point_px=(row + 90.0, col - 60.0))
        )
        strays.append(replace(edge, edge=off))
    for edges in (lone, strays):
        # A thousandth of the picture's side: a pixel.
        assert border_gaps(replace(shot, edges=tuple(edges))) == pytest.approx(told, abs=1e-3)
    few = [edge for edge in shot.edges if edge.target in names[:4]]
    assert border_gaps(replace(shot, edges=tuple(few))) is None


def moved(shot, *, right_px):
    """Aim the camera elsewhere: everything moves, and what leaves the picture is not measured."""
    edges = []
    for chart_edge in shot.edges:
        row, col = chart_edge.center_px
        point = (chart_edge.edge.point_px[0], chart_edge.edge.point_px[1] + right_px)
        if 0 <= col + right_px < shot.size_px[1]:
            edges.append(
                replace(
                    chart_edge, center_px=(row, col + right_px), edge=replace(chart_edge.edge, point_px=point)
                )
            )
    return replace(shot, edges=tuple(edges))


def test_a_chart_out_of_the_frame_is_told_as_the_camera_was_held(clean):
    aside = moved(clean[1], right_px=-160)
    assert judge(aside).repeat == ("chart cut off at the left: step back or re-aim",)
    upright = replace(aside, metadata=replace(aside.metadata, orientation=6))
    assert judge(upright).repeat == ("chart cut off at the top: step back or re-aim",)
    # Of a chart that is not a sheet the frame is not known; an empty side is told all the same.
    unknown = replace(moved(clean[1], right_px=560), chart=replace(aside.chart, name="wall"))
    assert border_gaps(unknown) is None
    assert empty_sides(replace(unknown, edges=tuple(e for e in clean[1].edges if e.center_px[1] > 480))) == [
        "left"
    ]


def test_sides_and_turns_as_the_camera_was_held():
    # EXIF 6: the stored picture's first row is the scene's right side, its first column the top.
    assert [side_as_held(side, 1) for side in ("top", "left")] == ["right", "top"]
    assert [side_as_held(side, 3) for side in ("top", "left")] == ["left", "bottom"]
    tilt = Tilt(pitch_deg=1.0, yaw_deg=2.0, roll_deg=0.0)
    assert tilt_as_held(tilt, 0) == (2.0, 1.0)
    assert tilt_as_held(tilt, 1) == (1.0, -2.0)
    assert tilt_as_held(tilt, 2) == (-2.0, -1.0)


def test_smaller_matters_do_not_stop_the_show(clean):
    shot = clean[1]
    dimmer = [
        replace(
            e, edge=replace(e.edge, bright_level=e.edge.bright_level * (1.0 - 0.3 * e.center_px[1] / 1392))
        )
        for e in shot.edges
    ]
    flags = ("uneven_light", "sharpened", "screened_print", "low_snr", "corners_unmeasured")
    loose = replace(shot.chart, framing_percent=72.0)
    poor = replace(shot, edges=tuple(dimmer), chart=loose, quality=tuple(remark(flag, "") for flag in flags))
    other = replace(shot, metadata=replace(shot.metadata, iso=800))
    verdict = judge(poor, earlier=[other])
    assert verdict.usable
    for words in (
        "weaker at the right",
        "shoot raw",
        "solid black",
        "base ISO",
        "earlier 800",
        "step nearer: the corners are not measured (targets cover 72 % of the picture)",
    ):
        assert words in verdict.line
    assert "finished picture" in judge(replace(shot, quality=(remark("not_sensor_data"),))).line


def rows(*settings):
    return [TableRow(f_number=f_number, focal_length_mm=35.0, focus_step=step) for f_number, step in settings]


def test_the_plan_is_ticked_off_by_settings_or_by_order():
    book = PlanBook(rows((2.8, None), (2.8, 1.0), (8.0, None)))
    wide_open = Metadata(f_number=2.828, focal_length_mm=35.4)
    assert book.place_for("a.dng", wide_open) == 0
    book.tick(0, "a.dng")
    assert book.place_for("a.dng", Metadata()) == 0
    second = book.place_for("b.dng", wide_open)
    assert (second, book.off_focus(second)) == (1, True)
    assert book.place_for("c.dng", Metadata()) == 1
    assert book.place_for("d.dng", Metadata(f_number=4.0)) is None
    assert [(lack.setting, lack.taken, lack.wanted) for lack in book.outstanding()] == [
        ("35 mm f/2.8", 1, 2),
        ("35 mm f/8", 0, 1),
    ]
    book.rename("a.dng", "z.dng")
    book.release("z.dng")
    assert book.taken == 0


def test_a_folder_is_checked_and_the_plan_filled(folder, clean, wide, tmp_path):
    shots = tmp_path / "shots"
    shots.mkdir()
    for name in ("clean.dng", "wide.dng"):
        shutil.copy(folder / name, shots / name)
    (shots / "wide.jpg").write_bytes(b"beside the raw")
    plan = tmp_path / "plan.csv"
    plan.write_bytes(table_text(rows((2.8, None), (5.6, None), (5.6, None))))
    done = CliRunner().invoke(app, ["check", str(shots), "--plan", str(plan), "--fill"])
    assert done.exit_code == 0, done.output
    assert "2 of 2 usable" in done.stdout
    assert "Plan: 2 of 3 shots are there." in done.stdout
    assert "35 mm f/5.6" in done.stdout
    assert [row.file for row in read_shots_table(plan)] == ["wide.dng", "clean.dng", ""]
    blank = tmp_path / "blank.dng"
    blank.write_bytes(b"no photograph")
    nothing = CliRunner().invoke(app, ["check", str(blank)])
    assert nothing.exit_code == 1
    assert nothing.stdout.startswith("REPEAT  blank.dng: ")
    for wrong in (["--fill"], ["--watch"]):
        assert isinstance(CliRunner().invoke(app, ["check", str(blank), *wrong]).exception, SettingError)


def test_a_rejected_shot_says_its_reason(tmp_path):
    verdict = judge(RejectedShot(path=tmp_path / "a.dng", reason="no chart was found"))
    assert verdict.line == "REPEAT  a.dng: no chart was found"


class Clock:
    def __init__(self):
        self.now = 0.0

    def __call__(self):
        return self.now


def looked(follower, clock, *changed, after=0.2):
    clock.now += after
    return [
        (one.what, one.path.name, one.before and one.before.name) for one in follower.look(news=bool(changed))
    ]


def test_a_file_is_told_once_it_is_whole(tmp_path):
    clock = Clock()
    follower = Follower(tmp_path, clock=clock)
    path = tmp_path / "a.dng"
    assert looked(follower, clock) == []
    path.write_bytes(b"half")
    assert looked(follower, clock, path) == []
    path.write_bytes(b"half and half")
    assert looked(follower, clock) == []
    assert looked(follower, clock) == [(What.ARRIVED, "a.dng", None)]
    assert looked(follower, clock, path) == []
    path.write_bytes(b"written anew")
    assert looked(follower, clock, path) == []
    assert looked(follower, clock) == [(What.ARRIVED, "a.dng", None)]


def test_a_file_written_to_while_it_is_measured_is_told_again(tmp_path):
    clock = Clock()
    follower = Follower(tmp_path, clock=clock)
    path = tmp_path / "a.dng"
    path.write_bytes(b"most of it")
    looked(follower, clock)
    assert looked(follower, clock) == [(What.ARRIVED, "a.dng", None)]
    assert follower.unchanged(path)
    path.write_bytes(b"all of it, after a pause")
    assert not follower.unchanged(path)
    assert looked(follower, clock) == [(What.ARRIVED, "a.dng", None)]
    path.unlink()
    assert not follower.unchanged(path)
    assert looked(follower, clock) == []


def test_renamed_deleted_hidden_and_empty_files(tmp_path):
    clock = Clock()
    follower = Follower(tmp_path, clock=clock)
    path, other = tmp_path / "a.dng", tmp_path / "b.dng"
    path.write_bytes(b"whole")
    (tmp_path / ".a.dng").write_bytes(b"hidden")
    (tmp_path / "note.txt").write_bytes(b"no photograph")
    (tmp_path / "empty.dng").touch()
    looked(follower, clock)
    assert looked(follower, clock) == [(What.ARRIVED, "a.dng", None)]
    path.rename(other)
    assert looked(follower, clock, path, other) == []
    assert looked(follower, clock) == [(What.RENAMED, "b.dng", "a.dng")]
    other.unlink()
    assert looked(follower, clock, other) == []
    assert looked(follower, clock, after=1.1) == [(What.GONE, "b.dng", None)]


def test_changes_that_nobody_tells_of_are_found(tmp_path):
    clock = Clock()
    follower = Follower(tmp_path, clock=clock)
    looked(follower, clock)
    (tmp_path / "a.dng").write_bytes(b"whole")
    assert looked(follower, clock, after=0.5) == []
    assert looked(follower, clock, after=2.0) == []
    assert looked(follower, clock) == [(What.ARRIVED, "a.dng", None)]


def test_a_file_that_cannot_be_read_gets_a_second_look(tmp_path):
    clock = Clock()
    follower = Follower(tmp_path, clock=clock)
    path = tmp_path / "a.dng"
    path.write_bytes(b"slow copy")
    looked(follower, clock)
    assert looked(follower, clock) == [(What.ARRIVED, "a.dng", None)]
    assert follower.put_back(path)
    assert looked(follower, clock) == []
    assert looked(follower, clock, after=2.1) == [(What.ARRIVED, "a.dng", None)]
    assert not follower.put_back(path)


def test_a_folder_that_is_not_there(tmp_path):
    with pytest.raises(ImageError, match="no such folder"):
        next(follow(Follower(tmp_path / "none")))


def test_a_session_settles_renamed_and_vanished_files(clean, tmp_path):
    book = PlanBook(rows((5.6, None)))
    session = Session(book, measure=lambda path: replace(clean[1], path=path))
    assert session.check(tmp_path / "a.dng")[0].usable
    renamed = Happening(what=What.RENAMED, path=tmp_path / "b.dng", before=tmp_path / "a.dng")
    assert session.settle(renamed) == "renamed  a.dng is now b.dng"
    assert book.rows[0].file == "b.dng"
    assert "no longer counts" in session.settle(Happening(what=What.GONE, path=tmp_path / "b.dng"))
    assert book.taken == 0


@pytest.mark.skipif(os.name == "nt", reason="signals")
def test_a_watched_folder_from_the_first_file_to_ctrl_c(tmp_path, clean):
    """The program itself: a slow copy, a rename, a deletion, and Ctrl-C with a clean end."""
    code = (
        f"import sys; sys.path.insert(0, {str(ROOT)!r}); from lensbench.capture import session; "
        "session._RESCAN_S = 0.4; from lensbench.cli.main import run; run()"
    )
    running = subprocess.Popen(
        [sys.executable, "-u", "-c", code, "check", ".", "--watch"],
        cwd=tmp_path,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        # A run in the background would hand down a deaf ear for Ctrl-C.
        preexec_fn=lambda: signal.signal(signal.SIGINT, signal.SIG_DFL),
    )
    try:
        assert "Watching" in running.stderr.readline()
        content = clean[0].read_bytes()
        with (tmp_path / "slow.dng").open("wb") as file:
            file.write(content[: len(content) // 2])
            file.flush()
            time.sleep(0.1)
            file.write(content[len(content) // 2 :])
        assert running.stdout.readline().startswith("usable  slow.dng (f/5.6")
        time.sleep(0.9)  # long enough for the folder to be read anew: nothing must be told twice
        (tmp_path / "slow.dng").rename(tmp_path / "named.dng")
        assert "slow.dng is now named.dng" in running.stdout.readline()
        (tmp_path / "named.dng").unlink()
        assert running.stdout.readline().startswith("gone  named.dng")
        running.send_signal(signal.SIGINT)
        _, errors = running.communicate(timeout=10)
        assert running.returncode == 0
        assert "Traceback" not in errors
    finally:
        running.kill()
        running.communicate()


def test_what_the_user_writes_into_the_plan_meanwhile_is_kept(tmp_path):
    plan = tmp_path / "plan.csv"
    plan.write_text("file,f_number,pitch_um\n,2.8,3.9123456\n,4,\n")
    filled = PlanFile(plan, read_shots_table)
    filled.book.tick(0, "a.dng")
    filled.fill()
    assert [(row.file, row.pitch_um) for row in read_shots_table(plan)] == [("a.dng", 3.9123456), ("", None)]
    plan.write_text(plan.read_text().replace(",4,", ",4.5,"))
    changed = plan.read_bytes()
    filled.book.tick(1, "b.dng")
    with pytest.raises(SettingError, match="was changed since it was read"):
        filled.fill()
    assert plan.read_bytes() == changed
