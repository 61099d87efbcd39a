"""The program's entry: names the commands, and turns errors into one plain sentence."""

import sys
from typing import Annotated, Final

import typer

from lensbench import __version__
from lensbench.cli.chart import chart
from lensbench.cli.check import check
from lensbench.cli.compare import compare
from lensbench.cli.demo import demo
from lensbench.cli.edge import edge
from lensbench.cli.effect import effect
from lensbench.cli.library import library
from lensbench.cli.measure import measure
from lensbench.cli.plan import plan
from lensbench.cli.rank import rank
from lensbench.cli.simulate import simulate
from lensbench.cli.sweep import sweep
from lensbench.errors import LensError, SettingError

__all__ = ["app", "run"]

app = typer.Typer(
    name="lensbench",
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,
    help="Find the sharpest f-stop, zoom position and lens by your own measurement.",
)


def _print_version(asked: bool) -> None:
    if asked:
        typer.echo(f"lensbench {__version__}")
        raise typer.Exit


@app.callback()
def _options(
    *,
    version: Annotated[
        bool, typer.Option("--version", callback=_print_version, is_eager=True, help="Print the version.")
    ] = False,
) -> None:
    """Find the sharpest f-stop, zoom position and lens by your own measurement."""


_COMMANDS: Final = (
    (chart, "make a chart to print"),
    (plan, "make the list of shots, with a printable checklist"),
    (check, "tell at the camera whether a shot is usable"),
    (edge, "measure any slanted edge in any photograph"),
    (measure, "measure one photograph of the chart"),
    (sweep, "find the best stop and zoom setting from a folder of shots"),
    (compare, "set two or more lenses side by side"),
    (effect, "measure what one change does: a filter, a shutter speed"),
    (rank, "order near-identical frames of any scene by sharpness"),
    (simulate, "make photographs of the chart with known truth"),
    (demo, "see it all at work on an invented shoot"),
)
for _command, _summary in _COMMANDS:
    app.command(short_help=_summary)(_command)
app.add_typer(library, name="library", short_help="keep measured lenses, and ask which to mount")


def run() -> None:
    """Run the command line; a LensError becomes one sentence on standard error.

    Exit status 2 where the user gave a value that cannot be used, else 1.
    """
    try:
        app()
    except LensError as error:
        typer.echo(f"lensbench: {error}", err=True)
        sys.exit(2 if isinstance(error, SettingError) else 1)
