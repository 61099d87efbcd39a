"""One thread for linear algebra: the matrices here are small, and threads that wait for each other cost more."""

import os
from typing import Final

__all__ = ["one_thread"]


_VARIABLES: Final = ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS")


def one_thread() -> None:
    """Ask for one thread, unless the user asked for more; of use only before numpy is imported."""
    for name in _VARIABLES:
        os.environ.setdefault(name, "1")
