"""Pictures of docs/start/first-hour.md: `python tests/made/make_hour_pictures.py` writes them anew."""

import tempfile
from pathlib import Path
from typing import Final

import cv2
import numpy as np
import numpy.typing as npt
import pypdfium2

from lensbench.chart.draw import draw
from lensbench.chart.layout import sheet
from lensbench.simulate import INVENTED_LENSES, Camera, Pose, Scene, Shot, picture

PICTURES: Final = Path(__file__).resolve().parents[2] / "docs" / "pictures"
_CAMERA: Final = Camera(rows=400, cols=600, pitch_um=12.0)
_SHOT: Final = Shot(focal_length_mm=35.0, f_number=5.6, noise=False)
_DISTANCE_MM: Final = 2_110.0  # at which the A3 sheet fills the frame of 7.2 x 4.8 mm
_POSES: Final = {
    "shot-good": Pose(),
    "shot-cut": Pose(distance_mm=0.8 * _DISTANCE_MM),
    "shot-askew": Pose(yaw_deg=9.0, pitch_deg=5.0, roll_deg=-3.0, distance_mm=1.08 * _DISTANCE_MM),
}

Picture = npt.NDArray[np.uint8]


def chart() -> Picture:
    """The sheet as it is printed."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "chart.pdf"
        draw(sheet("A3"), path)
        page = pypdfium2.PdfDocument(path)[0]
        found = page.render(scale=720.0 / page.get_width()).to_numpy()
    return np.asarray(found[..., :3], dtype=np.uint8)


def shot(pose: Pose) -> Picture:
    """The sheet as a camera at this place sees it."""
    scene = Scene(layout=sheet("A3"), lens=INVENTED_LENSES["sorrel"], camera=_CAMERA, pose=pose)
    linear = picture(scene, _SHOT)
    return np.rint(255.0 * linear[..., ::-1] ** (1.0 / 2.2)).astype(np.uint8)


def main() -> None:
    """Write them."""
    cv2.imwrite(str(PICTURES / "chart.png"), cv2.cvtColor(chart(), cv2.COLOR_BGR2GRAY))
    for name, pose in _POSES.items():
        cv2.imwrite(str(PICTURES / f"{name}.jpg"), shot(pose), [cv2.IMWRITE_JPEG_QUALITY, 80])


if __name__ == "__main__":
    main()
