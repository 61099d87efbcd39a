"""The plan of a shoot: its figures against textbook values, its shots by counting, its pages as they print."""

import csv
from itertools import pairwise
from math import atan, degrees, log2

import numpy as np
import pypdfium2
import pytest
from typer.testing import CliRunner

from lensbench import optics
from lensbench.capture.checklist import checklist_pdf, tolerance_rows
from lensbench.capture.plan import (
    Exposure,
    Place,
    counted_names,
    exact_f_number,
    make_plan,
    quick_plan,
    table_shots,
    table_text,
)
from lensbench.capture.standing import (
    CameraGear,
    LensGear,
    PrintGear,
    choose_chart,
    full_stops,
    stand,
    zoom_marks,
)
from lensbench.capture.verdict import thirds_in_words
from lensbench.chart.layout.sheet import sheet
from lensbench.cli.main import app
from lensbench.model.condition import QUICK_TEST
from lensbench.model.errors import SettingError
from lensbench.model.shot import Turned
from lensbench.sweep.gather import read_shots_table

FULL_FRAME = CameraGear(pitch_um=6.0, size_px=(4000, 6000))
FIFTY = LensGear(focal_range_mm=(50.0, 50.0), widest_f_number=1.4)
ZOOM = LensGear(name="Fennel", focal_range_mm=(24.0, 70.0), widest_f_number=2.8, closest_mm=380.0)


def place(**changes):
    settings = {"room_mm": 5000.0, "paper": "A4", "exposure": Exposure.parse("1/30@5.6")}
    return Place(**(settings | changes))


def standing(focal_lengths, **changes):
    settings = {"camera": FULL_FRAME, "printed": PrintGear(), "f_numbers": (1.4, 2.8)}
    return stand(50.0, focal_lengths, **(settings | changes))


# Derived from the exact defocused pupil (Hopkins 1955) before square pixels: 1 % of MTF50 goes at 0.415 wavelength N^2
# where q is 1.1, and at 0.537 where it is 0.55; object distances of 25 and 50 focal lengths have m = 1/24 and 1/49.
@pytest.mark.parametrize(("q", "waves"), [(1.1, 0.415), (0.55, 0.537)])
@pytest.mark.parametrize("object_focals", [25.0, 50.0])
def test_how_flat_the_chart_must_hang(object_focals, q, waves):
    m = 1.0 / (object_focals - 1.0)
    working = 2.8 * (1.0 + m)
    camera = CameraGear(pitch_um=0.54 * working / q, size_px=(4000, 6000))
    here = standing(optics.chart_distance_mm(focal_length_mm=1.0, magnification=m), camera=camera)
    assert here.magnification == pytest.approx(m)
    flat_mm = waves * 0.54 * working**2 / 1000.0 / m**2
    assert here.flat_mm[2.8] == pytest.approx(flat_mm, rel=0.01)


def test_one_percent_is_one_percent():
    """The focus shift against the exact transfer: MTF50 of a perfect lens falls by 1 and by 5 %."""
    f_number, wavelength_um = 4.0, 0.55
    for loss in (1.0, 5.0):
        shift = optics.focus_shift_for_loss_um(f_number, loss_percent=loss, wavelength_um=wavelength_um)
        w20 = shift / (8.0 * wavelength_um * f_number**2)  # Hopkins 1955
        nu = np.linspace(0.38, 0.41, 301)
        otf = optics.defocused_diffraction_otf(nu, w20)
        at_half = float(np.interp(-0.5, -otf, nu))
        # 0.403973: MTF50 of a circular pupil (Goodman).
        assert 100.0 * (1.0 - at_half / 0.403973) == pytest.approx(loss, rel=0.02)


def test_how_square_the_camera_must_stand():
    # Derived: q = 1.1, m = 1/49, 18 mm high on the sensor: atan(0.415 wavelength N^2 / (h m)).
    working = 2.8 * (1.0 + 1.0 / 49.0)
    pitch_um = 0.54 * working / 1.1
    camera = CameraGear(pitch_um=pitch_um, size_px=(round(21_600 / pitch_um), round(28_800 / pitch_um)))
    assert camera.half_diagonal_mm == pytest.approx(18.0, rel=1e-3)
    distance = optics.chart_distance_mm(focal_length_mm=1.0, magnification=1.0 / 49.0)
    angle_deg = degrees(atan(0.415 * 0.54 * working**2 / 1000.0 * 49.0 / 18.0))
    assert standing(distance, camera=camera).square_deg[2.8] == pytest.approx(angle_deg, rel=0.01)


