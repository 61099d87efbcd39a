"""The program's entry: names the commands, and turns errors into one plain sentence."""

import sys
from typing import Annotated

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
from lensbench.errors import LensError

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
    *, version: Annotated[bool, typer.Option("--version", callback=_print_version, is_eager=True)] = False
) -> None:
    """Find the sharpest f-stop, zoom position and lens by your own measurement."""


for command in (chart, plan, check, edge, measure, sweep, compare, effect, rank, simulate, demo):
    app.command()(command)


app.add_typer(library, name="library")


def run() -> None:
    """Run the command line; a LensError becomes one sentence on standard error and exit status 1."""
    try:
        app()
    except LensError as error:
        typer.echo(f"lensbench: {error}", err=True)
        sys.exit(1)
