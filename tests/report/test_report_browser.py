"""The pages in a real browser: nothing sticks out sideways, at the width of a desk and of a telephone."""

import os
import re
import shutil
import subprocess

import pytest

BROWSER = shutil.which("chromium") or shutil.which("chromium-browser") or shutil.which("google-chrome")
QUIET = [
    *("--headless", "--no-sandbox", "--disable-gpu", "--hide-scrollbars", "--no-first-run"),
    *(
        "--disable-background-networking",
        "--disable-component-update",
        "--disable-sync",
        "--disable-extensions",
    ),
    *("--disable-default-apps", "--host-resolver-rules=MAP * ~NOTFOUND", "--disable-dev-shm-usage"),
]
# Tells the frame around it how wide it is and what reaches over its right border.
PROBE = """<script>
addEventListener("load", () => {
  const width = document.documentElement.clientWidth;
  const out = [...document.querySelectorAll("body *")].filter(e => e.getBoundingClientRect().right > width + 0.5);
  const shown = out.filter(e => !e.closest("svg") && !e.closest(".folding thead"));
  const layout = getComputedStyle(document.querySelector(".figures")).display;
  const scroll = document.documentElement.scrollWidth;
  parent.postMessage(`width ${width} scroll ${scroll} out ${shown.length} layout ${layout}`, "*");
});
</script>"""
# A window is never narrower than 500 px here, so the page stands in a frame of its own.
AROUND = """<!DOCTYPE html><title>waiting</title>
<script>addEventListener("message", event => { document.title = event.data; });</script>
<iframe src="probed.html" width="WIDTH" height="900" frameborder="0"></iframe>"""

needs_browser = pytest.mark.skipif(
    BROWSER is None and os.environ.get("CI") != "true", reason="no browser here"
)


def measured_in_browser(page, folder, *, width):
    """Load a copy of the page with a probe in it, the content policy taken out so that the probe may run."""
    assert BROWSER, "a browser is needed: install Debian's chromium"
    text = page.read_text(encoding="utf-8")
    probed = re.sub(r"<meta http-equiv[^>]*>", "", text).replace("</body>", f"{PROBE}</body>")
    (folder / "probed.html").write_text(probed, encoding="utf-8")
    around = folder / "around.html"
    around.write_text(AROUND.replace("WIDTH", str(width)), encoding="utf-8")
    command = [BROWSER, *QUIET, f"--user-data-dir={folder / 'profile'}", "--window-size=1300,900"]
    command += ["--virtual-time-budget=5000", "--dump-dom", around.as_uri()]
    done = subprocess.run(command, capture_output=True, text=True, timeout=90, check=True)
    return re.search(r"<title>(.*?)</title>", done.stdout).group(1)


@needs_browser
@pytest.mark.parametrize("width", [1200, 390])
@pytest.mark.parametrize("which", ["sweep_folder", "compare_folder"])
def test_nothing_sticks_out_sideways(request, tmp_path, width, which):
    folder = request.getfixturevalue(which)
    measured = measured_in_browser(folder / "report.html", tmp_path, width=width)
    assert measured == f"width {width} scroll {width} out 0 layout grid"


@needs_browser
def test_the_page_as_written_shows_its_plots_under_its_own_content_policy(sweep_folder, tmp_path):
    assert BROWSER, "a browser is needed: install Debian's chromium"
    picture = tmp_path / "page.png"
    command = [BROWSER, *QUIET, f"--user-data-dir={tmp_path / 'profile'}", "--window-size=1200,1300"]
    page = (sweep_folder / "report.html").as_uri()
    subprocess.run([*command, f"--screenshot={picture}", page], capture_output=True, timeout=90, check=True)
    import matplotlib.image  # noqa: PLC0415

    pixels = matplotlib.image.imread(picture)[..., :3]
    # The ribbon (#cfe6df) is only there when the style sheet is in force.
    band = abs(pixels - [0xCF / 255, 0xE6 / 255, 0xDF / 255]).max(axis=2) < 0.01
    assert band.mean() > 0.005
