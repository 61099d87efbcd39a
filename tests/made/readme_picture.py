"""Take the README's picture anew: the first screen of the report on an invented zoom.

python tests/made/readme_picture.py    (needs Debian's chromium and the extra `test`)
"""

import dataclasses
import shutil
import sys
import tempfile
from pathlib import Path
from typing import TYPE_CHECKING

from invented_shoot import STOPS, focal_findings, invented_lens, invented_shots, zone_sharpness

from lensbench.model.sweep import FocalLengthFindings, Purpose, SharpEnough, SweepFindings
from lensbench.report.draw import Drawing
from lensbench.report.draw.render import draw
from lensbench.report.draw.strips import Strips
from lensbench.report.out.html import page_of
from lensbench.report.page.sweep import sweep_report

if TYPE_CHECKING:
    from playwright.sync_api import Browser

PICTURE = Path(__file__).resolve().parents[2] / "docs" / "pictures" / "report.png"
_WIDTH_PX, _HEIGHT_PX = 1440, 720


def first_screen(browser: "Browser") -> bytes:
    """PNG of the report's first screen at the width of a desk."""
    lens = invented_lens(
        by_focal_length=tuple(_with_kept_stops(focal_findings(focal_mm)) for focal_mm in (24.0, 35.0, 70.0)),
        pixel_pitch_um=6.0,
    )
    report = sweep_report(SweepFindings(lenses=(lens,)), invented_shots())
    unseen = Drawing(svg="", png=b"")  # what stands below the first screen
    drawings = {plot.key: draw(plot) if isinstance(plot, Strips) else unseen for plot in report.plots}
    text = page_of(report, drawings)
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "report.html"
        path.write_text(text, encoding="utf-8")
        page = browser.new_page(viewport={"width": _WIDTH_PX, "height": _HEIGHT_PX})
        page.goto(path.as_uri())
        picture: bytes = page.screenshot()
        page.close()
    return picture


def _with_kept_stops(focal: FocalLengthFindings) -> FocalLengthFindings:
    """The same with the stops that keep 80 % of the best; the invented shoot leaves them open."""
    focal_mm = focal.focal_length_mm or 0.0
    best = zone_sharpness(focal_mm, focal.best_f_number, "frame")
    kept = tuple(stop for stop in STOPS if zone_sharpness(focal_mm, stop, "frame") > 0.82 * best)
    enough = (SharpEnough(level_percent=80.0, surely=kept, probably=kept),)
    frame = dataclasses.replace(focal.best_by_zone["frame"], sharp_enough=enough)
    return dataclasses.replace(focal, best_by_purpose={Purpose.FRAME: frame})


def main() -> None:
    """Write the picture."""
    from playwright.sync_api import sync_playwright  # noqa: PLC0415  the tests bring a browser of their own

    chromium = shutil.which("chromium") or sys.exit("Debian's chromium is needed.")
    with sync_playwright() as player:
        browser = player.chromium.launch(executable_path=chromium, args=["--no-sandbox"])
        PICTURE.write_bytes(first_screen(browser))
        browser.close()


if __name__ == "__main__":
    main()
