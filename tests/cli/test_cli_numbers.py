"""Every number on the command line has limits, and what is no number is refused by the option's name."""

import pytest
import typer
from typer.testing import CliRunner

from lensbench.cli.main import app
from lensbench.model.errors import LibraryError, SettingError

NEEDED = {
    "plan": ["--focal", "50", "--widest", "2"],
    "edge": ["nothing.jpg"],
    "measure": ["nothing.jpg"],
    "check": ["nothing.jpg"],
    "sweep": ["nothing"],
    "compare": ["nothing", "nowhere"],
    "effect": ["nothing", "--by", "iso"],
    "library advise": ["--focal-length", "50"],
}
ENDLESS = {"--far"}


def commands(group, *names):
    for name, inner in getattr(group, "commands", {}).items():
        yield from commands(inner, *names, name)
    if names and not hasattr(group, "commands"):
        yield " ".join(names), group


OPTIONS = [
    (name, option.opts[0], option.type_descriptor.annotation, option.type_descriptor.parameter_info)
    for name, command in commands(typer.main.get_command(app))
    for option in command.params
    if option.type_descriptor.annotation in {int, float}
]


def said(tmp_path, name, option, value):
    out = ["--out", str(tmp_path / "out")] if name in {"simulate", "plan", "chart", "demo", "sweep"} else []
    done = CliRunner().invoke(app, [*name.split(), *NEEDED.get(name, []), *out, option, value])
    assert done.exit_code == 2 or isinstance(done.exception, SettingError), (value, done.output)
    assert list(tmp_path.iterdir()) == []
    return done.output + str(done.exception)


def test_there_are_many_such_options():
    assert len(OPTIONS) > 30


@pytest.mark.parametrize(("name", "option", "kind", "limits"), OPTIONS, ids=lambda given: str(given)[:20])
def test_absurd_numbers_are_refused_by_name(tmp_path, monkeypatch, name, option, kind, limits):
    monkeypatch.chdir(tmp_path)
    values = ["-5", "1e30" if kind is float else str(10**30)]
    values += ["nan"] if kind is float else []
    values += ["inf"] if kind is float and option not in ENDLESS else []
    for value in values:
        if (option, value) == ("--ev", "-5") or (option in ENDLESS and value == "1e30"):
            continue
        assert option.strip("-").split("-")[0] in said(tmp_path, name, option, value).replace("_", "-")


def test_infinity_passes_only_where_it_means_something(tmp_path):
    words = ["library", "advise", "--focal-length", "50", "--library", str(tmp_path / "none.sqlite")]
    there = CliRunner().invoke(app, [*words, "--near", "2", "--far", "infinity"])
    assert isinstance(there.exception, LibraryError)  # the number was understood
    assert CliRunner().invoke(app, [*words, "--near", "inf", "--far", "inf"]).exit_code == 2


@pytest.mark.parametrize("text", ["wide", "nan", "4,inf", "4,-1", "4;x"])
@pytest.mark.parametrize("option", ["--stops", "--focal-lengths"])
def test_lists_of_numbers_are_read_as_strictly(tmp_path, option, text):
    for name in ("plan", "simulate"):
        told = said(tmp_path, name, option, text)
        assert option in told or "lens" in told


def test_no_series_without_end_is_begun(tmp_path):
    stops = ",".join(f"f/{number}" for number in range(3, 100))
    many = CliRunner().invoke(
        app, ["simulate", "--out", str(tmp_path / "out"), "--stops", stops, "--repeats", "1000"]
    )
    assert "at most 5000 are made at once" in str(many.exception)
    assert not (tmp_path / "out").exists()
