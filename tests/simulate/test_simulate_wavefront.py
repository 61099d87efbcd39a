"""Wavefront lenses: the pupil's transfer against closed values and against overlaps summed here, and what is drawn."""

import json
from dataclasses import replace
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
from sim_bench import bench_scene
from test_simulate_accuracy import mtf50_of_samples, samples_of_arm
from test_simulate_command import run
from wavefront_edges import esf_of, transfer_along, wavefront_edge_regions

import lensbench.simulate
from lensbench.model.errors import SettingError
from lensbench.simulate import Shot, lens_described, photograph
from lensbench.simulate.sensor import light_on_sensor
from lensbench.simulate.wavefront import transfer, wavefront_lens

FOLDER = Path(lensbench.simulate.__file__).parent / "invented"
GREEN_UM = 0.55
PITCH_UM = 4.0
POWERS = [[1, 0], [2, 0], [0, 2], [3, 0], [1, 2], [4, 0], [2, 2], [0, 4]]


def described(widest=2.0, **terms_um):
    """A file of one wavelength and a round pupil; terms by name, as w30 for outward^3, alike all over."""
    terms = [terms_um.get(f"w{i}{j}", 0.0) for i, j in POWERS]
    return {
        "format": "wavefront lens 1",
        "name": "Bench",
        "maker": "Invented",
        "focal_length_mm": 50.0,
        "widest_f_number": widest,
        "distortion_percent": 0.0,
        "wavelengths_um": [GREEN_UM],
        "channels": {channel: [1.0] for channel in ("red", "green", "blue", "grey")},
        "heights": [0.0, 0.3, 0.7, 1.0],
        "powers": POWERS,
        "wavefront_um": [[[terms]] * 4],
        "stop": [[[1.0] * 24] * 4],
        "clip": [[[2.0] * 24] * 4],
        "chief": [[[0.0, 0.0]] * 4],
    }


def bench_lens(widest=2.0, **terms_um):
    return wavefront_lens(described(widest, **terms_um), "bench.json")


def seen(lens, field=(0.0, 0.0), *, focus_um=0.0):
    return transfer(lens.maps, field, "green", 1.0, lens.widest_f_number, focus_um, PITCH_UM)


@pytest.mark.parametrize(
    ("waves", "expected"),
    [
        # H. H. Hopkins, Proc. R. Soc. A 231, 91 (1955): OTF at 0.1 to 0.5 of the cutoff, by quadrature of his integral.
        (0.25, [0.838860, 0.658579, 0.501570, 0.379422, 0.287468]),
        (0.5, [0.742089, 0.434819, 0.229264, 0.125691, 0.084609]),
        (1.0, [0.426646, -0.014414, -0.069515, -0.036887, -0.020072]),
    ],
)
@pytest.mark.parametrize("azimuth_deg", [0.0, 90.0, 37.0])
def test_defocus_is_hopkins(waves, expected, azimuth_deg):
    lens = bench_lens(widest=32.0)  # where a focus error is w20 = dz / (8 N^2) to 1e-4
    turn = np.radians(azimuth_deg)
    frequency = np.arange(1, 6) / 10.0 * PITCH_UM / (GREEN_UM * 32.0)
    otf = seen(lens, focus_um=waves * 8.0 * GREEN_UM * 32.0**2).at(
        frequency * np.sin(turn), frequency * np.cos(turn)
    )
    # 3e-4: the rim is told by 192 cells.
    assert otf == pytest.approx(np.array(expected), abs=3e-4)


@pytest.mark.parametrize("azimuth_deg", [0.0, 28.0, 90.0])
def test_far_diffraction_is_goodmans(azimuth_deg):
    # J. W. Goodman, Introduction to Fourier Optics: (2/pi) [acos nu - nu sqrt(1 - nu^2)]. Near zero it falls straight
    # from 1, which is the light furthest away: a tail of 1/x^2 that a spline through a cusp would fold back.
    nu = np.array([0.0007, 0.0026, 0.0049, 0.0081, 0.013, 0.021, 0.034, 0.3])
    frequency, turn = nu * PITCH_UM / (GREEN_UM * 2.0), np.radians(azimuth_deg)
    otf = seen(bench_lens()).at(frequency * np.sin(turn), frequency * np.cos(turn))
    expected = 2.0 / np.pi * (np.arccos(nu) - nu * np.sqrt(1.0 - nu**2))
    # 1.5e-4: the rim is told by 192 cells, and its lack is known between 24 directions.
    assert otf == pytest.approx(expected, abs=1.5e-4)


