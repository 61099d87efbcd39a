"""Ways from a mosaic to three colours: two written out here, the others those of OpenCV and LibRaw.

Mosaics hold linear light 0 to 1, white balance done, red at even rows and columns, blue at odd ones.
"""

import tempfile
from collections.abc import Callable
from pathlib import Path

import numpy as np
import numpy.typing as npt
from dng_files import write_dng
from scipy.ndimage import correlate

Array = npt.NDArray[np.float64]
Demosaic = Callable[[Array], Array]

_BLACK, _WHITE = 1024, 65535

_CROSS = np.array([[0.0, 1.0, 0.0], [1.0, 4.0, 1.0], [0.0, 1.0, 0.0]]) / 4.0
_SQUARE = np.array([[1.0, 2.0, 1.0], [2.0, 4.0, 2.0], [1.0, 2.0, 1.0]]) / 4.0

# Malvar, He and Cutler, High-quality linear interpolation for demosaicing of Bayer-patterned color images,
# ICASSP 2004, figure 2 (from memory): green at red or blue; a colour at green within its row; at the opposite colour.
_GREEN = (
    np.array([[0, 0, -1, 0, 0], [0, 0, 2, 0, 0], [-1, 2, 4, 2, -1], [0, 0, 2, 0, 0], [0, 0, -1, 0, 0]]) / 8.0
)
_IN_ROW = (
    np.array([[0, 0, 0.5, 0, 0], [0, -1, 0, -1, 0], [-1, 4, 5, 4, -1], [0, -1, 0, -1, 0], [0, 0, 0.5, 0, 0]])
    / 8.0
)
_ACROSS = (
    np.array(
        [[0, 0, -1.5, 0, 0], [0, 2, 0, 2, 0], [-1.5, 0, 6, 0, -1.5], [0, 2, 0, 2, 0], [0, 0, -1.5, 0, 0]]
    )
    / 8.0
)


def _places(shape: tuple[int, ...]) -> tuple[npt.NDArray[np.bool_], ...]:
    """Red sites, green sites in red rows, green sites in blue rows, blue sites."""
    row, col = np.indices(shape) % 2
    return (row == 0) & (col == 0), (row == 0) & (col == 1), (row == 1) & (col == 0), (row == 1) & (col == 1)


def bilinear(mosaic: Array) -> Array:
    """Each missing colour is the mean of its nearest sites."""
    red, green_r, green_b, blue = _places(mosaic.shape)
    planes = [
        correlate(np.where(own, mosaic, 0.0), kernel, mode="mirror")
        for own, kernel in ((red, _SQUARE), (green_r | green_b, _CROSS), (blue, _SQUARE))
    ]
    return np.stack(planes, axis=2)


def gradient_corrected(mosaic: Array) -> Array:
    """Bilinear, with the curvature of the site's own colour added (5 x 5 linear filters)."""
    red, green_r, green_b, blue = _places(mosaic.shape)
    green = np.where(red | blue, correlate(mosaic, _GREEN, mode="mirror"), mosaic)
    in_row, in_col, across = (
        correlate(mosaic, kernel, mode="mirror") for kernel in (_IN_ROW, _IN_ROW.T, _ACROSS)
    )
    one = np.select([red, green_r, green_b], [mosaic, in_row, in_col], across)
    other = np.select([blue, green_b, green_r], [mosaic, in_row, in_col], across)
    return np.stack([one, green, other], axis=2)


def _codes(mosaic: Array) -> npt.NDArray[np.uint16]:
    codes = _BLACK + np.round((_WHITE - _BLACK) * mosaic)
    return np.clip(codes, 0, _WHITE).astype(np.uint16)


def edge_aware(mosaic: Array) -> Array:
    """OpenCV's, along the smaller gradient."""
    import cv2  # noqa: PLC0415  heavy

    # OpenCV names a pattern by the second row's second and third place: this one is red first.
    codes = np.asarray(cv2.cvtColor(_codes(mosaic), cv2.COLOR_BayerBG2RGB_EA), np.float64)
    return np.clip((codes - _BLACK) / (_WHITE - _BLACK), 0.0, 1.0)


def of_libraw(name: str) -> Demosaic:
    """LibRaw's algorithm of a name, through a raw file."""

    def demosaic(mosaic: Array) -> Array:
        import rawpy  # noqa: PLC0415  heavy

        with tempfile.TemporaryDirectory() as folder:
            path = write_dng(Path(folder) / "edge.dng", _codes(mosaic), black=_BLACK, white=_WHITE)
            with rawpy.imread(str(path)) as raw:
                codes = raw.postprocess(
                    demosaic_algorithm=rawpy.DemosaicAlgorithm[name],
                    gamma=(1, 1),
                    no_auto_bright=True,
                    adjust_maximum_thr=0.0,
                    user_wb=[1.0, 1.0, 1.0, 1.0],
                    output_color=rawpy.ColorSpace.raw,
                    output_bps=16,
                    user_flip=0,
                )
        return np.asarray(codes, np.float64) / _WHITE

    return demosaic


DEMOSAICS: dict[str, Demosaic] = {
    "bilinear": bilinear,
    "gradient-corrected": gradient_corrected,
    "edge-aware": edge_aware,
    "VNG": of_libraw("VNG"),
    "PPG": of_libraw("PPG"),
    "AHD": of_libraw("AHD"),
    "DHT": of_libraw("DHT"),
}
"""By name; those in capitals are LibRaw's."""
