"""The rows of shots: order, verdict, advice, and pictures that any reader of PNG files can open."""

import io
from dataclasses import replace

import numpy as np
import PIL.Image
import pytest
from invented_shoot import THUMBNAILS, a_result, invented_findings, invented_lens, invented_shots, planned

from lensbench.library import sessions_of_sweep
from lensbench.model.errors import remark
from lensbench.model.shot import Place, RejectedShot
from lensbench.model.sweep import SweepShot
from lensbench.report.draw.thumbnail_strip import strip_png, strip_url
from lensbench.report.out.html import page_of
from lensbench.report.page.shots import MOST_PICTURES, shot_rows
from lensbench.report.page.sweep import sweep_report
from lensbench.storage.store import read_sweep


def pixels(png: bytes) -> np.ndarray:
    """Grey and opacity, by another program's reader."""
    with PIL.Image.open(io.BytesIO(png)) as picture:
        return np.asarray(picture.convert("LA"))


def test_a_strip_shows_every_pixel_in_equal_tone_with_clear_gaps():
    grey, opaque = np.moveaxis(pixels(strip_png(THUMBNAILS)), -1, 0)
    # Five pieces of 30 px and four gaps of 2.
    assert grey.shape == (30, 5 * 30 + 4 * 2)
    gaps = np.arange(158) % 32 >= 30
    assert (opaque == np.where(gaps, 0, 255)).all()
    # Light of 0.05 and 0.75 of white by sRGB (IEC 61966-2-1: 0.247 and 0.880), to half of one of 14 steps, and to the
    # first of 15 codes above black.
    for column, seen in ((0, 0.247), (29, 0.880)):
        assert grey[0, column] / 255 == pytest.approx(seen, abs=0.5 / 14 + 1 / 15)
    assert len(np.unique(grey[:, :30])) == 2
    dim = tuple(replace(own, dark_level=0.001, bright_level=0.004) for own in THUMBNAILS)
    assert strip_png(dim) == strip_png(THUMBNAILS)


def test_a_corner_that_was_not_seen_stays_clear_in_its_place():
    seen = [own for own in THUMBNAILS if own.place is not Place.UPPER_LEFT]
    opaque = pixels(strip_png(seen))[..., 1]
    assert not opaque[:, 32:62].any()
    assert opaque[:, :30].all()
    assert opaque[:, 64:94].all()


def test_left_out_ones_stand_first_with_their_reasons_and_what_to_do():
    shots = invented_shots()
    spare = replace(planned("q-0001.jpg", 24.0, 2.8), left_out="its raw file was measured", by_choice=True)
    other = replace(spare, path=spare.path.with_name("q-0002.jpg"))
    alone = planned("q-0200.dng", 50.0, 2.0)
    shots += [
        SweepShot(planned=plan, result=RejectedShot(path=plan.path, reason=plan.left_out))
        for plan in (spare, other)
    ]
    shots.append(SweepShot(planned=alone, result=a_result(planned("", 35.0, 2.8)), reason="soft"))
    rows = shot_rows(invented_lens(), shots)
    assert [(row.setting, row.photo, row.verdict, row.advice) for row in rows.left_out] == [
        (
            "35 mm, f/4",
            "q-0098.dng",
            "out of focus: 41 % below its repeats",
            "Nothing: the other 3 of this setting count.",
        ),
        ("35 mm, f/4", "q-0099.dng", "no chart was found in the picture", ""),
        ("50 mm, f/2", "q-0200.dng", "soft", "No other of this setting counts: shoot it again."),
        ("", "2 photographs, the first q-0001.jpg", "skipped: its raw file was measured", ""),
    ]
    assert [bool(row.picture) for row in rows.left_out] == [True, False, True, False]
    settings = [row.setting for row in rows.counted]
    assert settings[:4] == ["24 mm, f/2.8"] * 3 + ["24 mm, f/4"]
    assert len(settings) == 54


def test_a_remark_of_a_few_stands_in_their_rows_and_one_of_most_does_not():
    shots = invented_shots()
    told = [row for row in shot_rows(invented_lens(), shots).counted if row.verdict != "counts"]
    assert {row.setting for row in told} == {"24 mm, f/16", "35 mm, f/16", "70 mm, f/16"}
    assert all("the light falls unevenly (18 %" in row.verdict and "45 degrees" in row.advice for row in told)
    uneven = remark("uneven_light", "18 %")
    everywhere = [
        shot
        if isinstance(shot.result, RejectedShot)
        else replace(shot, result=replace(shot.result, quality=(uneven,)))
        for shot in shots
    ]
    assert {row.verdict for row in shot_rows(invented_lens(), everywhere).counted} == {"counts"}


def test_with_too_many_photographs_each_setting_keeps_pictures_and_the_page_says_so():
    rows = shot_rows(invented_lens(), invented_shots(), most=19)
    pictured = [row.setting for row in rows.counted if row.picture]
    # The one left out, and one of each of 18 settings.
    assert len(pictured) == 18 == len(set(pictured))
    assert rows.left_out[0].picture
    assert "Pictures of 19 of 55 photographs" in rows.about


def test_a_sweeps_folder_keeps_thumbnails_of_one_shot_a_setting_and_the_library_none(sweep_folder):
    (lens,) = read_sweep(sweep_folder)
    kept = [shot.setting for shot in lens.counted if shot.thumbnails]
    assert len(kept) == len(set(kept)) == 18
    assert all(shot.thumbnails in {(), THUMBNAILS} for shot in lens.shots)
    (session,) = sessions_of_sweep(sweep_folder)
    assert not any(shot.thumbnails for shot in session.shots)


def test_two_thousand_shots_give_a_page_below_15_mb():
    """The noisiest thumbnails that there can be, so that nothing packs."""
    noise = np.random.default_rng(5).random((64, 64))
    codes = type(THUMBNAILS[0]).coded(noise, dark_level=0.0, bright_level=1.0)
    noisy = tuple(replace(own, codes=codes) for own in THUMBNAILS)
    # The owner's limit, less 1 MB for all else on the page.
    assert MOST_PICTURES * len(strip_url(noisy)) < 7e6
    shots = invented_shots()[:1] * 2000
    rows = shot_rows(invented_lens(), shots)
    report = replace(sweep_report(invented_findings(), []), blocks=(rows,))
    without = sum(len(row.picture) for row in rows.counted)
    assert len(page_of(report, {})) - without < 2e6
