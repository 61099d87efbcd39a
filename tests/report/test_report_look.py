"""Lines can be seen and told apart, in light and dark, and with two kinds of colour blindness."""

import itertools
import re
from importlib.resources import files

import numpy as np
import pytest
from skimage.color import rgb2lab

from lensbench.report.draw.panels import STYLES

# Machado, Oliveira, Fernandes, IEEE TVCG 15, 1291 (2009), severity 1.0, for linear RGB; from memory.
MACHADO = {
    "protanopia": np.array(
        [[0.152286, 1.052583, -0.204868], [0.114503, 0.786281, 0.099216], [-0.003882, -0.048116, 1.051998]]
    ),
    "deuteranopia": np.array(
        [[0.367322, 0.860646, -0.227968], [0.280085, 0.672501, 0.047413], [-0.011820, 0.042940, 0.968881]]
    ),
    "full colour": np.eye(3),
}
ZONES = ("inner", "middle", "outer", "frame")


def linear(color: str) -> np.ndarray:
    """IEC 61966-2-1, inverse."""
    coded = np.array([int(color[start : start + 2], 16) / 255.0 for start in (1, 3, 5)])
    return np.where(coded <= 0.04045, coded / 12.92, ((coded + 0.055) / 1.055) ** 2.4)


def coded(rgb: np.ndarray) -> np.ndarray:
    rgb = np.clip(rgb, 0.0, 1.0)
    return np.where(rgb <= 0.0031308, 12.92 * rgb, 1.055 * rgb ** (1.0 / 2.4) - 0.055)


def contrast(first: str, second: str) -> float:
    """WCAG 2.2: (L1 + 0.05) / (L2 + 0.05) of relative luminances."""
    lights = sorted(float(linear(color) @ [0.2126, 0.7152, 0.0722]) for color in (first, second))
    return (lights[1] + 0.05) / (lights[0] + 0.05)


@pytest.mark.parametrize("role", STYLES)
def test_every_line_stands_out_from_the_paper(role):
    # WCAG 2.2, 1.4.11: at least 3:1 for graphics.
    sheet = files("lensbench.report.out").joinpath("templates", "style.css").read_text(encoding="utf-8")
    style = STYLES[role]
    for behind in ("paper", "card"):
        light, dark = re.findall(rf"--{behind}: (#[0-9a-f]{{6}})", sheet)[:2]
        assert contrast(style.color, light) >= 3.0
        assert contrast(style.color_on_dark, dark) >= 3.0


@pytest.mark.parametrize("sight", MACHADO)
@pytest.mark.parametrize("pair", list(itertools.combinations(ZONES, 2)))
def test_zones_differ_in_colour_for_every_sight(sight, pair):
    seen = [coded(MACHADO[sight] @ linear(STYLES[zone].color)) for zone in pair]
    first, second = (rgb2lab(color[None, None, :])[0, 0] for color in seen)
    # A difference of ten CIELAB units is plain to see side by side; common practice, no source.
    assert np.linalg.norm(first - second) > 10.0


def test_zones_differ_in_line_style_and_mark_too():
    assert len({STYLES[zone].dashes for zone in ZONES}) == 4
    assert len({STYLES[zone].mark for zone in ZONES}) == 4
