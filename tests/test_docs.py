"""What the pages promise holds: commands exist, links lead somewhere, one test command for all."""

import os
import re
import shlex
import subprocess
import tomllib
from dataclasses import fields
from pathlib import Path

import make_commands
import pytest
import typer

from lensbench.cli.main import app
from lensbench.simulate.lens import Lens, ZoomPosition
from lensbench.simulate.lenses import lens_described

ROOT = Path(__file__).resolve().parent.parent
PAGES = sorted([*ROOT.glob("*.md"), *ROOT.glob("docs/**/*.md")])
COMMAND_LINE = typer.main.get_command(app)


def page_name(page):
    return page.relative_to(ROOT).as_posix()


@pytest.mark.parametrize("page", PAGES, ids=page_name)
def test_links_lead_somewhere(page):
    targets = re.findall(r"\]\(([^)#\s]+)", page.read_text(encoding="utf-8"))
    local = [target for target in targets if "://" not in target]
    assert [target for target in local if not (page.parent / target).exists()] == []


@pytest.mark.parametrize("page", PAGES, ids=page_name)
def test_commands_and_options_exist(page):
    shown = re.findall(
        r"(?:^ {4,}|/bin/|`)lensbench ([a-z]+)([^`\n]*)", page.read_text(encoding="utf-8"), re.MULTILINE
    )
    for command, rest in shown:
        known = COMMAND_LINE.get_command(typer.Context(COMMAND_LINE), command)
        if hasattr(known, "list_commands"):  # a group, such as `library`
            known = known.get_command(typer.Context(known), rest.split()[0]) if rest.split() else known
        assert known is not None, f"lensbench {command} {rest}"
        options = {option for parameter in known.params for option in parameter.opts}
        assert set(re.findall(r"--[a-z-]+", rest)) <= options | {"--help"}, f"lensbench {command} {rest}"


@pytest.mark.parametrize("page", PAGES, ids=page_name)
def test_commands_shown_are_understood(page, tmp_path, monkeypatch):
    """Every command line that a page shows is parsed as it stands: words, numbers, choices."""
    monkeypatch.chdir(tmp_path)
    for line in re.findall(r"^ {4,}lensbench (.+)$", page.read_text(encoding="utf-8"), re.MULTILINE):
        command, words = COMMAND_LINE, shlex.split(line, comments=True)
        while hasattr(command, "list_commands"):
            command = command.get_command(typer.Context(command), words.pop(0))
        if "--help" not in words:
            assert command.make_context("lensbench", words).args == []


def test_the_reference_of_commands_is_what_help_says():
    assert make_commands.PAGE.read_text(encoding="utf-8") == make_commands.page(), (
        "python tests/made/make_commands.py makes it anew"
    )


def test_the_site_shows_every_page_and_loads_nothing_from_elsewhere():
    text = (ROOT / "mkdocs.yml").read_text(encoding="utf-8")
    shown = re.findall(r"[\w/-]+\.md", text.partition("\nnav:")[2])
    assert sorted(shown) == sorted(
        path.relative_to(ROOT / "docs").as_posix() for path in PAGES if "docs" in path.parts
    )
    assert "font: false" in text
    assert "://" not in text
    assert re.findall(r"(?:src=\"|!\[[^]]*\]\(|@import|url\()\s*https?:", text_of_all_pages()) == []


def text_of_all_pages():
    sources = [*PAGES, *ROOT.glob("docs/**/*.css"), *ROOT.glob("docs/**/*.svg")]
    return "\n".join(path.read_text(encoding="utf-8") for path in sources)


def test_readme_holds_the_two_commands_a_newcomer_runs():
    lines = (ROOT / "README.md").read_text(encoding="utf-8").splitlines()
    environment = "python3 -m venv .venv && .venv/bin/pip install"
    assert f"{environment} . && .venv/bin/lensbench demo" in lines
    assert [line for line in lines if ".venv/bin/pytest" in line] == [
        f"{environment} -e '.[test]' && .venv/bin/pytest"
    ]


def test_the_check_of_a_change_runs_the_command_of_the_readme():
    script = ROOT / ".ci" / "run"
    assert os.access(script, os.X_OK)
    subprocess.run(["bash", "-n", str(script)], check=True, timeout=10)
    text = script.read_text(encoding="utf-8")
    assert text.index("README.md") < text.index('eval "$test_command"')
    for step in ("ruff check", "ruff format --check", "mypy --strict", "mkdocs build --strict"):
        assert f".venv/bin/{step}" in text


def test_every_fault_names_a_test_that_is_there():
    rows = [
        line
        for line in (ROOT / "docs" / "measured" / "reliability.md").read_text(encoding="utf-8").splitlines()
        if line.startswith("| ") and not line.startswith("| fault ")
    ]
    assert len(rows) >= 40
    written = {
        name
        for path in (ROOT / "tests").rglob("test_*.py")
        for name in re.findall(r"^def (test_\w+)\(", path.read_text(encoding="utf-8"), re.MULTILINE)
    }
    named = [re.findall(r"`(test_\w+)`", row.split("|")[-2]) for row in rows]
    assert all(named)
    assert {name for names in named for name in names} - written == set()


def test_every_package_has_an_upper_bound():
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    extras = (project["optional-dependencies"][extra] for extra in ("cluster", "remote", "docs"))
    packages = [*project["dependencies"], *(package for extra in extras for package in extra)]
    assert [package for package in packages if "<" not in package] == []


def test_the_readme_states_its_limits_and_cautions():
    text = " ".join((ROOT / "README.md").read_text(encoding="utf-8").split())
    assert "not yet against a real lens on a reference bench" in text
    for danger in ("tripod", "Lamps", "ladder", "sun", "cloth"):
        assert danger in text


def test_the_page_on_lens_descriptions_is_complete_and_its_example_loads(tmp_path):
    page = (ROOT / "docs" / "method" / "described-lens.md").read_text(encoding="utf-8")
    rows = "".join(line.split("|")[1] for line in page.splitlines() if line.startswith("|"))
    named = set(re.findall(r"`(\w+)`", rows))
    assert named == {item.name for kind in (Lens, ZoomPosition) for item in fields(kind)}
    example = tmp_path / "yarrow.json"
    example.write_text(re.search(r"```json\n(.*?)```", page, re.DOTALL)[1], encoding="utf-8")
    lens = lens_described(str(example))
    assert lens.widest_f_number == 2.0
    assert lens.at(50.0).decentring == (0.0, 0.3)
