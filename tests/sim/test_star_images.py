"""Rendered star images against closed formulas and against GalSim."""

import ast
from itertools import product
from pathlib import Path
from typing import Any

import galsim
import numpy as np
import pytest
from numpy.typing import NDArray

import starwinnow_sim
from starwinnow_sim.galaxies import galaxy_image
from starwinnow_sim.star_shape import StarShape
from starwinnow_sim.star_stamps import fine_image, stamp, stamp_table

PIXEL_VARIANCE = 1 / 12
GAUSSIAN = float("inf")
# Places within a pixel: middle, corner, edge, anywhere.
PHASES = [(0.0, 0.0), (0.5, -0.5), (-0.5, 0.2), (0.13, 0.37)]
DRAWING = galsim.GSParams(
    folding_threshold=1e-4,
    maxk_threshold=1e-4,
    kvalue_accuracy=1e-6,
    xvalue_accuracy=1e-6,
    maximum_fft_size=16384,
)


def moments(shape: StarShape, phase: tuple[float, float] = (0.13, 0.37)) -> NDArray[np.float64]:
    """Flux, centroid (x, y) from the middle pixel and second moments (xx, yy, xy) of a stamp."""
    table = stamp_table(shape)
    image = stamp(table, *phase, table.long_px)
    axis = np.arange(-table.long_px, table.long_px + 1)
    x, y = np.meshgrid(axis, axis)
    flux = image.sum()
    mean_x, mean_y = (image * x).sum() / flux, (image * y).sum() / flux
    seconds = [
        (image * (x - mean_x) ** 2).sum() / flux,
        (image * (y - mean_y) ** 2).sum() / flux,
        (image * (x - mean_x) * (y - mean_y)).sum() / flux,
    ]
    return np.array([flux, mean_x, mean_y, *seconds])


def gaussian_variance(fwhm_px: float) -> float:
    return (fwhm_px / 2.354820) ** 2


@pytest.mark.parametrize(
    "shape",
    [
        StarShape(fwhm_px=1.5, beta=2.5),
        StarShape(fwhm_px=3.0, beta=2.5, axis_ratio=0.6, angle_deg=70),
        StarShape(fwhm_px=8.0, beta=4.765),
        StarShape(fwhm_px=1.5, beta=GAUSSIAN),
        StarShape(fwhm_px=2.5, defocus_px=12, obstruction=0.3),
        StarShape(fwhm_px=2.5, trail_x_px=6, trail_y_px=-3),
        StarShape(fwhm_px=2.5, bump_x_px=5, bump_y_px=2, bump_part=0.8),
    ],
)
@pytest.mark.parametrize("phase", PHASES)
def test_flux_is_conserved_and_centroid_lies_where_asked(
    shape: StarShape, phase: tuple[float, float]
) -> None:
    flux, mean_x, mean_y, *_ = moments(shape, phase)
    assert flux == pytest.approx(1, abs=1.2e-4)
    # For beta 2.5 the light cut off at the edges pulls the centroid a little.
    assert (mean_x, mean_y) == pytest.approx(phase, abs=1e-3)


@pytest.mark.parametrize("fwhm_px", [1.5, 2.0, 3.0, 4.0])
def test_gaussian_variance_grows_by_that_of_the_pixel(fwhm_px: float) -> None:
    shape = StarShape(fwhm_px=fwhm_px, beta=GAUSSIAN)
    # Sampling at whole pixels makes moments of narrow stars depend on their place in the pixel;
    # the mean over places does not.
    places = np.arange(4) / 4 - 0.5
    every = [moments(shape, (dx, dy)) for dx in places for dy in places]
    xx, yy, xy = np.mean(every, axis=0)[3:]
    expected = gaussian_variance(fwhm_px) + PIXEL_VARIANCE
    assert [xx, yy] == pytest.approx([expected, expected], rel=1e-5)
    assert xy == pytest.approx(0, abs=1e-6)


def test_moffat_variance() -> None:
    # <x^2> = a^2 / (2 (beta - 2)) (Moffat 1969, A&A 3, 455, from memory); for a large beta the
    # wings end inside the stamp.
    a_px = 3.0 / 0.791401  # FWHM / a for beta 4.765
    _, _, _, xx, _, _ = moments(StarShape(fwhm_px=3.0, beta=4.765))
    assert xx == pytest.approx(a_px**2 / (2 * 2.765) + PIXEL_VARIANCE, rel=2e-3)


