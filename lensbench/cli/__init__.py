"""One small module a command: options in, one call, print.

`run` is the program's entry. It imports next to nothing, so that Ctrl-C is heeded before the libraries are there.
"""

import os
import signal
import sys

from lensbench.cli.outside import STOP, STOPPED, open_streams


def run() -> None:
    """Run the program: stopped from outside at any moment, or started without open streams, it ends without noise."""
    heeded = signal.getsignal(signal.SIGINT) == signal.default_int_handler
    if heeded:  # and not in the background, where Ctrl-C is meant for others
        signal.signal(signal.SIGINT, lambda *_: os._exit(STOPPED))  # nothing has begun that were to be ended
    open_streams()
    import logging
    import warnings

    logging.getLogger().addHandler(logging.NullHandler())  # what libraries have to say is none of the user's
    if not sys.warnoptions:
        warnings.simplefilter("ignore")
        sys.warnoptions.append("ignore")  # read by the processes that this one starts
    from lensbench.cli import main

    try:
        if heeded:
            signal.signal(signal.SIGINT, STOP)
        for name in ("SIGTERM", "SIGHUP"):  # asked to end, or its terminal gone: as Ctrl-C
            if hasattr(signal, name) and signal.getsignal(getattr(signal, name)) == signal.SIG_DFL:
                signal.signal(getattr(signal, name), STOP)
        main.run()
    except (Exception, KeyboardInterrupt):
        if not STOP.came:
            raise
        sys.exit(STOPPED)
    finally:
        # Where Ctrl-C came within a string that is executed, as a dataclass's methods are, `python -m` would end by the
        # signal, not with the status; it forgets as it executes another one (CPython's run_eval_code_obj).
        exec("")  # noqa: S102