def test_a_sensor_further_away_meets_rays_that_have_not_crossed_yet():
    # W = a p^2 displaces a ray by 2 N dW/dp = 4 N a p, outward where it passes outward: it crosses the axis
    # 8 N^2 a behind the plane of reference (derived).
    lens = bench_lens(widest=16.0, w20=0.4, w02=0.4)
    frequency = np.linspace(0.02, 0.4, 9)
    perfect = bench_lens(widest=16.0)
    assert seen(lens, focus_um=8.0 * 16.0**2 * 0.4).at(0.0, frequency) == pytest.approx(
        seen(perfect).at(0.0, frequency), abs=1e-3
    )
    assert abs(seen(lens, focus_um=-8.0 * 16.0**2 * 0.4).at(0.0, 0.1)) < 0.7 * abs(seen(perfect).at(0.0, 0.1))


@pytest.mark.parametrize(
    ("field", "outward"), [((0.0, 0.6), (0.0, 1.0)), ((-0.6, 0.0), (-1.0, 0.0)), ((0.3, -0.4), (0.6, -0.8))]
)
def test_coma_moves_the_light_outward_and_drags_its_tail_there(field, outward):
    # W = c (p^3 along the radius): rays arrive at 2 N dW/dp; over the disc 3 x^2 + y^2 is 1 in the mean, so the
    # centroid lies 2 N c further out, and the phase at low frequencies is -2 pi f times that (derived).
    lens = bench_lens(w30=0.5, w12=0.5)
    frequency = 0.002
    otf = seen(lens, field).at(frequency * outward[0], frequency * outward[1])
    centroid_px = 2.0 * 2.0 * 0.5 / PITCH_UM
    assert np.angle(otf) / (-2.0 * np.pi * frequency) == pytest.approx(centroid_px, rel=0.01)
    across = seen(lens, field).at(frequency * outward[1], -frequency * outward[0])
    assert np.angle(across) == pytest.approx(0.0, abs=1e-5)
    # The tail: an edge's outer side is reached more slowly. Third moment about the centroid, from the phase's bend.
    frequencies = np.array([0.01, 0.04])
    phase = np.angle(seen(lens, field).at(frequencies * outward[0], frequencies * outward[1]))
    assert phase[1] / frequencies[1] > phase[0] / frequencies[0]


def overlap(content, place, stop, frequency_cypx, *, working, focus_um, channel):
    """Transfer at a place (azimuth, height) of the file's own, by summing P(u) P*(u + f): no FFT, no interpolation.

    Along the radius first, then across it.
    """
    azimuth, height = place
    cells = 240
    cell = (np.arange(cells) - 0.5 * (cells - 1)) * 2.2 / cells
    lights = np.array(content["channels"][channel])
    totals = np.zeros((2, len(frequency_cypx)), complex)
    chief = np.array(content["chief"][azimuth][height])
    rims = np.minimum(
        np.array(content["stop"][azimuth][height]) * content["widest_f_number"] / stop,
        content["clip"][azimuth][height],
    )
    cone = working * content["widest_f_number"] / stop

    def wave(outward, across, number, wavelength_um):
        places = np.stack(np.meshgrid(outward, across, indexing="ij"))
        angle = np.arctan2(places[1], places[0]) % (2.0 * np.pi)
        rim = np.interp(angle, np.linspace(0.0, 2.0 * np.pi, rims.size + 1), [*rims, rims[0]])
        terms = np.zeros((np.max(content["powers"]) + 1,) * 2)
        terms[tuple(np.transpose(content["powers"]))] = content["wavefront_um"][azimuth][height][number]
        error_um = np.polynomial.polynomial.polygrid2d(outward, across, terms)
        # The path from one plane to another along a ray of direction cosines (L, M, n) is n times their distance.
        rays = chief[:, None, None] - places / (2.0 * cone)
        error_um += focus_um * np.sqrt(1.0 - np.sum(rays**2, axis=0))
        error_um -= focus_um * np.tensordot(chief, places, 1) / (2.0 * cone * np.sqrt(1.0 - chief @ chief))
        return np.where(np.hypot(*places) < rim, np.exp(2j * np.pi * error_um / wavelength_um), 0.0)

    for number, light in enumerate(lights):
        if light == 0.0:
            continue
        wavelength_um = content["wavelengths_um"][number]
        still = wave(cell, cell, number, wavelength_um)
        for row, frequency in enumerate(frequency_cypx):
            step = 2.0 * cone * wavelength_um * frequency / PITCH_UM
            for axis, moved in enumerate(((cell + step, cell), (cell, cell + step))):
                shifted = wave(*moved, number, wavelength_um)
                totals[axis, row] += (
                    light * np.sum(still * np.conj(shifted)) / np.sum(np.abs(still)) / lights.sum()
                )
    return totals


