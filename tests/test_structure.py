"""The house rules that a machine can check: who imports whom, what stays light, what is registered."""

import ast
import re
import subprocess
import sys
from functools import cache
from graphlib import CycleError, TopologicalSorter
from importlib import import_module
from pathlib import Path
from types import ModuleType

import pytest
import typer
from typer.testing import CliRunner

from lensbench.cli.main import app
from lensbench.model.errors import FLAGS
from lensbench.storage.cache import MEASURING_ROOMS

ROOT = Path(__file__).resolve().parent.parent
PACKAGE = ROOT / "lensbench"

LEVELS = {
    "model": 0,
    "storage": 1,
    "workers": 1,
    "optics": 2,
    "stats": 3,
    "chart": 4,
    "photo": 4,
    "edge": 5,
    "shot": 6,
    "simulate": 6,
    "focus": 7,
    "rank": 7,
    "condition": 8,
    "sweep": 9,
    "capture": 10,
    "compare": 10,
    "effect": 11,
    "library": 12,
    "report": 13,
    "door": 14,
    "cli": 15,
    "__main__": 16,
}

# Inside `report` a sentence knows of no plot, a plot of no block, a block of no file.
REPORT_LEVELS = {"text": 0, "draw": 1, "page": 2, "out": 3}

# Libraries and the only places that may import them (a folder, or the beginning of a file's name).
PERMITTED = {
    "rawpy": ("photo/",),
    "exifread": ("photo/",),
    "PIL": ("photo/",),
    "matplotlib": ("report/",),
    "jinja2": ("report/",),
    "cv2": ("chart/", "photo/", "edge/seek", "rank/", "simulate/files"),
    "skimage": ("chart/", "photo/", "edge/seek", "rank/"),
}

HEAVY = (
    "scipy",
    "pandas",
    "matplotlib",
    "skimage",
    "cv2",
    "rawpy",
    "reportlab",
    "jinja2",
    "tifffile",
    "exifread",
    "PIL",
)

LONGEST_FILE = 450
LONGEST_FUNCTION = 60


def module_name(path):
    parts = path.relative_to(ROOT).with_suffix("").parts
    return ".".join(parts[:-1] if parts[-1] == "__init__" else parts)


MODULES = {module_name(path): path for path in sorted(PACKAGE.rglob("*.py"))}


@cache
def tree_of(name):
    return ast.parse(MODULES[name].read_text(encoding="utf-8"))


