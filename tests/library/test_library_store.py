import sqlite3
import subprocess
import sys
from pathlib import Path

import measured_lenses
import numpy as np
import pytest
from measured_lenses import kept_session, sweep_folder

from lensbench.library import AdviceCaution, advise, store
from lensbench.library.store import APPLICATION_ID, VERSION, Library, chosen, sessions_of_sweep, usual_place
from lensbench.model.errors import LensError, LibraryError, SweepError
from lensbench.storage.store import library_document, read_library_document


@pytest.fixture
def library(tmp_path):
    return Library(place=tmp_path / "data" / "library.sqlite")


def test_what_is_added_comes_back(library):
    session = kept_session(shot={"iso": None, "snr": None, "bracket": True})
    assert library.add([session]) == 1
    (back,) = library.sessions()
    assert back == session


def test_a_sweep_folder_is_taken_up(library, tmp_path):
    session = kept_session(shot={"exact_f_number": 5.66})
    folder = sweep_folder(tmp_path / "spring", session)
    library.add(sessions_of_sweep(folder))
    (back,) = library.sessions()
    assert (back.lens, back.camera, back.session, back.size_px) == (
        "Fennel",
        "Box One",
        "spring",
        (4000, 6000),
    )
    assert back.best.setting.f_number == 5.6
    assert [shot.zones for shot in back.shots] == [shot.zones for shot in session.shots]
    # Only the bare names of the photographs are carried.
    assert back.shots[0].files == ("50_2.8_0.dng",)


def test_a_second_add_needs_replace_and_leaves_all_as_it_was(library):
    first, second = kept_session(seed=1), kept_session(seed=2)
    library.add([first])
    with pytest.raises(LibraryError, match=r"in the library already.*--replace"):
        library.add([kept_session("Sorrel"), second])
    assert [one.lens for one in library.sessions()] == ["Fennel"]
    assert library.sessions()[0] == first
    library.add([second], replace=True)
    assert library.sessions()[0] == second
    library.add([kept_session(session="autumn")])
    assert len(library.sessions()) == 2


def test_remove_takes_the_lens_with_its_last_session(library):
    session = kept_session()
    library.add([session, kept_session("Sorrel")])
    library.remove(session)
    assert [one.lens for one in library.sessions()] == ["Sorrel"]
    with pytest.raises(LibraryError, match="holds no Fennel"):
        library.remove(session)


def test_the_file_is_ours_with_a_log_ahead_and_wide_pages(library):
    library.add([kept_session()])
    connection = sqlite3.connect(library.place)
    told = [connection.execute(f"PRAGMA {name}").fetchone()[0] for name in ("page_size", "journal_mode")]
    told += [
        connection.execute(f"PRAGMA {name}").fetchone()[0] for name in ("user_version", "application_id")
    ]
    connection.close()
    assert told == [8192, "wal", VERSION, APPLICATION_ID]


