import dataclasses
import gzip
import os
import shutil
import subprocess
import sys
import time
import tracemalloc
from pathlib import Path
from threading import Thread

import invented_shots
import msgspec
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from invented_shots import result

import lensbench
from lensbench import shot
from lensbench.model.errors import remark
from lensbench.model.shot import PhysicalFit, ShotResult
from lensbench.storage.cache import (
    KnownFiles,
    ResultCache,
    code_fingerprint,
    identity_of,
    packed,
    room_fingerprint,
)
from lensbench.storage.made import MadeCache
from lensbench.sweep.run import Task, measure_one


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
            shot.edges[0].edge,
            mtf30_sd_cypx=0.001,
            mtf20_sd_cypx=0.002,
            mtf10_sd_cypx=0.003,
            rise_10_90_sd_px=0.01,
            physical=physical,
            lateral_color_px=(0.2, -0.1),
            flags=(remark("curved"),),
        ),
    )
    return dataclasses.replace(shot, edges=(first, *shot.edges[1:]))


NAMES = tuple(item.name for item in dataclasses.fields(ShotResult))


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
    cache = ResultCache(folder=tmp_path / "kept")
    shot = full_result(photograph)
    cache.put(cache.name(photograph, "refined"), shot)
    assert same(cache.get(cache.name(photograph, "refined"), photograph), shot)


def test_the_name_follows_content_and_settings_but_not_the_path(tmp_path):
    first, moved, changed = (tmp_path / name for name in ("a.dng", "b.dng", "c.dng"))
    first.write_bytes(b"light")
    moved.write_bytes(b"light")
    changed.write_bytes(b"lighT")
    cache = ResultCache(folder=tmp_path)
    assert cache.name(first, "refined") == cache.name(moved, "refined")
    assert cache.name(first, "refined") != cache.name(first, "iso")
    assert cache.name(first, "refined") != cache.name(changed, "refined")


def test_damaged_or_strange_files_are_measured_anew(tmp_path):
    cache = ResultCache(folder=tmp_path)
    cache.put("x.shot.gz", result(Path("a.dng"), 0.3))
    whole = (tmp_path / "x.shot.gz").read_bytes()
    torn = whole[:12] + b"\xff" * 8 + whole[20:]
    bomb = gzip.compress(b'{"path": "a.dng", "size_px": [' + b" " * 100_000_000 + b"]}", compresslevel=1)
    strange = (
        b'{"path": "a.dng"}',
        b"[1]",
        b"3",
        b"[" * 100_000,
        b'{"path": "a.dng", "reason": 3}',
        b'{"path": 1}',
    )
    shaped = ({"shot": {"path": "a.dng"}}, [1], 3, {"rejected": {"path": "a.dng", "reason": 3}}, {"shot": 1})
    foreign = [gzip.compress(content) for content in (*strange, *map(msgspec.msgpack.encode, shaped))]
    tracemalloc.start()
    for content in (b"", b"noise", whole[: len(whole) // 2], whole[:-8] + b"\0" * 8, torn, bomb, *foreign):
        (tmp_path / "x.shot.gz").write_bytes(content)
        assert cache.get("x.shot.gz", Path("a.dng")) is None
    assert cache.get("absent.shot.gz", Path("a.dng")) is None
    most_bytes = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert most_bytes < 70_000_000  # of the bomb's 100


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="a system without named pipes")
def test_a_pipe_in_the_place_of_a_kept_result_is_not_read(tmp_path):
    """Where nobody writes to it, whoever opens it waits for ever."""
    cache, made = ResultCache(folder=tmp_path), MadeCache(folder=tmp_path)
    cache.put("x.shot.gz", result(Path("a.dng"), 0.3))
    made.get_or_make("plot", "sharpness", lambda: b"older drawing")
    paths = list(tmp_path.iterdir())
    assert len(paths) == 2
    for path in paths:
        whole = path.read_bytes()
        path.unlink()
        os.mkfifo(path)
        Thread(target=path.write_bytes, args=(whole,), daemon=True).start()
    assert cache.get("x.shot.gz", Path("a.dng")) is None
    assert made.get_or_make("plot", "sharpness", lambda: b"drawing") == b"drawing"


def test_a_kept_drawing_of_any_other_content_is_drawn_anew(tmp_path):
    """Whole files all of them: their own checksums are right."""
    made = MadeCache(folder=tmp_path)
    made.get_or_make("plot", "sharpness", lambda: b"drawing")
    (path,) = tmp_path.iterdir()
    made.get_or_make("plot", "veil", lambda: b"other drawing")
    (other,) = set(tmp_path.iterdir()) - {path}
    for content in (b"", b"x", b"\x8e" * 300, gzip.decompress(path.read_bytes())[1:]):
        path.write_bytes(gzip.compress(content))
        assert made.get_or_make("plot", "sharpness", lambda: b"drawing") == b"drawing"
    path.write_bytes(other.read_bytes())
    assert made.get_or_make("plot", "sharpness", lambda: b"drawing") == b"drawing"
    assert made.get_or_make("plot", "sharpness", lambda: b"never") == b"drawing"


ANYTHING = st.recursive(
    st.none() | st.booleans() | st.integers(-(2**63), 2**63 - 1) | st.floats() | st.text(max_size=5),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.sampled_from(NAMES), inner, max_size=4),
    max_leaves=12,
)