@cache
def imports_of(name):
    """Every dotted name that a module imports, at any depth; `from a import b` gives a.b for a module b.

    What lensbench itself shows to a type checker only is not imported.
    """
    found = set()
    shown = {
        id(node)
        for branch in tree_of(name).body
        if name == "lensbench" and isinstance(branch, ast.If) and ast.unparse(branch.test) == "TYPE_CHECKING"
        for node in ast.walk(branch)
    }
    for node in ast.walk(tree_of(name)):
        if id(node) in shown:
            continue
        if isinstance(node, ast.Import):
            found.update(alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{name} imports relatively"
            for alias in node.names:
                whole = f"{node.module}.{alias.name}"
                found.add(whole if whole in MODULES else node.module)
    return frozenset(found)


def own_imports(name):
    return {imported for imported in imports_of(name) if imported.split(".")[0] == "lensbench"}


def room(name):
    """The folder below lensbench, or the file where it stands alone; empty for lensbench itself."""
    return name.split(".")[1] if "." in name else ""


def packages_entered(importer, imported):
    """The packages whose __init__ runs because of an import from outside them."""
    parents = [imported.rsplit(".", depth)[0] for depth in range(1, imported.count("."))]
    return {parent for parent in parents if not importer.startswith(parent)}


def test_every_room_has_a_level():
    assert {room(name) for name in MODULES} - {""} <= set(LEVELS)
    assert own_imports("lensbench") == set()


@pytest.mark.parametrize("name", MODULES)
def test_imports_point_to_lower_levels_only(name):
    wrong = [
        imported
        for imported in own_imports(name)
        if room(imported) not in ("", room(name))
        and room(name)
        and not LEVELS[room(imported)] < LEVELS[room(name)]
    ]
    assert wrong == [], f"{name} imports upward or sideways"


def test_a_report_is_made_in_one_direction():
    def level(name):
        return REPORT_LEVELS.get(name.split(".")[2], -1) if name.startswith("lensbench.report.") else -1

    inside = [name for name in MODULES if level(name) >= 0]
    assert {name.split(".")[2] for name in inside} == set(REPORT_LEVELS)
    wrong = [
        f"{name} <- {imported}"
        for name in inside
        for imported in own_imports(name)
        if level(imported) > level(name)
    ]
    assert wrong == []


def test_no_import_is_circular_even_through_a_package():
    graph = {
        name: own_imports(name).union(*(packages_entered(name, imported) for imported in own_imports(name)))
        for name in MODULES
    }
    try:
        TopologicalSorter(graph).prepare()
    except CycleError as error:
        pytest.fail(f"circular import: {' <- '.join(error.args[1])}")


@pytest.mark.parametrize("library", PERMITTED)
def test_a_library_stays_in_its_rooms(library):
    wrong = [
        name
        for name, path in MODULES.items()
        if any(imported.split(".")[0] == library for imported in imports_of(name))
        and not path.relative_to(PACKAGE).as_posix().startswith(PERMITTED[library])
    ]
    assert wrong == [], f"{library} belongs to {PERMITTED[library]}"


def reached_from(*rooms):
    """The modules of some rooms, and all that they import, at whatever distance."""
    reached, waiting = set(), [name for name in MODULES if room(name) in rooms]
    while waiting:
        name = waiting.pop()
        reached.add(name)
        waiting += [
            imported for imported in own_imports(name) if imported in MODULES and imported not in reached
        ]
    return reached


def test_the_simulator_shares_nothing_with_the_measurement():
    # Else a mistake of direction, sign or phase could cancel itself.
    assert not [name for name in reached_from("simulate") if room(name) == "edge"]


def test_kept_results_depend_on_every_room_that_measures():
    # The storage's own texts and files put no figure into a result.
    assert {room(name) for name in reached_from("shot")} - {"", "storage"} == set(MEASURING_ROOMS)


def run_python(code):
    done = subprocess.run(
        [sys.executable, "-c", code], cwd=ROOT, capture_output=True, text=True, timeout=60, check=True
    )
    return done.stdout


def test_help_imports_nothing_heavy():
    code = (
        "import sys\n"
        "from lensbench.cli import main\n"
        "sys.argv = ['lensbench', '--help']\n"
        "try:\n    main.run()\nexcept SystemExit as end:\n    assert not end.code\n"
        f"print('heavy:', [name for name in {HEAVY!r} if name in sys.modules])\n"
    )
    assert run_python(code).endswith("heavy: []\n")


def test_the_report_of_a_sweep_loads_no_library_of_lenses():
    code = (
        "import sys\n"
        "import lensbench.report.out.write\n"
        "print('library:', [name for name in sys.modules if name.startswith('lensbench.library')])\n"
    )
    assert run_python(code) == "library: []\n"


COMMAND_LINE = typer.main.get_command(app)
COMMANDS = COMMAND_LINE.list_commands(typer.Context(COMMAND_LINE))


def test_the_main_road_has_its_commands():
    assert {"chart", "edge", "measure", "sweep", "compare", "simulate", "demo"} <= set(COMMANDS)


@pytest.mark.parametrize("command", COMMANDS)
def test_every_command_shows_a_worked_example(command):
    shown = CliRunner().invoke(app, [command, "--help"], terminal_width=100)
    assert shown.exit_code == 0
    assert re.search(rf"^\s*(Example:?\s+)?lensbench {command} \S", shown.output, re.MULTILINE)
    assert shown.output.count("Example") == 1


GROUPED = [
    (group, command)
    for group in COMMANDS
    if hasattr(COMMAND_LINE.get_command(typer.Context(COMMAND_LINE), group), "list_commands")
    for command in COMMAND_LINE.get_command(typer.Context(COMMAND_LINE), group).commands
]


@pytest.mark.parametrize(("group", "command"), GROUPED)
def test_every_command_of_a_group_shows_a_worked_example(group, command):
    shown = CliRunner().invoke(app, [group, command, "--help"], terminal_width=100)
    assert re.search(rf"^\s*Example: lensbench {group} {command}\b", shown.output, re.MULTILINE)
    assert shown.output.count("Example") == 1


@pytest.mark.parametrize("name", MODULES)
def test_no_file_takes_what_another_keeps_to_itself(name):
    taken = [
        f"{node.module}.{alias.name}"
        for node in ast.walk(tree_of(name))
        if isinstance(node, ast.ImportFrom) and node.module.startswith("lensbench")
        for alias in node.names
        if alias.name.startswith("_") and not alias.name.startswith("__")
    ]
    assert taken == []


@pytest.mark.parametrize("name", [name for name in MODULES if room(name) == "cli"])
def test_commands_enter_rooms_by_their_doors(name):
    # model/, storage/ and workers are the ground that everybody stands on; in report/ every file is a door.
    taken = {
        (node.module, alias.name)
        for node in ast.walk(tree_of(name))
        if isinstance(node, ast.ImportFrom) and node.module.startswith("lensbench.")
        if room(node.module) not in ("cli", "model", "storage", "report", "workers")
        for alias in node.names
    }
    assert {door for door, _ in taken if MODULES[door].name != "__init__.py"} == set()
    assert {one for door, one in taken if isinstance(getattr(import_module(door), one), ModuleType)} == set()


def calls_of(name, function):
    for node in ast.walk(tree_of(name)):
        if isinstance(node, ast.Call) and isinstance(node.func, ast.Name) and node.func.id == function:
            yield node


def texts_in(node):
    return {
        part.value
        for part in ast.walk(node)
        if isinstance(part, ast.Constant) and isinstance(part.value, str)
    }


def test_every_flag_raised_stands_in_the_registry():
    raised = {
        (name, text)
        for name in MODULES
        for call in calls_of(name, "remark")
        if call.args
        for text in texts_in(call.args[0])
    }
    assert {(name, text) for name, text in raised if text not in FLAGS} == set()


def test_every_registered_flag_is_raised_or_said_to_wait():
    spoken = {
        text for name in MODULES if name != "lensbench.model.errors" for text in texts_in(tree_of(name))
    }
    glossary = (ROOT / "docs" / "reference" / "glossary.md").read_text(encoding="utf-8")
    waiting = re.search(r"raised by no command so far: (.*)\.", glossary)
    assert set(FLAGS) - spoken == set(re.findall(r"`(\w+)`", waiting[1]) if waiting else ())


def test_nothing_is_printed_outside_the_command_line():
    wrong = [name for name in MODULES if room(name) != "cli" for _ in calls_of(name, "print")]
    assert wrong == []


@pytest.mark.parametrize("name", MODULES)
def test_files_and_functions_stay_short(name):
    lines = MODULES[name].read_text(encoding="utf-8").count("\n")
    assert lines <= LONGEST_FILE, f"{name} has {lines} lines: divide it"
    long = {
        node.name: code_lines(node)
        for node in ast.walk(tree_of(name))
        if isinstance(node, ast.FunctionDef) and code_lines(node) > LONGEST_FUNCTION
    }
    assert long == {}


def test_commands_stay_short_with_their_options_and_what_they_say_of_themselves():
    long = {
        (name, node.name): node.end_lineno - node.lineno + 1
        for name in MODULES
        if room(name) == "cli"
        for node in ast.walk(tree_of(name))
        if isinstance(node, ast.FunctionDef) and node.end_lineno - node.lineno >= LONGEST_FUNCTION
    }
    assert long == {}


def code_lines(function):
    """Lines of a function without its docstring."""
    body = function.body[1:] if ast.get_docstring(function) else function.body
    return body[-1].end_lineno - body[0].lineno + 1 if body else 0
