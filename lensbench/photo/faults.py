"""The boundary to the decoders: whatever they raise becomes one of our errors, and so costs that file only."""

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from lensbench.errors import ImageError, LensError

__all__ = ["decoding"]


@contextmanager
def decoding(path: Path) -> Iterator[None]:
    """Turn what the readers of a file raise into an ImageError, which keeps it as its cause.

    Raises
    ------
    ImageError
        The file cannot be read, is damaged in any way, or does not fit into memory.
    """
    try:
        yield
    except LensError:
        raise
    except OSError as error:
        raise ImageError(f"{path.name}: the file cannot be read ({error.strerror or error})") from error
    except MemoryError as error:
        raise ImageError(f"{path.name}: the picture does not fit into memory; give a smaller file") from error
    except Exception as error:  # decoders raise all kinds on damaged files: division by zero, recursion, ...
        raise ImageError(f"{path.name}: this file is damaged or cut short; copy it again") from error
