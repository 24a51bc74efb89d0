"""What is not a star never moves the star figures, and is never taken for one."""

import numpy as np
import pytest

from starwinnow.flags import FrameFlag
from starwinnow.measure import measure

from .hard_skies import SHAPE, SKY, among_galaxies, in_scene
from .other_lights import SCENES
from .sky_frames import expose
from .star_shapes import StarShape


@pytest.mark.parametrize("fwhm_px", [2.2, 3.5, 6.0])
@pytest.mark.parametrize(("stars", "galaxies", "limit"), [(60, 40, 0.02), (20, 20, 0.04)])
def test_galaxies_do_not_move_star_size(
    stars: int, galaxies: int, limit: float, fwhm_px: float
) -> None:
    """As many as significant as the stars, .25 to 2 FWHM in half-light radius."""
    for seed in (92_001, 92_002):
        change = among_galaxies(StarShape("moffat3", fwhm_px), stars, galaxies, seed)
        assert abs(change.of("fwhm_px")) < limit
        assert abs(change.of("hfr_px")) < limit
        assert change.after.star_count <= 1.1 * stars


@pytest.mark.parametrize("fwhm_px", [2.2, 4.0])
@pytest.mark.parametrize("scene", SCENES)
def test_scenes_do_not_move_star_size(scene: str, fwhm_px: float) -> None:
    for seed in (92_101, 92_102):
        change = in_scene(scene, StarShape("moffat3", fwhm_px), seed)
        assert abs(change.of("fwhm_px")) < 0.02
        # Where a nebula fills a good part of the frame stars' wings cannot be told from it.
        assert abs(change.of("hfr_px")) < (0.30 if scene == "nebula" else 0.04)


@pytest.mark.parametrize("scene", ["nothing", "bright galaxy", "nebula", "comet"])
def test_a_sky_without_stars_says_so(scene: str) -> None:
    for seed in range(4):
        rng = np.random.default_rng([92_200, seed])
        light_e = np.zeros(SHAPE)
        if scene != "nothing":
            light_e = SCENES[scene](rng, SHAPE, StarShape("moffat3", 3.0), SKY)
        seen = measure(expose(light_e, SKY, rng))
        assert FrameFlag.NO_STARS in seen.flags
        assert seen.star_count == 0
        assert np.isnan(seen.fwhm_px)
        assert np.isnan(seen.hfr_px)


def test_pieces_of_a_coma_that_hide_each_other_are_no_stars() -> None:
    """Of none is any light left that is not another's too."""
    rng = np.random.default_rng(640_017)
    light_e = SCENES["comet"](rng, SHAPE, StarShape("moffat3", 3.0), SKY)
    assert FrameFlag.NO_STARS in measure(expose(light_e, SKY, rng)).flags
