"""`lensbench library`: keeps measured lenses, and answers from them."""

import json
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

import lensbench
from lensbench.cli.library_advise import advise, list_lines, session_form, show_lines
from lensbench.cli.options import AsJson, LibraryFile, command, switch, text
from lensbench.cli.output import say, say_document

if TYPE_CHECKING:
    from lensbench.library import KeptSession

library = typer.Typer(no_args_is_help=True, rich_markup_mode=None)

Camera = Annotated[str | None, text("--camera", "On this camera only.")]
Session = Annotated[str | None, text("--session", "This session only.")]
Replace = Annotated[bool, switch("--replace", "Put it in the place of what is there already.")]
LensName = Annotated[
    str, typer.Argument(metavar="LENS", help="Name of the lens, or a part that fits one lens only.")
]


@library.callback()
def _about() -> None:
    """Keep measured lenses, and ask them: which lens, which stop, for 50 mm or for a picture.

    Nothing is overwritten unless --replace is given. The library is one file in your data folder; another one
    is named with --library.

    Example: lensbench library advise --focal-length 50
    """


library.command()(command(advise, endless=("far",)))


@library.command()
def add(
    folder: Annotated[Path, typer.Argument(help="Folder that `lensbench sweep` wrote.", metavar="PATH")],
    session: Annotated[
        str | None, text("--session", "Tells sweeps of one lens apart.  [default: the folder's name]")
    ] = None,
    replace: Replace = False,
    library: LibraryFile = None,
    as_json: AsJson = False,
) -> None:
    """Keep the lenses of a sweep: every shot that counts, with its edges.

    Example: lensbench library add result --session "spring, wall set"
    """
    kept = lensbench.Library(library)
    sessions = kept.add(folder, session=session, replace=replace)
    _say_done("added", sessions, place=kept.path, as_json=as_json)


@library.command(name="list")
def list_lenses(library: LibraryFile = None, as_json: AsJson = False) -> None:
    """Name the lenses that are kept, with their focal lengths and stops.

    Example: lensbench library list
    """
    kept = lensbench.Library(library)
    sessions = kept.sessions()
    if as_json:
        forms = [session_form(session) for session in sessions]
        say_document(json.dumps({"library": str(kept.path), "lenses": forms}, allow_nan=False))
    else:
        say(*list_lines(sessions, kept.path))


@library.command()
def show(
    lens: LensName,
    camera: Camera = None,
    session: Session = None,
    library: LibraryFile = None,
    as_json: AsJson = False,
) -> None:
    """Show what is kept of a lens: MTF50 in cycles per pixel at each focal length, stop and zone.

    Example: lensbench library show "Sorrel 35 mm f/2.8"
    """
    sessions = lensbench.Library(library).find(lens, camera=camera, session=session)
    if as_json:
        forms = [session_form(kept, curves=True) for kept in sessions]
        say_document(json.dumps({"lenses": forms}, allow_nan=False))
    else:
        say(*[line for kept in sessions for line in ("", *show_lines(kept))][1:])


@library.command()
def remove(
    lens: LensName,
    camera: Camera = None,
    session: Session = None,
    library: LibraryFile = None,
    as_json: AsJson = False,
) -> None:
    """Forget one session of a lens; where it has several, name which.

    Example: lensbench library remove "Sorrel 35 mm f/2.8" --session "spring, wall set"
    """
    kept = lensbench.Library(library)
    sessions = kept.remove(lens, camera=camera, session=session)
    _say_done("removed", sessions, place=kept.path, as_json=as_json)


@library.command(name="export")
def export_lenses(
    file: Annotated[Path, typer.Argument(help="File to write (JSON).", metavar="PATH")],
    lens: Annotated[str | None, text("--lens", "This lens only.  [default: all]")] = None,
    replace: Replace = False,
    library: LibraryFile = None,
    as_json: AsJson = False,
) -> None:
    """Write the library, or one lens of it, to one file to carry or to back up.

    Example: lensbench library export my-lenses.json
    """
    sessions = lensbench.Library(library).export(file, lens=lens, replace=replace)
    _say_done("exported", sessions, place=file, as_json=as_json)


@library.command(name="import")
def import_lenses(
    file: Annotated[Path, typer.Argument(help="File that `lensbench library export` wrote.", metavar="PATH")],
    replace: Replace = False,
    library: LibraryFile = None,
    as_json: AsJson = False,
) -> None:
    """Take the lenses of an exported file into the library, all or none.

    Example: lensbench library import my-lenses.json
    """
    kept = lensbench.Library(library)
    sessions = kept.take_in(file, replace=replace)
    _say_done("imported", sessions, place=kept.path, as_json=as_json)


def _say_done(done: str, sessions: "list[KeptSession]", *, place: Path, as_json: bool) -> None:
    if as_json:
        names = [{"lens": kept.lens, "camera": kept.camera, "session": kept.session} for kept in sessions]
        say_document(json.dumps({"place": str(place), done: names}))
        return
    for kept in sessions:
        say(f"{done.capitalize()} {kept.title}, {len(kept.counted)} shots.")
    say(f"{done.capitalize()}: {len(sessions)}. Place: {place}")