def test_what_the_print_costs():
    # Derived: edges of 0.10 mm (10-90 %), m = 1/24, 4 um: 0.816 is left at 0.25 cycles/pixel; 1/49: 0.952.
    camera = CameraGear(pitch_um=4.0, size_px=(4000, 6000))
    exact = PrintGear(edge_mm=0.1, dots_per_inch=10_000.0)
    for m, left in ((1.0 / 24.0, 0.816), (1.0 / 49.0, 0.952)):
        distance = optics.chart_distance_mm(focal_length_mm=1.0, magnification=m)
        assert standing(distance, camera=camera, printed=exact).print_mtf == pytest.approx(left, abs=1e-3)
    # A dot of 600 dpi is 0.0423 mm wide, as an even spread 0.0122 mm of sigma (derived: width over root 12).
    assert PrintGear(edge_mm=0.0).sigma_mm == pytest.approx(0.0122, abs=1e-4)


def test_the_distance_of_a_sheet_that_fills_the_frame():
    """Frame of the A3 sheet over the sensor gives m; distance f (2 + m + 1/m)."""
    chart = choose_chart(FIFTY, FULL_FRAME, paper="A3", room_mm=1500.0, kind="sheet")
    frame = next(frame for frame in sheet("A3").frames if frame.ratio == "3:2")
    m = min(24.0 / frame.size_mm[0], 36.0 / frame.size_mm[1])
    assert chart.focal_lengths == pytest.approx(2.0 + m + 1.0 / m)
    assert chart.command((24.0, 36.0)) == "lensbench chart --paper A3 --out chart.pdf"


def test_the_room_decides_on_the_chart():
    wall = choose_chart(ZOOM, FULL_FRAME, paper="A4", room_mm=5000.0)
    assert (wall.kind, wall.pages) == ("wall", 13)
    assert wall.focal_lengths * 70.0 <= 5000.0 - 600.0
    assert wall.focal_lengths >= 25.0
    small = choose_chart(ZOOM, FULL_FRAME, paper="A3", room_mm=2200.0)
    assert (small.kind, small.paper, small.from_shop) == ("sheet", "A2", True)
    assert small.focal_lengths * 70.0 <= 2200.0 - 600.0
    with pytest.raises(SettingError, match="this room allows"):
        choose_chart(ZOOM, FULL_FRAME, paper="A4", room_mm=900.0)
    with pytest.raises(SettingError, match=r"wants \d+ focal lengths, that is a room"):
        choose_chart(ZOOM, FULL_FRAME, paper="A4", room_mm=2000.0, kind="wall")
    with pytest.raises(SettingError, match="not on A0"):
        choose_chart(ZOOM, FULL_FRAME, paper="A0", room_mm=9000.0, kind="wall")


def test_the_wall_set_that_is_planned_can_be_made(tmp_path):
    plan = make_plan(ZOOM, FULL_FRAME, place=place())
    command = plan.chart.command(FULL_FRAME.sensor_mm).replace("wall.pdf", str(tmp_path / "wall.pdf"))
    made = CliRunner().invoke(app, command.split()[1:])
    assert made.exit_code == 0, made.output


def test_every_stop_length_and_repeat_is_there_once():
    plan = make_plan(ZOOM, FULL_FRAME, place=place(), stops=[2.8, 4.0, 8.0], focal_lengths_mm=[24.0, 70.0])
    # By counting: 2 lengths x 3 stops x 3 repeats, and a bracket of 7 steps at f/2.8 and f/4 of each length.
    assert len(plan.shots) == 2 * 3 * 3 + 2 * 7 * 2
    steps = [shot.focus_step for shot in plan.shots if shot.focus_step is not None]
    assert steps == [step for step in (-3, -2, -1, 0, 1, 2, 3) for _ in range(2)] * 2
    assert {shot.focus_group for shot in plan.shots} == {"", "bracket 24 mm", "bracket 70 mm"}
    assert {here.magnification for here in plan.standings} == {plan.standings[0].magnification}


