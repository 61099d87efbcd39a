"""What comes to the program from outside: that it is to stop, and streams that are open or not.

It imports next to nothing, for it is there before everything else.
"""

import os
import sys
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from typing import Final

STOPPED: Final = 130
"""Exit status after Ctrl-C."""


class _Stop:
    """What stops the program: KeyboardInterrupt, of which some libraries make another error while they are loaded."""

    came = False
    _waits = False

    def __call__(self, *_: object) -> None:
        self.came = True
        sys.unraisablehook = lambda _: None  # where it meets a destructor
        if not self._waits:
            raise KeyboardInterrupt

    @contextmanager
    def later(self) -> Iterator[None]:
        """Stop after what is done here: libraries that swallow whatever goes wrong while they are loaded."""
        self._waits = True
        try:
            yield
        finally:
            self._waits = False
        if self.came:
            raise KeyboardInterrupt


STOP: Final = _Stop()


def open_streams() -> None:
    """Open what was closed before the start to nowhere, lest a file of ours get its number and what is printed."""
    for handle, name in enumerate(("stdin", "stdout", "stderr")):
        if getattr(sys, name) is None:
            with suppress(OSError):
                nowhere = os.open(os.devnull, os.O_RDWR)
                if nowhere != handle:
                    os.dup2(nowhere, handle)
                    os.close(nowhere)
                setattr(sys, name, open(handle, "w" if handle else "r", encoding="utf-8", closefd=False))  # noqa: SIM115
