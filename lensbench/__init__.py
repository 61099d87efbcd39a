"""Find the sharpest f-stop, zoom position and lens by your own measurement."""

from importlib.metadata import version

__all__ = ["__version__"]

__version__ = version("lensbench")