def test_ellipse_has_its_axes_and_direction() -> None:
    shape = StarShape(fwhm_px=4.0, beta=GAUSSIAN, axis_ratio=0.6, angle_deg=25)
    _, _, _, xx, yy, xy = moments(shape)
    values, vectors = np.linalg.eigh([[xx - PIXEL_VARIANCE, xy], [xy, yy - PIXEL_VARIANCE]])
    assert np.sqrt(values[0] / values[1]) == pytest.approx(0.6, rel=1e-4)
    assert np.prod(np.sqrt(values)) == pytest.approx(gaussian_variance(4.0), rel=1e-4)
    angle_deg = np.degrees(np.arctan2(vectors[1, 1], vectors[0, 1])) % 180
    assert angle_deg == pytest.approx(25, abs=0.01)


@pytest.mark.parametrize("obstruction", [0.0, 0.35, 0.5])
def test_disc_and_ring_variance(obstruction: float) -> None:
    # <x^2> = R^2 (1 + e^2) / 4 of a uniform ring (elementary integration).
    shape = StarShape(fwhm_px=2.0, beta=GAUSSIAN, defocus_px=14, obstruction=obstruction)
    _, _, _, xx, yy, _ = moments(shape)
    expected = 7.0**2 * (1 + obstruction**2) / 4 + gaussian_variance(2.0) + PIXEL_VARIANCE
    assert [xx, yy] == pytest.approx([expected, expected], rel=1e-4)


def test_trail_adds_a_twelfth_of_its_length_squared() -> None:
    # Variance L^2 / 12 of an even spread over L (elementary).
    _, _, _, xx, yy, xy = moments(
        StarShape(fwhm_px=2.5, beta=GAUSSIAN, trail_x_px=6, trail_y_px=-3)
    )
    round_part = gaussian_variance(2.5) + PIXEL_VARIANCE
    assert [xx, yy, xy] == pytest.approx(
        [round_part + 36 / 12, round_part + 9 / 12, -18 / 12], rel=1e-4
    )


@pytest.mark.parametrize("part", [0.5, 0.8])
def test_bump_adds_its_variance(part: float) -> None:
    # f (1 - f) S^2 of two points (elementary).
    _, _, _, xx, yy, xy = moments(
        StarShape(fwhm_px=2.5, beta=GAUSSIAN, bump_x_px=4, bump_y_px=3, bump_part=part)
    )
    round_part, spread = gaussian_variance(2.5) + PIXEL_VARIANCE, part * (1 - part)
    assert [xx, yy, xy] == pytest.approx(
        [round_part + spread * 16, round_part + spread * 9, spread * 12], rel=1e-4
    )


def test_bump_puts_the_first_part_behind_the_second() -> None:
    image = fine_image(
        StarShape(fwhm_px=2.0, beta=GAUSSIAN, bump_x_px=10, bump_part=0.8), points=4, half_px=20
    )
    row, column = np.unravel_index(np.argmax(image), image.shape)
    # The larger part falls before the move to +x, so it lies 0.2 x 10 px before the centroid.
    assert [row / 4 - 20, column / 4 - 20] == pytest.approx([0, -2])


def drawn(star: Any, half_px: int, phase: tuple[float, float]) -> NDArray[np.float64]:
    """Pixel-integrated image of a GalSim object of unit flux."""
    side = 2 * half_px + 1
    image = star.drawImage(nx=side, ny=side, scale=1.0, offset=phase, dtype=float)
    return np.asarray(image.array)


def galsim_seeing(fwhm_px: float, beta: float) -> Any:
    if np.isinf(beta):
        return galsim.Gaussian(fwhm=fwhm_px, gsparams=DRAWING)
    return galsim.Moffat(beta=beta, fwhm=fwhm_px, gsparams=DRAWING)


