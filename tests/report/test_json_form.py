"""The JSON forms hold exactly the keys that the outside relies on, and nothing that JSON does not know."""

import json
from pathlib import Path

import numpy as np
import pytest
from effect_shots import series
from invented_shoot import invented_comparison
from invented_shots import shoot

from lensbench.effect.effect import find_effect
from lensbench.model.errors import remark
from lensbench.model.shot import (
    Box,
    ChartEdge,
    ChartSeen,
    Direction,
    Edge,
    Metadata,
    PhysicalFit,
    RejectedShot,
    ShotResult,
    Tilt,
    ZoneFigure,
)
from lensbench.model.sweep import LensFindings, SeriesRemark, SweepFindings
from lensbench.report.out.json_form import (
    comparison_as_json,
    edge_as_json,
    effect_as_json,
    findings_as_json,
    plain,
    shot_as_json,
)
from lensbench.sweep.decide import find
from lensbench.sweep.reject import reject

# The keys of the project's contract, written out by hand.
EDGE_KEYS = {
    "roi",
    "angle_deg",
    "channel",
    "mtf50_cypx",
    "mtf50_sd_cypx",
    "mtf30_cypx",
    "mtf30_sd_cypx",
    "mtf20_cypx",
    "mtf20_sd_cypx",
    "mtf10_cypx",
    "mtf10_sd_cypx",
    "rise_10_90_px",
    "rise_10_90_sd_px",
    "overshoot_percent",
    "undershoot_percent",
    "snr",
    "frequency_cypx",
    "sfr",
    "sfr_sd",
    "area_cypx",
    "area_sd_cypx",
    "response_at_nyquist",
    "response_at_nyquist_sd",
    "flags",
}
SHOT_KEYS = {
    "photo",
    "camera",
    "lens",
    "f_number",
    "focal_length_mm",
    "iso",
    "exposure_s",
    "size_px",
    "pixel_pitch_um",
    "chart",
    "magnification",
    "distance_mm",
    "tilt_deg",
    "edges",
    "summary",
    "quality",
}


def an_edge(**changes) -> Edge:
    figures = {
        "roi": Box(top=10, left=20, height=30, width=40),
        "channel": "green",
        "angle_deg": 5.1,
        "mtf50_cypx": 0.2931,
        "frequency_cypx": np.array([0.0, 0.1, 0.2]),
        "sfr": np.array([1.0, 0.9, np.nan]),
        "sfr_sd": np.array([0.0, 0.01, np.inf]),
        "flags": (remark("low_snr", "SNR 12, limit 20"),),
    }
    return Edge(**(figures | changes))


def a_shot() -> ShotResult:
    return ShotResult(
        path=Path("somewhere/shot.dng"),
        metadata=Metadata(camera="Quarry One", f_number=5.6, iso=100),
        size_px=(400, 600),
        sensor_data=True,
        pixel_pitch_um=4.0,
        chart=ChartSeen(
            name="sheet A3",
            targets_found=20,
            targets_on_chart=23,
            contrast=4.1,
            residual_px=0.04,
            radial_distortion_percent=float("nan"),
        ),
        magnification=0.025,
        distance_mm=None,
        tilt=Tilt(pitch_deg=0.1, yaw_deg=-0.2, roll_deg=0.3),
        edges=(
            ChartEdge(
                edge=an_edge(),
                target="T01",
                arm=2,
                center_px=(25.0, 40.5),
                image_height=0.4,
                azimuth_deg=30.0,
                direction=Direction.SAGITTAL,
            ),
        ),
        summary={
            "inner": ZoneFigure(
                mtf50_cypx=0.3,
                ci95_cypx=(0.29, float("nan")),
                edges=8,
                sagittal_cypx=0.31,
                tangential_cypx=0.29,
            )
        },
        quality=(remark("tilted", "1.2 degrees, limit 0.5"),),
    )


def test_an_edge_has_the_keys_of_the_contract_and_its_box_in_order():
    form = edge_as_json(an_edge())
    assert set(form) == EDGE_KEYS
    assert form["roi"] == [10, 20, 30, 40]
    assert form["flags"] == ["low_snr: SNR 12, limit 20"]


def test_a_figure_that_is_not_a_number_becomes_null():
    form = edge_as_json(an_edge(mtf50_cypx=float("nan")))
    assert form["mtf50_cypx"] is None
    assert form["sfr"] == [1.0, 0.9, None]
    assert form["sfr_sd"] == [0.0, 0.01, None]
    json.dumps(form, allow_nan=False)