@pytest.mark.parametrize(
    ("name", "place", "stop", "channel", "focus_um"),
    [
        ("borage", (0, 6), 2.0, "green", 10.0),
        ("borage", (0, 8), 4.0, "blue", -30.0),
        ("clover", (0, 4), 2.8, "red", 0.0),
        ("borage-decentred", (3, 6), 2.0, "green", 0.0),
        ("borage-decentred", (6, 3), 5.6, "green", 60.0),
    ],
)
def test_a_shipped_lens_passes_what_its_file_says(name, place, stop, channel, focus_um):
    content = json.loads((FOLDER / f"{name}.json").read_text(encoding="utf-8"))
    turn = 2.0 * np.pi * place[0] / len(content["stop"])
    height = content["heights"][place[1]]
    field = (-height * float(np.sin(turn)), height * float(np.cos(turn)))
    frequency = np.array([0.04, 0.1, 0.25])
    working = 1.02 * stop
    blur = lens_described(name).point_blur(
        field,
        channel=channel,
        focal_length_mm=50.0,
        f_number=stop,
        working_f_number=working,
        focus_um=focus_um,
        pitch_um=PITCH_UM,
    )
    expected = overlap(content, place, stop, frequency, working=working, focus_um=focus_um, channel=channel)
    along = (-float(np.sin(turn)), float(np.cos(turn)))
    across = (-float(np.cos(turn)), -float(np.sin(turn)))
    # 2e-3: rims cut by cells here without shares, cubic spline between frequencies there.
    assert blur.along(frequency, along) == pytest.approx(expected[0], abs=2e-3)
    assert blur.along(frequency, across) == pytest.approx(expected[1], abs=2e-3)
    assert blur.along(0.0, along) == pytest.approx(1.0, abs=1e-6)


def test_no_aberration_passes_more_than_none():
    # J. W. Goodman, Introduction to Fourier Optics: aberrations never raise the modulus of the transfer.
    frequency = np.linspace(0.0, 0.6, 61)
    perfect = np.abs(seen(bench_lens()).at(0.0, frequency))
    spoilt = np.abs(seen(bench_lens(w30=1.5, w20=-1.0, w40=1.5), (0.0, 0.5)).at(0.0, frequency))
    assert np.all(spoilt <= perfect + 1e-4)
    assert spoilt[20] < 0.65 * perfect[20]


def test_spherical_aberration_shifts_the_focus_with_the_stop():
    # W = a s^4 p^4 in a stop of opening s is best where the defocus takes away W20 = a s^4 for the least wavefront
    # error (Zernike's 6 r^4 - 6 r^2 + 1), 4/3 of it for the smallest mean square of ray errors (derived): so between.
    lens = bench_lens(widest=4.0, w40=0.1, w22=0.2, w04=0.1)
    for stop in (4.0, 5.6):
        least_um = -8.0 * 4.0**2 * 0.1 * (4.0 / stop) ** 2
        assert 1.0 < lens.focus_shift_um(50.0, stop) / least_um < 4.0 / 3.0


def test_a_decentred_element_makes_the_sides_unlike_and_a_centred_lens_does_not():
    def modulus(name, field):
        frequency = np.array([0.05, 0.1, 0.2])
        return np.abs(transfer_along(lens_described(name), 2.8, field, 0.0)(frequency))

    sides = [modulus("borage", (0.0, side)) for side in (-0.6, 0.6)]
    assert sides[0] == pytest.approx(sides[1], abs=1e-5)
    sides = [modulus("borage-decentred", (0.0, side)) for side in (-0.6, 0.6)]
    assert np.max(np.abs(sides[0] - sides[1])) > 0.03


