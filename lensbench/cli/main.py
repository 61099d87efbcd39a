"""The program's entry: names the commands, and turns errors into one plain sentence."""

import io
import os
import sys
from contextlib import suppress
from copy import copy
from pathlib import Path
from typing import Annotated, Final

import typer

from lensbench import __version__
from lensbench.cli.check import check
from lensbench.cli.library import library
from lensbench.cli.options import command
from lensbench.cli.outside import STOPPED
from lensbench.cli.photograph import edge, measure
from lensbench.cli.prepare import chart, plan
from lensbench.cli.simulate import demo, simulate
from lensbench.cli.studies import compare, effect, rank, remake, sweep
from lensbench.cli.usage import NAME, Commands, show_help, wrong_usage
from lensbench.model.errors import LensError, SettingError
from lensbench.storage.text import one_line

app = typer.Typer(
    name=NAME,
    cls=Commands,
    no_args_is_help=True,
    context_settings={"help_option_names": ["-h", "--help"]},
    pretty_exceptions_enable=False,
    rich_markup_mode=None,
)


def _print_version(asked: bool) -> None:
    """Print the versions of all that has a say in a figure."""
    if not asked:
        return
    import platform

    from lensbench.photo import decoder_versions

    typer.echo(f"{NAME} {__version__}\n{decoder_versions()}")
    typer.echo(f"Python {platform.python_version()}, {platform.platform()}")
    raise typer.Exit


@app.callback()
def _options(
    ctx: typer.Context,
    *,
    version: Annotated[  # noqa: ARG001  its callback ends the program
        bool, typer.Option("--version", callback=_print_version, is_eager=True, help="Print the versions.")
    ] = False,
    library: Annotated[Path | None, typer.Option(hidden=True)] = None,
) -> None:
    """Find the sharpest f-stop, zoom position and lens by your own measurement."""
    if library is not None and ctx.invoked_subcommand != "library":
        raise SettingError(f"--library belongs to `{NAME} library`; leave it out here")
    ctx.default_map = {"library": {"library": library}}


_COMMANDS: Final = (
    (chart, "make a chart to print"),
    (plan, "make the list of shots, with a printable checklist"),
    (check, "tell at the camera whether a shot is usable"),
    (edge, "measure any slanted edge in any photograph"),
    (measure, "measure one photograph of the chart"),
    (sweep, "find the best stop and zoom setting from a folder of shots"),
    (remake, "remake the reports of a sweep folder, without the photographs"),
    (compare, "set two or more lenses side by side"),
    (effect, "measure what one change does: a filter, a shutter speed"),
    (rank, "order near-identical frames of any scene by sharpness"),
    (simulate, "make photographs of the chart with known truth"),
    (demo, "see it all at work on an invented shoot"),
)
_HELP: Final = "help"
_NAMES: Final[dict[object, str]] = {remake: "report"}  # commands that are not called as their function
for _function, _summary in _COMMANDS:
    app.command(_NAMES.get(_function, _function.__name__), short_help=_summary)(command(_function))
app.add_typer(
    library, name="library", cls=Commands, short_help="keep measured lenses, and ask which to mount"
)
app.command(name=_HELP, short_help="say how a command is used")(show_help)


_ClickError: Final[type[Exception]] = typer.BadParameter.__mro__[2]
"""The root of wrong usage; typer keeps it in different places, version by version."""


def run() -> None:
    """Run the command line; whatever a user can meet becomes one sentence on standard error.

    Exit status 2 where the user gave a value that cannot be used, 130 after Ctrl-C, else 1.
    """
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, io.TextIOWrapper):
            stream.reconfigure(errors="backslashreplace")  # rather than fail on a sign that a terminal lacks
    one_thread()
    sys.exit(_status())


def one_thread() -> None:
    """Ask for one thread of linear algebra, unless the user asked for more; of use only before numpy is imported.

    The matrices here are small, and threads that wait for each other cost more.
    """
    for name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
        os.environ.setdefault(name, "1")


def _status() -> int:
    """Do what the command line asks, say what went wrong, and give the exit status."""
    try:
        return _answered()
    except LensError as error:
        names = [f"--{name.replace('_', '-')}" for name in error.give]
        return _told(error.sentence(names), status=2 if isinstance(error, SettingError) else 1)
    except BrokenPipeError:
        return _let_go()
    except OSError as error:
        place = f"{error.filename} cannot be used" if error.filename else "the output cannot be written"
        _let_go()
        return _told(f"{place} ({error.strerror or error})")
    except RuntimeError as error:
        if "Symlink loop" not in str(error):  # Path.resolve's, an OSError since Python 3.13
            raise
        return _told(f"links that lead round in a circle: {error}")
    except MemoryError:
        return _told("the memory does not suffice; close other programs, or give smaller pictures")


def _answered() -> int:
    try:
        try:
            answer = _narrowed(sys.argv[1:2])(standalone_mode=False, prog_name=NAME)
        except _ClickError:  # the right form may be another command's
            answer = app(standalone_mode=False, prog_name=NAME)
        return answer if isinstance(answer, int) else 0
    except typer.Abort:
        return STOPPED
    except _ClickError as error:
        if type(error).__name__ == "NoArgsIsHelpError":  # no mistake yet: the help is its message
            typer.echo(str(error), err=True)
            return 2
        return _told(wrong_usage(error), status=getattr(error, "exit_code", 2))
    finally:
        sys.stdout.flush()  # while a failure can still be told


def _narrowed(words: list[str]) -> typer.Typer:
    """The program with the one command that is asked for: the options of all others take 10 ms to be made ready."""
    asked = [info for info in app.registered_commands if [info.name] == words]
    if not asked or words == [_HELP]:
        return app
    narrowed = copy(app)
    narrowed.registered_commands, narrowed.registered_groups = asked, []
    return narrowed


def _told(message: str, *, status: int = 1) -> int:
    with suppress(OSError):
        typer.echo(f"lensbench: {one_line(message)}", err=True)
    return status


def _let_go() -> int:
    """Turn standard output to nowhere, lest the interpreter try again to write it at its end."""
    with suppress(OSError, ValueError):
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
    return 1