def test_what_no_hand_can_hold_is_said_and_bracketed():
    """A macro lens before A4: at f/2.8 and f/4 the chart would have to lie flatter than half a millimetre."""
    macro = LensGear(focal_range_mm=(100.0, 100.0), widest_f_number=2.0)
    near = make_plan(macro, FULL_FRAME, place=place(room_mm=1400.0, chart="sheet"))
    (here,) = near.standings
    words = {row[0]: row[2] for row in tolerance_rows(near)[1]}
    for stop in near.f_numbers:
        able = here.flat_mm[stop] >= 0.5 and here.square_deg[stop] >= 0.2
        assert able == (words[f"f/{stop:g}"] != "not attainable by hand here; take the bracket")
        assert able or stop in near.bracketed
        assert "0.0 mm" not in words[f"f/{stop:g}"]
    assert len(near.bracketed) > 2
    # A far wall asks for less, and the widest two stops get a bracket all the same.
    assert make_plan(ZOOM, FULL_FRAME, place=place()).bracketed == (2.8, 4.0)


def test_the_steps_of_a_bracket_cost_ten_percent_at_its_middle_stop():
    """By the exact transfer of a defocused pupil before square pixels, searched by brute force."""
    plan = make_plan(FIFTY, FULL_FRAME, place=place(room_mm=3000.0))
    (here,) = plan.standings
    stop = plan.bracketed[len(plan.bracketed) // 2]
    working, m = stop * (1.0 + here.magnification), here.magnification
    nu = np.linspace(0.05, 1.0, 4001)
    pixel = np.sinc(nu * 6.0 / (0.54 * working))
    shift_um = 1000.0 * plan.bracket_step_mm(here) * m**2
    halves = [
        nu[np.argmax(optics.defocused_diffraction_otf(nu, waves) * pixel < 0.5)]
        for waves in (0.0, shift_um / (8.0 * 0.54 * working**2))
    ]
    # 0.003: two steps of the search's grid.
    assert halves[1] / halves[0] == pytest.approx(0.9, abs=0.003)


@pytest.mark.parametrize(
    ("lens", "camera", "words"),
    [
        (LensGear(focal_range_mm=(8.0, 8.0), widest_f_number=2.8), FULL_FRAME, "If this is a fisheye"),
        (LensGear(name="Fish-eye 16", focal_range_mm=(16, 16), widest_f_number=2.8), FULL_FRAME, "fisheye"),
        (
            LensGear(focal_range_mm=(5.6, 5.6), widest_f_number=1.8),
            CameraGear(pitch_um=1.0, size_px=(3000, 4000)),
            "A phone: one stop",
        ),
    ],
)
def test_fisheyes_and_phones_get_a_word(lens, camera, words):
    plan = make_plan(lens, camera, place=place(room_mm=3000.0))
    assert any(words in remark for remark in plan.remarks)
    if lens.of_phone(camera):
        assert plan.f_numbers == (1.8,)
        assert (len(plan.shots), plan.bracketed) == (3, ())


def test_other_lenses_get_none():
    for lens in (FIFTY, ZOOM):
        assert not any(
            "fisheye" in remark or "phone" in remark
            for remark in make_plan(lens, FULL_FRAME, place=place()).remarks
        )


def test_a_lens_that_cannot_focus_so_near_is_told():
    far_focusing = LensGear(focal_range_mm=(24.0, 70.0), widest_f_number=4.0, closest_mm=1500.0)
    plan = make_plan(far_focusing, FULL_FRAME, place=place(room_mm=2200.0, paper="A3"))
    assert plan.standings[0].distance_mm == pytest.approx(1500.0)
    assert any("does not focus near enough" in remark for remark in plan.remarks)


def test_the_light_stays_the_same():
    """t / N^2 is constant over exact stops: each full stop doubles the time."""
    plan = make_plan(FIFTY, FULL_FRAME, place=place(), stops=[1.4, 2.8, 5.6, 11.0])
    times = [plan.exposure_s(stop) for stop in (1.4, 2.8, 5.6, 11.0)]
    assert [log2(after / before) for before, after in pairwise(times)] == pytest.approx([2.0, 2.0, 2.0])
    assert times[2] == pytest.approx(1.0 / 30.0)


def test_exact_stops_and_dial_times():
    # Engraved third and half stops are rounded powers of the root of two; 2^(5/2), 2^(11/6), 2^(11/4).
    for engraved, exact in ((5.6, 2**2.5), (3.5, 2 ** (11 / 6)), (6.7, 2**2.75), (1.8, 2 ** (5 / 6))):
        assert exact_f_number(engraved) == pytest.approx(exact)
    assert [thirds_in_words(n / 3) for n in (1, 3, 4, 6)] == [
        "a third of a stop",
        "one stop",
        "1 1/3 stops",
        "2 stops",
    ]
    assert [thirds_in_words(stops) for stops in (0.05, -0.7, 1.34)] == [
        "a third of a stop",
        "two thirds of a stop",
        "1 1/3 stops",
    ]
    for wrong in ("30@", "1/0@4", "1/30@0", "fast"):
        with pytest.raises(SettingError):
            Exposure.parse(wrong)


def test_stops_and_marks():
    assert full_stops(FIFTY, 50.0) == (1.4, 2.0, 2.8, 4.0, 5.6, 8.0, 11.0, 16.0)
    assert zoom_marks(LensGear(focal_range_mm=(100.0, 400.0), widest_f_number=5.6)) == (
        100.0, 135, 200, 300, 400.0,
    )  # fmt: skip
    assert zoom_marks(ZOOM, most=3) == (24.0, 40, 70.0)
    for wrong in ({"focal_range_mm": (70.0, 24.0)}, {"widest_f_number": 22.0}):
        with pytest.raises(SettingError):
            LensGear(**({"focal_range_mm": (24.0, 70.0), "widest_f_number": 2.8} | wrong))
    with pytest.raises(SettingError, match=r"f/1\.2: the lens opens to f/1\.4"):
        make_plan(FIFTY, FULL_FRAME, place=place(), stops=[1.2])
    with pytest.raises(SettingError, match="reaches from 24 to 70"):
        make_plan(ZOOM, FULL_FRAME, place=place(), focal_lengths_mm=[105.0])


@pytest.mark.parametrize("lens", [FIFTY, ZOOM, LensGear(focal_range_mm=(600, 600), widest_f_number=11)])
def test_the_quick_test_is_a_dozen_shots_on_one_page(lens):
    plan = quick_plan(lens, FULL_FRAME, place=place(room_mm=12_000.0, paper="A3"))
    assert len(plan.shots) <= 12
    assert {shot.f_number for shot in plan.shots} == {lens.widest_f_number, max(8.0, lens.widest_f_number)}
    assert {shot.condition for shot in plan.shots} == {"upright", "chart turned 180"}
    assert all(row.condition.startswith(QUICK_TEST) for row in table_shots(plan))
    assert {row.turned for row in table_shots(plan)} == {None, Turned.CHART}
    assert plan.minutes <= 11.0
    assert len(pypdfium2.PdfDocument(checklist_pdf(plan))) == 1
    assert not any(
        "a room longer" in remark for remark in plan.remarks
    )  # the sheet was asked for, whatever the room


def test_the_checklist_prints_what_was_planned():
    plan = make_plan(ZOOM, FULL_FRAME, place=place())
    content = checklist_pdf(plan)
    assert content == checklist_pdf(plan)
    assert b"/JavaScript" not in content
    document = pypdfium2.PdfDocument(content)
    text = "\n".join(page.get_textpage().get_text_range() for page in document)
    for words in (
        "Shots at 24 mm",
        "Shots at 70 mm",
        "f/16",
        "Tripod",
        "mirror",
        "Lamps",
        "ladder",
        "45 degrees",
        "f/2.8, f/4",
        "a higher number is a nearer focus",
    ):
        assert words in text
    boxes = text.count("\N{BALLOT BOX}")
    assert boxes >= len(plan.shots)
    # Every page keeps 15 mm free at the sides, which any printer can print to.
    for page in document:
        grey = page.render(scale=1.0, grayscale=True).to_numpy()
        assert grey[:, :38].min() > 200
        assert grey[:, -38:].min() > 200


def test_the_table_is_one_that_sweep_reads(tmp_path):
    plan = make_plan(ZOOM, FULL_FRAME, place=place())
    names = counted_names("DSC00998.ARW", len(plan.shots))
    (tmp_path / "shots.csv").write_bytes(table_text(table_shots(plan, files=names)))
    rows = read_shots_table(tmp_path / "shots.csv")
    assert [row.file for row in rows] == names
    assert [row.f_number for row in rows] == [shot.f_number for shot in plan.shots]
    assert all(row.use for row in rows)
    assert all(bool(row.focus_group) == (row.focus_step is not None) for row in rows)
    assert rows[0].lens == "Fennel"


def test_a_plan_without_entries_is_replaced_and_a_strange_table_is_not(tmp_path):
    options = ["plan", "--focal", "50", "--widest", "2", "--out", str(tmp_path)]
    assert CliRunner().invoke(app, options).exit_code == 0
    assert CliRunner().invoke(app, options).exit_code == 0
    (tmp_path / "shots.csv").write_text("my own notes\n")
    assert "cannot be read as a plan" in str(CliRunner().invoke(app, options).exception)
    assert (tmp_path / "shots.csv").read_text() == "my own notes\n"


def test_a_wall_set_is_tested_quickly_by_turning_the_camera():
    plan = quick_plan(FIFTY, FULL_FRAME, place=place(chart="wall"))
    assert {shot.condition for shot in plan.shots} == {"upright", "camera turned 180"}
    assert any("hang the wall set before" in remark for remark in plan.remarks)
    assert len(pypdfium2.PdfDocument(checklist_pdf(plan))) == 1


def test_names_count_on():
    assert counted_names("IMG_9998.CR3", 3) == ["IMG_9998.CR3", "IMG_9999.CR3", "IMG_0001.CR3"]
    with pytest.raises(SettingError, match="a name with a number"):
        counted_names("photo.dng", 2)


def test_the_command(tmp_path):
    out = tmp_path / "plan"
    options = ["--focal", "24-70", "--widest", "2.8", "--closest-m", "0.38", "--out", str(out)]
    done = CliRunner().invoke(app, ["plan", *options, "--room-m", "5", "--first-file", "A001.NEF"])
    assert done.exit_code == 0
    assert "40.0" in done.stdout
    assert " For a sensor of 36 x 24 mm (--size" in done.stdout
    assert (out / "checklist.pdf").read_bytes().startswith(b"%PDF")
    with (out / "shots.csv").open(newline="") as file:
        assert next(csv.DictReader(file))["file"] == "A001.NEF"
    short = CliRunner().invoke(app, ["plan", *options, "--room-m", "2.5", "--chart", "wall"])
    assert "shorter focal lengths (--focal-lengths), or --chart sheet" in str(short.exception)
    again = CliRunner().invoke(app, ["plan", *options])
    assert isinstance(again.exception, SettingError)
    assert "names 128 photographs, the first A001.NEF" in str(again.exception)
    quick = CliRunner().invoke(app, ["plan", *options, "--quick", "--paper", "A3", "--replace"])
    assert "12 shots" in quick.stdout
    wide = [
        "--out",
        str(tmp_path / "wide"),
        "--size",
        "6000x4000",
        "--no-bracket",
    ]  # as cameras tell it: width first
    assert (
        "1.37 x 0.91 m of wall" in CliRunner().invoke(app, ["plan", *options, "--room-m", "9", *wide]).stdout
    )
    for wrong in (
        ["--focal", "wide", "--widest", "2"],
        [*options, "--size", "big"],
        [*options, "--stops", "a"],
    ):
        assert isinstance(CliRunner().invoke(app, ["plan", *wrong]).exception, SettingError)
