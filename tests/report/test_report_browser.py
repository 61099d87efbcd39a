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
# Widths that reach over the right border, with what does so; written into the page's title.
PROBE = """<script>
addEventListener("load", () => {
  const width = document.documentElement.clientWidth;
  const out = [...document.querySelectorAll("body *")].filter(e => e.getBoundingClientRect().right > width + 0.5);
  const names = out.filter(e => !e.closest("svg") && getComputedStyle(e).position != "absolute" && !e.closest("thead"));
  document.title = `width ${width} scroll ${document.documentElement.scrollWidth} out ${names.length} ` +
    `ink ${getComputedStyle(document.body).color} band ${getComputedStyle(document.querySelector(".figures")).display}`;
});
</script>"""

needs_browser = pytest.mark.skipif(
    BROWSER is None and os.environ.get("CI") != "true", reason="no browser here"
)


def title_in_browser(page, tmp_path, *, width, more=()):
    """Load a copy of the page with a probe in it, the content policy taken out so that the probe may run."""
    assert BROWSER, "a browser is needed: install Debian's chromium"
    text = page.read_text(encoding="utf-8")
    probed = re.sub(r"<meta http-equiv[^>]*>", "", text).replace("</body>", f"{PROBE}</body>")
    copy = tmp_path / "probed.html"
    copy.write_text(probed, encoding="utf-8")
    command = [
        BROWSER,
        *QUIET,
        *more,
        f"--user-data-dir={tmp_path / 'profile'}",
        f"--window-size={width},900",
    ]
    done = subprocess.run(
        [*command, "--dump-dom", copy.as_uri()], capture_output=True, text=True, timeout=90, check=True
    )
    return re.search(r"<title>(width .*?)</title>", done.stdout).group(1)


@needs_browser
@pytest.mark.parametrize("width", [1200, 390])
@pytest.mark.parametrize("which", ["sweep_folder", "compare_folder"])
def test_nothing_sticks_out_sideways(request, tmp_path, width, which):
    folder = request.getfixturevalue(which)
    title = title_in_browser(folder / "report.html", tmp_path, width=width)
    assert title.startswith(f"width {width} scroll {width} out 0 "), title
    assert "band grid" in title  # the style sheet is in force
    assert "rgb(35, 39, 43)" in title or "rgb(241, 239, 233)" in title


@needs_browser
def test_the_page_as_written_shows_its_plots_under_its_own_content_policy(sweep_folder, tmp_path):
    assert BROWSER, "a browser is needed: install Debian's chromium"
    picture = tmp_path / "page.png"
    command = [BROWSER, *QUIET, f"--user-data-dir={tmp_path / 'profile'}", "--window-size=1200,1300"]
    page = (sweep_folder / "report.html").as_uri()
    subprocess.run([*command, f"--screenshot={picture}", page], capture_output=True, timeout=90, check=True)
    import matplotlib.image  # noqa: PLC0415

    pixels = matplotlib.image.imread(picture)[..., :3]
    # The band behind the tied stops (#e9e2cf) is only there when the style sheet is in force.
    band = abs(pixels - [0xE9 / 255, 0xE2 / 255, 0xCF / 255]).max(axis=2) < 0.01
    assert band.mean() > 0.005
