"""The pattern of a marker, from OpenCV's own dictionary."""

from typing import Any, Final

import cv2
import numpy as np

from lensbench.chart.coding import DICTIONARY
from lensbench.records import BoolArray

__all__ = ["MODULES", "dictionary", "marker_modules"]

MODULES: Final = 7
"""Modules along a marker's side: five of code and one of black border at each end."""


def dictionary() -> Any:
    """Give OpenCV's dictionary of the markers on our charts."""
    return cv2.aruco.getPredefinedDictionary(getattr(cv2.aruco, DICTIONARY))


def marker_modules(marker_id: int) -> BoolArray:
    """Give a marker's modules as the page is read, shape (7, 7), border included: True is ink."""
    return np.asarray(cv2.aruco.generateImageMarker(dictionary(), marker_id, MODULES, borderBits=1) < 128)