@given(other=ANYTHING, name=st.sampled_from(NAMES))
@settings(max_examples=25, deadline=None)
def test_a_field_of_any_other_content_is_a_result_or_none(tmp_path_factory, other, name):
    cache = ResultCache(folder=tmp_path_factory.getbasetemp() / "kept")
    cache.folder.mkdir(exist_ok=True)
    kept = msgspec.msgpack.decode(packed(result(Path("a.dng"), 0.3))) | {name: other}
    content = msgspec.msgpack.encode({"shot": kept})
    (cache.folder / "x.shot.gz").write_bytes(gzip.compress(content, compresslevel=1))
    assert isinstance(cache.get("x.shot.gz", Path("a.dng")), ShotResult | None)


def test_no_draft_is_left_behind(tmp_path):
    cache = ResultCache(folder=tmp_path / "deep" / "kept")
    cache.put("x.shot.gz", result(Path("a.dng"), 0.3))
    assert [path.name for path in cache.folder.iterdir()] == ["x.shot.gz"]


def test_what_nobody_touched_is_not_read_again_and_what_is_doubtful_is(tmp_path, monkeypatch):
    photograph = tmp_path / "a.dng"
    photograph.write_bytes(b"light")
    assert identity_of(photograph) == ""  # written just now
    later_ns = time.time_ns() + 10**10
    monkeypatch.setattr(time, "time_ns", lambda: later_ns)
    before = identity_of(photograph)
    path = tmp_path / ".contents.json"
    contents = KnownFiles.of(path, str)
    contents.learn(photograph, before, "d" * 40)
    contents.save()
    assert KnownFiles.of(path, str).get(before) == "d" * 40
    photograph.write_bytes(b"lighT")
    changed = identity_of(photograph)
    assert changed != before
    assert KnownFiles.of(path, str).get(changed) is None
    contents.learn(photograph, before, "e" * 40)  # changed while it was measured
    assert contents.get(changed) is None
    path.write_bytes(b"{}x")
    assert KnownFiles.of(path, str).get(before) is None


MEASURED_BY_A_COPY = """
import sys
from pathlib import Path
from lensbench.storage.cache import ResultCache
from lensbench.storage.made import MadeCache
from lensbench.sweep.run import Task, measure_one
photograph, cache = Path(sys.argv[1]), ResultCache(folder=Path(sys.argv[2]))
kept = measure_one(Task(path=photograph, cache=cache))
print(cache.get(kept.name, photograph).summary["frame"].mtf50_cypx)
"""
INVENTED_MEASUREMENT = """

def measure_shot(path, *_, **__):
    from invented_shots import result
    return result(path, {figure})
"""


def test_a_change_of_the_measuring_code_measures_anew(tmp_path):
    package = shutil.copytree(
        Path(lensbench.__file__).parent,
        tmp_path / "copy" / "lensbench",
        ignore=shutil.ignore_patterns("__pycache__"),
    )
    photograph, cache = tmp_path / "a.dng", tmp_path / "measured"
    photograph.write_bytes(b"light")
    door = package / "shot" / "__init__.py"
    whole = door.read_text()

    def measured_by_program(figure, *, changed="shot"):
        """What a program gets whose own measurement gives this figure, and how many results are kept."""
        door.write_text(whole + INVENTED_MEASUREMENT.format(figure=figure))
        if changed != "shot":
            other = package / changed / "__init__.py"
            other.write_text(other.read_text() + "# another remark\n")
        path = os.pathsep.join([str(package.parent), str(Path(invented_shots.__file__).parent)])
        done = subprocess.run(
            [sys.executable, "-c", MEASURED_BY_A_COPY, photograph, cache],
            cwd=tmp_path, stdout=subprocess.PIPE, text=True, check=True,
            env=os.environ | {"PYTHONPATH": path, "PYTHONDONTWRITEBYTECODE": "1"},
        )  # fmt: skip
        return float(done.stdout), len(list(cache.iterdir()))

    assert measured_by_program(0.3) == (pytest.approx(0.3, rel=0.05), 1)
    assert measured_by_program(0.3, changed="report")[1] == 1  # a report measures nothing
    assert measured_by_program(0.4) == (pytest.approx(0.4, rel=0.05), 2)
    assert measured_by_program(0.3, changed="edge")[1] == 3


def test_another_decoder_measures_anew(tmp_path, monkeypatch):
    import rawpy  # noqa: PLC0415

    photograph, asked = tmp_path / "a.dng", []
    photograph.write_bytes(b"light")
    monkeypatch.setattr(shot, "measure_shot", lambda path, *_, **__: asked.append(path) or result(path, 0.3))
    for version in ((0, 22, 2), (0, 22, 2), (0, 22, 3)):
        monkeypatch.setattr(rawpy, "libraw_version", version)
        measure_one(Task(path=photograph, cache=ResultCache(folder=tmp_path / "measured")))
    assert len(asked) == 2


def test_the_fingerprint_costs_next_to_nothing():
    room_fingerprint.cache_clear()
    begun = time.process_time()
    code_fingerprint()
    assert time.process_time() - begun < 0.1  # 5 ms usually; a busy machine gets room