def test_optional_readings_stand_only_where_they_were_taken():
    fit = PhysicalFit(
        fits=True,
        mtf50_cypx=0.3,
        mtf50_sd_cypx=0.001,
        diffraction_q=0.77,
        defocus_disc_px=1.0,
        gaussian_sigma_px=0.3,
        reduced_chi2=1.02,
    )
    form = edge_as_json(an_edge(physical=fit, acutance=0.8, sharpness_jnd=12.5, lateral_color_px=(0.4, -0.2)))
    assert set(form) == EDGE_KEYS | {"physical", "acutance", "sharpness_jnd", "lateral_color_px"}
    assert set(form["physical"]) == {
        "fits",
        "mtf50_cypx",
        "mtf50_sd_cypx",
        "diffraction_q",
        "defocus_disc_px",
        "gaussian_sigma_px",
        "reduced_chi2",
    }
    assert form["lateral_color_px"] == {"red": 0.4, "blue": -0.2}


def test_a_shot_has_the_keys_of_the_contract():
    form = shot_as_json(a_shot())
    assert set(form) >= SHOT_KEYS
    assert form["tilt_deg"] == {"pitch": 0.1, "yaw": -0.2, "roll": 0.3}
    assert set(form["edges"][0]) >= EDGE_KEYS | {
        "target",
        "center_px",
        "image_height",
        "azimuth_deg",
        "direction",
    }
    assert form["edges"][0]["direction"] == "sagittal"
    assert set(form["summary"]["inner"]) >= {"mtf50_cypx", "ci95_cypx", "edges"}
    assert form["summary"]["inner"]["ci95_cypx"] == [0.29, None]
    assert set(form["quality"][0]) == {"flag", "severity", "message", "advice"}
    assert form["lens"] is None
    assert form["photo"] == str(Path("somewhere/shot.dng"))
    json.dumps(form, allow_nan=False)


def test_numpy_scalars_become_plain_numbers():
    assert str(plain([-0.0, np.float64(-0.0)])) == "[0.0, 0.0]"
    form = plain({"a": np.float64(0.5), "b": np.int64(3), "c": np.bool_(True), 4.0: np.float32("nan")})
    assert form == {"a": 0.5, "b": 3, "c": True, "4.0": None}
    json.dumps(form, allow_nan=False)


def test_findings_list_the_lenses_and_name_rejected_photographs():
    lens = LensFindings(
        lens="Zoom",
        camera="Quarry One",
        shots=3,
        rejected=(RejectedShot(path=Path("a/b.dng"), reason="no chart"),),
        best=None,
        by_focal_length=(),
        remarks=(SeriesRemark(flag="few_shots"),),
    )
    form = findings_as_json(SweepFindings(lenses=(lens,)))
    (only,) = form["lenses"]
    # The keys of the project's contract, written out by hand.
    assert set(only) >= {"lens", "camera", "shots", "rejected", "best", "by_focal_length", "condition"}
    assert only["rejected"] == [{"photo": str(Path("a/b.dng")), "reason": "no chart"}]
    assert only["remarks"][0]["flag"] == "few_shots"
    assert only["text"] == ["Zoom: no setting could be measured."]
    json.dumps(form, allow_nan=False)


def test_a_value_that_no_record_holds_is_refused_by_name():
    with pytest.raises(TypeError, match="no JSON form for object"):
        plain(object())


def sentences_in(value, key=""):
    """The keys under which text with two or more words and a full stop stands, and every key that has a space."""
    if isinstance(value, dict):
        found = {name for name in value if " " in name}
        return found.union(*(sentences_in(item, name) for name, item in value.items()))
    if isinstance(value, list):
        return set().union(*(sentences_in(item, key) for item in value))
    return {key} if isinstance(value, str) and value.endswith(".") and " " in value else set()


def test_sentences_stand_under_text_keys_and_no_key_is_a_phrase():
    shots = series(["with", "without"] * 3, effect={"with": -0.2, "without": 0.0})
    forms = [
        findings_as_json(
            find(reject(shoot({2.8: 0.22, 4.0: 0.28, 5.6: 0.30, 8.0: 0.275}, seed=1, repeats=1)))
        ),
        comparison_as_json(invented_comparison()),
        effect_as_json(find_effect(shots, by="condition")),
    ]
    for form in forms:
        own = [
            {name: item for name, item in lens.items() if name != "condition"}
            for lens in form.get("lenses", ())
        ]
        assert sentences_in(form | {"lenses": own}) == {"text"}


def test_a_pixel_pitch_is_the_round_number_that_its_quotient_misses():
    # Written out by hand: 3.9999999999999996 is the float next below 4; half a millionth of a um is no pixel's.
    assert plain({"pixel_pitch_um": np.nextafter(4.0, 0.0), "mtf50_cypx": 0.1 + 0.2}) == {
        "pixel_pitch_um": 4.0,
        "mtf50_cypx": 0.1 + 0.2,
    }
    assert plain({"pixel_pitch_um": None}) == {"pixel_pitch_um": None}