def test_pixels_follow_the_lens_phase_and_all():
    place_mm, radius_mm, turn_deg = (0.0, 43.2), 24.0, 8.0
    scene = bench_scene((place_mm, radius_mm, turn_deg), rows=480)
    scene = replace(scene, lens=bench_lens(w30=0.9, w12=0.9, w20=0.4))
    shot = Shot(focal_length_mm=50.0, f_number=2.0, noise=False, paper_level=1.0)
    light = light_on_sensor(scene.geometry(50.0), [shot], finished=False)[0].astype(float)
    truth = {edge.arm: edge for edge in photograph(scene, shot).edges}
    halves = []
    for arm in (1, 3):
        distance, esf, normal = samples_of_arm(light, turn_deg, arm, center_mm=place_mm, radius_mm=radius_mm)
        blur = scene.geometry(50.0).blur(shot, "grey", place_mm)
        side = 1.0 if arm == 1 else -1.0  # arm 3 sees the same edge from the other side

        def along(frequency, blur=blur, normal=normal, side=side):
            pixel = np.sinc(frequency * normal[0]) * np.sinc(frequency * normal[1])
            return blur.along(frequency * side, (abs(normal[0]), abs(normal[1]))) * pixel

        expected = esf_of(along, distance)
        # 2e-3: the target's other edges, 80 px away, through diffraction's tails.
        assert esf == pytest.approx(expected, abs=2e-3)
        near = np.argmin(np.abs(distance))
        halves.append(float(esf[near]))
        assert mtf50_of_samples(distance, esf) == pytest.approx(truth[arm].mtf50_cypx, rel=0.02)
    # Coma drags light to the right, so the same edge stands further in on one arm than on the other.
    assert halves[0] < 0.45
    assert halves[1] > 0.55


def test_made_edges_bear_their_truth():
    for case in wavefront_edge_regions(
        lens_described("borage-decentred"), 2.8, (-0.3, 0.5), [6.0, -14.0], None, sensor="all"
    ):
        assert all(high > low for low, high in pairwise(case.truth_cypx.values()))
        values = case.regions[0].values
        turn = np.radians(case.angle_deg)
        row, col = np.indices(values.shape) - np.array([49.5, 29.5])[:, None, None]
        distance = (col * np.cos(turn) + row * np.sin(turn)).ravel()
        near = np.abs(distance) < 24.0
        esf = (values.ravel()[near] - 0.06) / 0.66
        # 1 %: the window of 24 px.
        assert mtf50_of_samples(distance[near], esf) == pytest.approx(case.truth_cypx[50], rel=0.01)


def test_made_edges_lie_on_the_sites_asked_for():
    (case,) = wavefront_edge_regions(lens_described("clover"), 4.0, (0.2, 0.3), [5.0], 40.0, draws=2)
    assert [region.present.mean() for region in case.regions] == [0.5, 0.5]
    assert not np.array_equal(case.regions[0].values, case.regions[1].values)


def test_the_command_photographs_through_a_wavefront_lens(tmp_path):
    done = run(
        "--out", tmp_path / "shoot", "--lens", "clover", "--stops", "4", "--repeats", 1, "--size", "400x600",
        "--cfa", "mono",
    )  # fmt: skip
    assert done.exit_code == 0, done.output
    truth = json.loads((tmp_path / "shoot" / "truth.json").read_text(encoding="utf-8"))
    (photo,) = truth["photos"]
    assert photo["settings"]["lens"] == "Clover 50 mm f/2.8"
    found = [edge["mtf50_cypx"] for edge in photo["edges"] if edge["channel"] == "grey"]
    assert len(found) > 20
    assert max(found) > 1.5 * min(found)


def test_the_files_stay_small():
    sizes = {path.stem: path.stat().st_size for path in FOLDER.glob("*.json")}
    assert {"borage", "borage-decentred", "clover"} <= set(sizes)
    assert max(sizes.values()) < 200_000


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"stop": None}, "incomplete or malformed"),
        ({"channels": {"red": [1.0]}}, "incomplete or malformed: 'green'"),
        ({"heights": [0.0, 0.5, 0.2, 1.0]}, "strictly increasing"),
        ({"chief": [[[0.0, 0.0]] * 3]}, "cannot reshape"),
        ({"clip": [[[2.0] * 23] * 4]}, "do not belong together"),
        ({"wavelengths_um": [0.5, 0.6]}, "do not belong together"),
        ({"clip": [[[0.0] * 24] * 4]}, "must be above 0"),
        ({"channels": {key: [float("nan")] for key in ("red", "green", "blue", "grey")}}, "must be above 0"),
        ({"powers": [[10**9, 0], *POWERS[1:]]}, "from 0 to 20"),
        ({"chief": [[[float("nan"), 0.0]] * 4]}, "must contain only finite values"),
    ],
)
def test_a_wavefront_file_with_a_mistake_is_named(tmp_path, change, words):
    path = tmp_path / "lens.json"
    path.write_text(json.dumps({**described(), **change}), encoding="utf-8")
    with pytest.raises(SettingError) as caught:
        lens_described(str(path))
    assert words in str(caught.value)
    assert "lens.json" in str(caught.value)