@pytest.mark.parametrize(
    ("fwhm_px", "beta"), list(product([1.3, 2.6, 8.0], [2.5, 3.0, 4.765, GAUSSIAN]))
)
@pytest.mark.parametrize("axis_ratio", [1.0, 0.7])
def test_seeing_against_galsim(fwhm_px: float, beta: float, axis_ratio: float) -> None:
    table = stamp_table(StarShape(fwhm_px=fwhm_px, beta=beta, axis_ratio=axis_ratio, angle_deg=30))
    star = galsim_seeing(fwhm_px, beta).shear(q=axis_ratio, beta=30 * galsim.degrees)
    for phase in PHASES:
        outside = drawn(star, table.short_px, phase)
        ours = stamp(table, *phase, table.short_px)
        assert np.abs(ours - outside).max() < 1e-4 * outside.max()


def defocused(shape: StarShape) -> Any:
    disc = galsim.TopHat(shape.defocus_px / 2, gsparams=DRAWING)
    if shape.obstruction:
        inner = shape.obstruction
        hole = galsim.TopHat(inner * shape.defocus_px / 2, flux=inner**2, gsparams=DRAWING)
        disc = (disc - hole) / (1 - inner**2)
    return galsim.Convolve(disc, galsim_seeing(shape.fwhm_px, shape.beta))


def trailed(shape: StarShape) -> Any:
    length = np.hypot(shape.trail_x_px, shape.trail_y_px)
    angle = np.arctan2(shape.trail_y_px, shape.trail_x_px) * galsim.radians
    line = galsim.Box(length, 1e-3, gsparams=DRAWING).rotate(angle)
    return galsim.Convolve(line, galsim_seeing(shape.fwhm_px, shape.beta))


@pytest.mark.parametrize(
    ("shape", "star"),
    [
        (StarShape(fwhm_px=2.5, defocus_px=12), defocused),
        (StarShape(fwhm_px=2.5, defocus_px=12, obstruction=0.4), defocused),
        (StarShape(fwhm_px=2.5, trail_x_px=6, trail_y_px=3), trailed),
    ],
)
def test_defocus_and_trail_against_galsim(shape: StarShape, star: Any) -> None:
    table = stamp_table(shape)
    for phase in PHASES:
        outside = drawn(star(shape), table.short_px, phase)
        ours = stamp(table, *phase, table.short_px)
        assert np.abs(ours - outside).max() < 1e-3 * outside.max()


def test_galaxy_against_galsim() -> None:
    place = (0.2, -0.3)
    image = galaxy_image(
        StarShape(fwhm_px=2.6), scale_px=6, axis_ratio=0.5, angle_deg=40, place_px=place
    )
    # GalSim's shear keeps the area, so its disc has the geometric mean of both scale lengths.
    disc = galsim.Exponential(scale_radius=6 * np.sqrt(0.5), gsparams=DRAWING)
    disc = disc.shear(q=0.5, beta=40 * galsim.degrees)
    outside = drawn(galsim.Convolve(disc, galsim_seeing(2.6, 3.0)), len(image) // 2, place)
    assert np.abs(image - outside).max() < 1e-4 * outside.max()
    assert image.sum() == pytest.approx(1, abs=5e-4)


@pytest.mark.parametrize(
    ("wrong", "message"),
    [
        ({"fwhm_px": 0}, "fwhm_px is 0, must be above 0"),
        ({"beta": 1.2}, "beta is 1.2, must be 1.5 to 50, or infinity"),
        ({"axis_ratio": 1.5}, "axis_ratio is 1.5, must be above 0, at most 1"),
        ({"defocus_px": -1}, "defocus_px is -1, must be 0 or more"),
        ({"obstruction": 1}, "obstruction is 1, must be 0 to below 1"),
        ({"bump_part": 2}, "bump_part is 2, must be 0 to 1"),
    ],
)
def test_impossible_shapes_are_refused(wrong: dict[str, float], message: str) -> None:
    with pytest.raises(ValueError, match=f"star shape: {message}"):
        StarShape(**{"fwhm_px": 2.0, **wrong})


def test_renderer_shares_no_code_with_the_measuring_side() -> None:
    for path in Path(str(starwinnow_sim.__file__)).parent.glob("*.py"):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            modules = [alias.name for alias in node.names] if isinstance(node, ast.Import) else []
            if isinstance(node, ast.ImportFrom):
                modules = [node.module or ""]
            assert not [name for name in modules if name.split(".")[0] == "starwinnow"], path
