"""The tone check: greys of known reflectance through a linear and through bent tone scales."""

from dataclasses import dataclass

import numpy as np
import pytest

from lensbench.chart.find.chart import find_chart
from lensbench.chart.layout.sheet import sheet
from lensbench.model.shot import Box, Samples
from lensbench.shot.light import tone_exponent, tone_remarks
from lensbench.simulate import INVENTED_LENSES, Camera, Scene, Shot, photograph


@dataclass(frozen=True)
class Small:
    grey: np.ndarray
    factor: int = 1


@dataclass(frozen=True)
class Bent:
    """A picture whose levels are the light to a power."""

    light: np.ndarray
    power: float = 1.0

    @property
    def size_px(self):
        return self.light.shape

    def cut(self, box: Box) -> Samples:
        values = self.light[box.top : box.top + box.height, box.left : box.left + box.width] ** self.power
        everywhere = np.ones(values.shape, dtype=bool)
        return Samples(box=box, channel="grey", values=values, present=everywhere, clipped=values >= 1.0)

    def overview(self, _max_px):
        return Small((255 * np.sqrt(self.light)).astype(np.uint8))


@pytest.fixture(scope="module")
def light():
    camera = Camera(rows=800, cols=1200, pitch_um=6.0, cfa="mono")
    scene = Scene(layout=sheet("A3"), lens=INVENTED_LENSES["sorrel"], camera=camera)
    taken = photograph(scene, Shot(focal_length_mm=35.0, f_number=8.0), channels=())
    return np.clip((taken.mosaic.astype(float) - camera.black) / (camera.white - camera.black), 0.0, 1.0)


@pytest.mark.parametrize("power", [1.0, 1.2, 1 / 2.2, 2.2])
def test_the_exponent_is_the_pictures_own(light, power):
    """Levels are the light to this power; a strong bend also lifts the noise in the black, hence 25 %."""
    exponent = tone_exponent(Bent(light, power), find_chart(Bent(light)))
    assert exponent == pytest.approx(power, rel=0.03 if power in (1.0, 1.2) else 0.25)
    flags = {remark.flag for remark in tone_remarks(exponent)}
    assert flags == (set() if 0.65 < power < 1.5 else {"tone_curve"})


def test_light_that_falls_along_the_row_does_not_matter(light):
    falling = light * np.linspace(1.0, 0.6, light.shape[1])
    assert tone_exponent(Bent(falling), find_chart(Bent(falling))) == pytest.approx(1.0, rel=0.03)


def test_greys_that_run_into_each_other_or_are_cut_off_tell_nothing(light):
    found = find_chart(Bent(light))
    flat = Bent(np.full_like(light, 0.5))
    assert np.isnan(tone_exponent(flat, found))
    assert np.isnan(tone_exponent(Bent(np.clip(light * 3.0, 0.0, 1.0)), found))
    assert tone_remarks(float("nan")) == []