# The tables of the file's first two versions, as they were.
FIRST = """
CREATE TABLE lens (id INTEGER PRIMARY KEY, name TEXT NOT NULL, camera TEXT NOT NULL, UNIQUE (name, camera));
CREATE TABLE session (
  id INTEGER PRIMARY KEY, lens_id INTEGER NOT NULL REFERENCES lens ON DELETE CASCADE, name TEXT NOT NULL,
  added_at TEXT NOT NULL, pixel_pitch_um REAL, picture_height_px INTEGER, sensor_data INTEGER NOT NULL,
  best_focal_length_mm REAL, best_f_number REAL, best_mtf50_cypx REAL, best_low_cypx REAL, best_high_cypx REAL,
  UNIQUE (lens_id, name));
CREATE TABLE shot (
  id INTEGER PRIMARY KEY, session_id INTEGER NOT NULL REFERENCES session ON DELETE CASCADE,
  file TEXT NOT NULL, focal_length_mm REAL, f_number REAL, exact_f_number REAL, focus_group TEXT NOT NULL,
  iso REAL, magnification REAL);
CREATE INDEX shot_of_session ON shot (session_id);
CREATE TABLE summary (
  shot_id INTEGER NOT NULL REFERENCES shot ON DELETE CASCADE, zone TEXT NOT NULL,
  mtf50_cypx REAL, sagittal_cypx REAL, tangential_cypx REAL, PRIMARY KEY (shot_id, zone)) WITHOUT ROWID;
INSERT INTO lens VALUES (7, 'Tansy', 'Box One');
INSERT INTO session VALUES (3, 7, 'old', '2025-01-01', 4.0, 4000, 1, 50.0, 5.6, 0.3, 0.29, 0.31);
INSERT INTO shot VALUES (9, 3, 'a.dng', 50.0, 5.6, 5.66, '', 100.0, 0.02);
INSERT INTO shot VALUES (10, 3, 'b.dng', NULL, 8.0, 8.0, 'g', 100.0, 0.02);
INSERT INTO shot VALUES (11, 3, 'c.dng', NULL, 8.0, 8.0, 'g', NULL, 1e300);
INSERT INTO summary SELECT 9, value, 0.3, 0.31, 0.29 FROM json_each('["inner", "middle", "outer", "frame"]');
INSERT INTO summary VALUES (10, 'frame', 0.2, 0.2, NULL);
INSERT INTO summary VALUES (11, 'frame', 0.25, 0.25, NULL);
"""
SECOND = """
ALTER TABLE session ADD COLUMN picture_width_px INTEGER;
CREATE TABLE edge_form (id INTEGER PRIMARY KEY, columns TEXT NOT NULL UNIQUE);
CREATE TABLE edges (
  shot_id INTEGER PRIMARY KEY REFERENCES shot ON DELETE CASCADE,
  form_id INTEGER NOT NULL REFERENCES edge_form, figures BLOB NOT NULL);
INSERT INTO edge_form VALUES (1, 'taste snr');
"""


def write_older(place, version):
    place.parent.mkdir(exist_ok=True)
    connection = sqlite3.connect(place)
    connection.executescript(FIRST)
    if version == 2:
        connection.executescript(SECOND)
        figures = np.array([[1.0, 30.0], [2.0, 50.0], [3.0, np.nan]], "<f4").tobytes()
        connection.execute("INSERT INTO edges VALUES (9, 1, ?)", (figures,))
    connection.execute(f"PRAGMA application_id = {APPLICATION_ID}")
    connection.execute(f"PRAGMA user_version = {version}")
    connection.commit()
    connection.close()


@pytest.mark.parametrize(("version", "snr"), [(1, None), (2, 40.0)])
def test_an_older_file_is_brought_up_to_date(library, version, snr):
    write_older(library.place, version)
    (old,) = library.sessions()
    assert (old.title, old.size_px) == ("Tansy on Box One, session «old»", (4000, 6000))
    assert (old.best.setting.f_number, old.best.ci95_cypx) == (5.6, (0.29, 0.31))
    single, group = old.shots
    assert (single.zones["frame"].mtf50_cypx, single.exact_f_number, single.snr) == (0.3, 5.66, snr)
    # Its zones were rings, no thirds: whoever asks it is told.
    cautions = {each.kind: each.names for each in advise([old], focal_length_mm=50.0).cautions}
    assert cautions[AdviceCaution.OLDER_ZONES] == ("Tansy",)
    # One focus group counts once, by the geometric mean: sqrt(0.2 x 0.25); what nobody knows is None.
    assert group.zones["frame"].mtf50_cypx == pytest.approx(0.05**0.5)
    assert (group.files, group.setting.focal_length_mm, group.iso) == (("b.dng", "c.dng"), None, 100.0)
    library.add([kept_session()])
    assert [one.lens for one in library.sessions()] == ["Fennel", "Tansy"]
    fresh = library.place.with_name("fresh.sqlite")
    Library(place=fresh).add([kept_session()])
    assert tables_of(library.place) == tables_of(fresh)


def test_a_damaged_older_file_stays_as_it_was(library):
    write_older(library.place, 1)
    connection = sqlite3.connect(library.place)
    connection.execute("DROP TABLE summary")
    connection.commit()
    connection.close()
    with pytest.raises(LibraryError, match="not a library, or damaged"):
        library.sessions()
    connection = sqlite3.connect(library.place)
    assert connection.execute("SELECT count(*) FROM shot").fetchone()[0] == 3
    connection.close()


