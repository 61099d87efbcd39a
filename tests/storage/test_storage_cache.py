import dataclasses
from pathlib import Path

import numpy as np
from invented_shots import result

from lensbench.model.flags import remark
from lensbench.model.shot import PhysicalFit, ShotResult
from lensbench.storage.cache import Shelf, from_plain, to_plain


def full_result(path):
    """Every optional field filled, so that none is forgotten."""
    shot = result(path, 0.3, quality=(remark("tilted", "0.7 degrees, limit 0.5"),))
    physical = PhysicalFit(
        fits=True,
        mtf50_cypx=0.3,
        mtf50_sd_cypx=0.001,
        diffraction_q=0.77,
        defocus_disc_px=0.5,
        gaussian_sigma_px=0.4,
        reduced_chi2=1.1,
    )
    first = dataclasses.replace(
        shot.edges[0],
        edge=dataclasses.replace(
            shot.edges[0].edge, physical=physical, lateral_color_px=(0.2, -0.1), flags=(remark("curved"),)
        ),
    )
    return dataclasses.replace(shot, edges=(first, *shot.edges[1:]))


def same(one, other):
    if dataclasses.is_dataclass(one):
        return type(one) is type(other) and all(
            same(getattr(one, item.name), getattr(other, item.name)) for item in dataclasses.fields(one)
        )
    if isinstance(one, np.ndarray):
        return np.array_equal(one, other, equal_nan=True)
    if isinstance(one, tuple):
        return len(one) == len(other) and all(map(same, one, other))
    if isinstance(one, dict):
        return one.keys() == other.keys() and all(same(value, other[key]) for key, value in one.items())
    return one == other or (one != one and other != other)  # noqa: PLR0124 - NaN equals NaN here


def test_a_result_comes_back_bit_for_bit(tmp_path):
    photograph = tmp_path / "a.dng"
    photograph.write_bytes(b"light")
    shelf = Shelf(folder=tmp_path / "kept")
    shot = full_result(photograph)
    shelf.put(shelf.name(photograph, "refined"), shot)
    assert same(shelf.take(shelf.name(photograph, "refined"), photograph), shot)


def test_the_name_follows_content_and_settings_but_not_the_path(tmp_path):
    first, moved, changed = (tmp_path / name for name in ("a.dng", "b.dng", "c.dng"))
    first.write_bytes(b"light")
    moved.write_bytes(b"light")
    changed.write_bytes(b"lighT")
    shelf = Shelf(folder=tmp_path)
    assert shelf.name(first, "refined") == shelf.name(moved, "refined")
    assert shelf.name(first, "refined") != shelf.name(first, "iso")
    assert shelf.name(first, "refined") != shelf.name(changed, "refined")


def test_damaged_or_strange_files_are_measured_anew(tmp_path):
    shelf = Shelf(folder=tmp_path)
    shelf.put("x.json.gz", result(Path("a.dng"), 0.3))
    whole = (tmp_path / "x.json.gz").read_bytes()
    for content in (b"", b"noise", whole[: len(whole) // 2], whole[:-8] + b"\0" * 8):
        (tmp_path / "x.json.gz").write_bytes(content)
        assert shelf.take("x.json.gz", Path("a.dng")) is None
    assert shelf.take("absent.json.gz", Path("a.dng")) is None


def test_no_draft_is_left_behind(tmp_path):
    shelf = Shelf(folder=tmp_path / "deep" / "kept")
    shelf.put("x.json.gz", result(Path("a.dng"), 0.3))
    assert [path.name for path in shelf.folder.iterdir()] == ["x.json.gz"]


def test_plain_form_is_json_of_a_known_kind():
    shot = result(Path("a.dng"), 0.3)
    assert from_plain(ShotResult, to_plain(shot)).path == Path("a.dng")
