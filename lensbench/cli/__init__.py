"""One small module a command: options in, one call, print.

`run` is the program's entry. It imports next to nothing, so that Ctrl-C is heeded before the libraries are there.
"""

import logging
import os
import signal
import sys
import warnings
from contextlib import suppress
from typing import Final

STOPPED: Final = 130  # exit status after Ctrl-C


def run() -> None:
    """Run the program: stopped from outside at any moment, or started without open streams, it ends without noise."""
    _open_streams()
    logging.getLogger().addHandler(logging.NullHandler())  # what libraries have to say is none of the user's
    if not sys.warnoptions:
        warnings.simplefilter("ignore")
        sys.warnoptions.append("ignore")  # read by the processes that this one starts
    stop = _Stop()
    heeded = signal.getsignal(signal.SIGINT) == signal.default_int_handler
    if heeded:  # and not in the background, where Ctrl-C is meant for others
        signal.signal(signal.SIGINT, lambda *_: os._exit(STOPPED))  # nothing has begun that were to be ended
    from lensbench.cli import main

    try:
        if heeded:
            signal.signal(signal.SIGINT, stop)
        for name in ("SIGTERM", "SIGHUP"):  # asked to end, or its terminal gone: as Ctrl-C
            if hasattr(signal, name) and signal.getsignal(getattr(signal, name)) == signal.SIG_DFL:
                signal.signal(getattr(signal, name), stop)
        main.run()
    except (Exception, KeyboardInterrupt):
        if not stop.came:
            raise
        sys.exit(STOPPED)


class _Stop:
    """What stops the program: KeyboardInterrupt, of which some libraries make another error while they are loaded."""

    came = False

    def __call__(self, *_: object) -> None:
        self.came = True
        sys.unraisablehook = lambda _: None  # where it meets a destructor
        raise KeyboardInterrupt


def _open_streams() -> None:
    """Open what was closed before the start to nowhere, lest a file of ours get its number and what is printed."""
    for handle, name in enumerate(("stdin", "stdout", "stderr")):
        if getattr(sys, name) is None:
            with suppress(OSError):
                nowhere = os.open(os.devnull, os.O_RDWR)
                if nowhere != handle:
                    os.dup2(nowhere, handle)
                    os.close(nowhere)
                setattr(sys, name, open(handle, "w" if handle else "r", encoding="utf-8", closefd=False))  # noqa: SIM115