def tables_of(place):
    connection = sqlite3.connect(place)
    rows = connection.execute("SELECT type, name FROM sqlite_master ORDER BY name").fetchall()
    columns = [
        connection.execute(f"PRAGMA table_info({name})").fetchall() for kind, name in rows if kind == "table"
    ]
    connection.close()
    return rows, columns


def test_a_newer_or_foreign_file_is_refused_and_left_alone(tmp_path):
    for name, statements, says in (
        (
            "newer",
            (f"PRAGMA application_id = {APPLICATION_ID}", "PRAGMA user_version = 99"),
            "newer lensbench",
        ),
        ("foreign", ("CREATE TABLE recipes (cake TEXT)",), "another program's database"),
    ):
        place = tmp_path / f"{name}.sqlite"
        connection = sqlite3.connect(place)
        for statement in statements:
            connection.execute(statement)
        connection.commit()
        connection.close()
        before = place.read_bytes()
        for call in (Library(place=place).sessions, lambda: Library(place=place).add([kept_session()])):  # noqa: B023
            with pytest.raises(LibraryError, match=says):
                call()
        assert place.read_bytes() == before


def test_no_library_yet_is_said_and_none_is_made(library):
    with pytest.raises(LibraryError, match="no library there yet"):
        library.sessions()
    assert not library.place.parent.exists()


def test_damage_anywhere_is_one_sentence_or_no_harm(library):
    # Every damaged copy gives sessions or a LensError, never another error.
    library.add([kept_session(repeats=1), kept_session("Sorrel", repeats=1)])
    whole = library.place.read_bytes()
    random = np.random.default_rng(5)
    failed = 0
    for number in range(60):
        spoiled = bytearray(whole)
        start = int(random.integers(0, len(whole) - 64))
        spoiled[start : start + 64] = random.bytes(64)
        if number % 3 == 0:
            spoiled = spoiled[: int(random.integers(1, len(whole)))]
        place = library.place.with_name(f"spoiled{number}.sqlite")
        place.write_bytes(spoiled)
        try:
            Library(place=place).sessions()
        except LensError as error:
            failed += 1
            assert str(place) in str(error)  # noqa: PT017 - most copies raise nothing
    assert failed > 10


def test_a_folder_that_cannot_be_used_is_said(tmp_path):
    (tmp_path / "file").write_text("no folder")
    with pytest.raises(LibraryError, match=r"another (file|with)"):
        Library(place=tmp_path / "file" / "library.sqlite").add([kept_session()])
    with pytest.raises(SweepError, match="lensbench sweep"):
        sessions_of_sweep(tmp_path)


ADDING = """
import sys
from pathlib import Path
sys.path.insert(0, sys.argv[1])
import measured_lenses
from measured_lenses import kept_session
from lensbench.library.store import Library
library = Library(place=Path(sys.argv[2]))
for number in range(4):
    library.add([kept_session(f"Lens {sys.argv[3]}", session=f"s{number}", repeats=1)])
    assert len(library.sessions()) > number
"""


def test_several_programs_at_once_lose_nothing(library):
    running = [
        subprocess.Popen(
            [
                sys.executable,
                "-c",
                ADDING,
                str(Path(measured_lenses.__file__).parent),
                str(library.place),
                str(number),
            ],
            stderr=subprocess.PIPE,
        )
        for number in range(2)
    ]
    while any(one.poll() is None for one in running):  # this one reads and writes all the while
        library.add([kept_session("Lens 2", session="again", repeats=1)], replace=True)
    told = [one.communicate(timeout=60)[1].decode() for one in running]
    assert [one.returncode for one in running] == [0, 0], told
    assert len(library.sessions()) == 9


def test_a_library_that_another_program_holds_is_said(library, monkeypatch):
    library.add([kept_session()])
    monkeypatch.setattr(store, "_PATIENCE_S", 0.05)
    holding = sqlite3.connect(library.place, isolation_level=None)
    holding.execute("BEGIN IMMEDIATE")
    assert len(library.sessions()) == 1  # reading goes on
    with pytest.raises(LibraryError, match="another program is writing"):
        library.add([kept_session("Sorrel")])
    holding.close()


