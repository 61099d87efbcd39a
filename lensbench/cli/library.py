"""`lensbench library`: keeps measured lenses, and answers from them."""

import json
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from lensbench.cli.library_advise import advise
from lensbench.cli.options import AsJson, Place, finite, library_at
from lensbench.cli.output import say, say_document
from lensbench.model.errors import SettingError

if TYPE_CHECKING:
    from lensbench.library import KeptSession

__all__ = ["library"]


library = typer.Typer(no_args_is_help=True, rich_markup_mode=None)

Camera = Annotated[
    str | None, typer.Option("--camera", help="On this camera only.", show_default=False, metavar="TEXT")
]
Session = Annotated[
    str | None, typer.Option("--session", help="This session only.", show_default=False, metavar="TEXT")
]
Replace = Annotated[bool, typer.Option("--replace", help="Put it in the place of what is there already.")]
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


library.command()(finite(advise, endless=("far",)))


@library.command()
def add(
    folder: Annotated[
        Path, typer.Argument(help="Folder that `lensbench sweep` wrote.", show_default=False, metavar="PATH")
    ],
    session: Annotated[
        str | None,
        typer.Option(
            "--session",
            help="Tells sweeps of one lens apart.  [default: the folder's name]",
            show_default=False,
            metavar="TEXT",
        ),
    ] = None,
    replace: Replace = False,
    place: Place = None,
    as_json: AsJson = False,
) -> None:
    """Keep the lenses of a sweep: every shot that counts, with its edges.

    Example: lensbench library add result --session "spring, wall set"
    """
    from lensbench.library import sessions_of_sweep

    sessions = sessions_of_sweep(folder, session=session)
    kept = library_at(place)
    kept.add(sessions, replace=replace)
    _told("added", sessions, place=kept.place, as_json=as_json)


@library.command(name="list")
def list_lenses(place: Place = None, as_json: AsJson = False) -> None:
    """Name the lenses that are kept, with their focal lengths and stops.

    Example: lensbench library list
    """
    from lensbench.cli import library_advise

    kept = library_at(place)
    sessions = kept.sessions() if kept.place.exists() else []
    if as_json:
        forms = [library_advise.session_form(session) for session in sessions]
        say_document(json.dumps({"library": str(kept.place), "lenses": forms}, allow_nan=False))
    else:
        say(*library_advise.list_lines(sessions, kept.place))


@library.command()
def show(
    lens: LensName,
    camera: Camera = None,
    session: Session = None,
    place: Place = None,
    as_json: AsJson = False,
) -> None:
    """Show what is kept of a lens: MTF50 in cycles per pixel at each focal length, stop and zone.

    Example: lensbench library show "Sorrel 35 mm f/2.8"
    """
    from lensbench.cli import library_advise
    from lensbench.library import chosen

    found = chosen(library_at(place).sessions(), lens, camera=camera, session=session)
    if as_json:
        forms = [library_advise.session_form(one, curves=True) for one in found]
        say_document(json.dumps({"lenses": forms}, allow_nan=False))
    else:
        say(*[line for one in found for line in ("", *library_advise.show_lines(one))][1:])


@library.command()
def remove(
    lens: LensName,
    camera: Camera = None,
    session: Session = None,
    place: Place = None,
    as_json: AsJson = False,
) -> None:
    """Forget one session of a lens; where it has several, name which.

    Example: lensbench library remove "Sorrel 35 mm f/2.8" --session "spring, wall set"
    """
    from lensbench.library import chosen

    kept = library_at(place)
    found = chosen(kept.sessions(), lens, camera=camera, session=session)
    if len(found) > 1:
        titles = "; ".join(one.title for one in found)
        raise SettingError(f"several sessions fit: {titles}; name one with --session and --camera")
    kept.remove(found[0])
    _told("removed", found, place=kept.place, as_json=as_json)


@library.command(name="export")
def export_lenses(
    file: Annotated[Path, typer.Argument(help="File to write (JSON).", show_default=False, metavar="PATH")],
    lens: Annotated[
        str | None,
        typer.Option("--lens", help="This lens only.  [default: all]", show_default=False, metavar="TEXT"),
    ] = None,
    replace: Replace = False,
    place: Place = None,
    as_json: AsJson = False,
) -> None:
    """Write the library, or one lens of it, to one file to carry or to back up.

    Example: lensbench library export my-lenses.json
    """
    from lensbench.library import chosen
    from lensbench.storage.files import check_kind, unwritable, write_whole
    from lensbench.storage.store import library_document

    kept = library_at(place)
    if file.exists() and not replace:
        raise SettingError(f"{file} is there already; name another file, or write over it with --replace")
    check_kind(file, begins=b'{"format":{"name":"lensbench library"', what="an exported library")
    sessions = kept.sessions() if lens is None else chosen(kept.sessions(), lens)
    try:
        write_whole(file, library_document(sessions))
    except OSError as error:
        raise unwritable(file, error) from error
    _told("exported", sessions, place=file, as_json=as_json)


@library.command(name="import")
def import_lenses(
    file: Annotated[
        Path,
        typer.Argument(
            help="File that `lensbench library export` wrote.", show_default=False, metavar="PATH"
        ),
    ],
    replace: Replace = False,
    place: Place = None,
    as_json: AsJson = False,
) -> None:
    """Take the lenses of an exported file into the library, all or none.

    Example: lensbench library import my-lenses.json
    """
    from lensbench.storage.store import read_library_document

    kept = library_at(place)
    sessions = read_library_document(file)
    kept.add(sessions, replace=replace)
    _told("imported", sessions, place=kept.place, as_json=as_json)


def _told(done: str, sessions: "list[KeptSession]", *, place: Path, as_json: bool) -> None:
    if as_json:
        names = [{"lens": one.lens, "camera": one.camera, "session": one.session} for one in sessions]
        say_document(json.dumps({"place": str(place), done: names}))
        return
    for one in sessions:
        say(f"{done.capitalize()} {one.title}, {len(one.counted)} shots.")
    say(f"{done.capitalize()}: {len(sessions)}. Place: {place}")
