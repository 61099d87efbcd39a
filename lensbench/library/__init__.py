"""Measured lenses in one file, and advice from them: which lens, which stop, for a focal length or a picture."""

from lensbench.library.advice import advise
from lensbench.library.intake import sessions_of_sweep
from lensbench.library.picture import plan_picture
from lensbench.library.scene import Wanted
from lensbench.library.schema import usual_place
from lensbench.library.store import Library, chosen
from lensbench.library.transport import document_of, sessions_of_file

__all__ = [
    "Library",
    "Wanted",
    "advise",
    "chosen",
    "document_of",
    "plan_picture",
    "sessions_of_file",
    "sessions_of_sweep",
    "usual_place",
]