def test_export_and_import_carry_everything(library, tmp_path):
    sessions = [kept_session(), kept_session("Øllebrød «24–70»", shot={"magnification": None}, size_px=None)]
    path = tmp_path / "carried.json"
    path.write_bytes(library_document(sessions))
    back = read_library_document(path)
    assert back == sessions
    library.add(back)
    assert library.sessions() == sessions


@pytest.mark.parametrize(
    ("old", "new", "says"),
    [
        ('"Fennel"', "7", r"damaged .*lens"),
        ('"Fennel"', '"\\u202e"', "lens's name is empty"),
        ('"f_number":2.8', '"f_number":"2.8"', "damaged"),
        ('"f_number":2.8', '"f_number":1e999', "damaged"),
        ('"mtf50_cypx":0.2', '"mtf50_cypx":1e9', "damaged"),
        ('"mtf50_cypx":0.2', '"mtf50_cypx":null, "x":0.2', "damaged"),
        ('"size_px":[', '"size_px":[3,', "damaged"),
        ("lensbench library", "cake", "a document of the kind «cake»"),
        ('"version":2', '"version":3', "of version 3"),
        ('"shots"', '"shoes"', "damaged"),
        ("{", "[" * 100_000, "no document of the kind"),
    ],
)
def test_a_spoiled_document_is_refused(tmp_path, old, new, says):
    path = tmp_path / "spoiled.json"
    text = library_document([kept_session(curve={2.8: 0.25}, repeats=1)]).decode()
    path.write_text(text.replace(old, new, 1), encoding="utf-8")
    with pytest.raises(LibraryError, match=says):
        read_library_document(path)


def test_an_export_of_the_first_form_is_refused_in_one_sentence(tmp_path):
    path = tmp_path / "old.json"
    path.write_text('{"form": "lensbench library 1", "edge_columns": [], "sessions": []}', encoding="utf-8")
    with pytest.raises(LibraryError, match="of an older version; export the library again"):
        read_library_document(path)


def test_foreign_text_loses_what_cannot_be_seen(tmp_path):
    path = tmp_path / "foreign.json"
    text = library_document([kept_session(curve={2.8: 0.25}, repeats=1)]).decode()
    path.write_text(
        text.replace('"Fennel"', '"Fen\\u0000nel\\u202e\\n<b>\'; DROP TABLE lens"', 1), encoding="utf-8"
    )
    (session,) = read_library_document(path)
    assert session.lens == "Fennel <b>'; DROP TABLE lens"


def test_lenses_are_chosen_by_name_or_part():
    sessions = [kept_session("Fennel 24-70"), kept_session("Fennel 50"), kept_session("Sorrel", session="x")]
    assert chosen(sessions, "fennel 50") == [sessions[1]]
    assert chosen(sessions, "sorr") == [sessions[2]]
    with pytest.raises(LibraryError, match="several lenses: Fennel 24-70, Fennel 50"):
        chosen(sessions, "fennel")
    with pytest.raises(LibraryError, match=r"no such lens «Tansy».*Sorrel"):
        chosen(sessions, "Tansy")
    with pytest.raises(LibraryError, match="no such lens"):
        chosen(sessions, "Sorrel", session="y")


def test_usual_place_follows_the_system(monkeypatch, tmp_path):
    # XDG Base Directory Specification: an absolute XDG_DATA_HOME counts, a relative one is ignored.
    monkeypatch.setattr(sys, "platform", "linux")
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path))
    assert usual_place() == tmp_path / "lensbench" / "library.sqlite"
    monkeypatch.setenv("XDG_DATA_HOME", "relative")
    assert usual_place() == Path.home() / ".local" / "share" / "lensbench" / "library.sqlite"
    monkeypatch.setattr(sys, "platform", "darwin")
    assert "Application Support" in str(usual_place())
    monkeypatch.setattr(sys, "platform", "win32")
    monkeypatch.setenv("LOCALAPPDATA", str(tmp_path / "local"))
    assert usual_place() == tmp_path / "local" / "lensbench" / "library.sqlite"


@pytest.mark.parametrize("nothing", ["", " "])
def test_an_empty_name_fits_no_lens(nothing):
    with pytest.raises(LibraryError, match="no such lens"):
        chosen([kept_session(curve={2.8: 0.25}, repeats=1)], nothing)
