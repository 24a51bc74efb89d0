"""Which kernels a star is tried with, and that a fit is the same however it came about."""

from dataclasses import replace

import numpy as np
import pytest

from starwinnow.diagnosis.shapes import FitCache, ShapeFit, StarFitter, fit_shapes
from starwinnow.diagnosis.standard import Standard, standard_of
from starwinnow.flags import FrameFlag
from starwinnow.frame_measures import FrameMeasures

from .drawn_stars import DrawnStar
from .made_runs import Made, evidence_of, frame_of, quiet, spoilt

ORDINARY = [frame_of(number, one) for number, one in enumerate(quiet(20))]
ROUND = {
    "out of focus": DrawnStar(waves=0.5),
    "far out of focus": DrawnStar(waves=0.9),
    "soft": DrawnStar(seeing_px=3.0),
    "dewed": DrawnStar(dew_part=0.2),
    "dewed and out of focus": DrawnStar(dew_part=0.15, waves=0.4),
}
MOVED = {
    "trailed": DrawnStar(trail_px=(3.0, 2.0)),
    "far trailed": DrawnStar(trail_px=(-7.0, 3.0)),
    "trailed out of focus": DrawnStar(trail_px=(0.0, 4.0), waves=0.5),
    "knocked": DrawnStar(knock=(4.0, -3.0, 0.3)),
    "knocked a little": DrawnStar(knock=(6.0, 1.0, 0.1)),
}


def fitter(cache: FitCache) -> StarFitter:
    made = StarFitter.of(Standard(frames=ORDINARY, wander=0.03), cache)
    assert made is not None
    return made


def frames_of(stars: dict[str, DrawnStar]) -> list[FrameMeasures]:
    return [frame_of(30 + i, Made(star=star)) for i, star in enumerate(stars.values())]


def same(one: ShapeFit, other: ShapeFit) -> bool:
    return (
        one.chi2 == other.chi2
        and one.parts == other.parts
        and one.parameters.keys() == other.parameters.keys()
        and all(np.array_equal(one.parameters[k], other.parameters[k]) for k in one.parameters)
        and all(np.array_equal(one.errors[k], other.errors[k]) for k in one.errors)
    )


@pytest.fixture(scope="module")
def fits() -> dict[str, ShapeFit]:
    both = ROUND | MOVED
    light = np.where(["dew" in name for name in both], -0.2, 0.0)
    return dict(zip(both, fitter({}).fit(frames_of(both), light), strict=True))


@pytest.mark.parametrize("name", ROUND)
def test_no_move_is_tried_on_round_stars(fits, name: str) -> None:
    assert set(fits[name].parameters) == {"seeing", "focus"}
    assert np.isinf([fits[name].chi2[one] for one in ("trail", "trail-focus", "knock")]).all()


@pytest.mark.parametrize("name", MOVED)
def test_moves_are_tried_on_drawn_out_and_doubled_stars(fits, name: str) -> None:
    assert set(fits[name].parameters) == {"seeing", "focus", "trail", "trail-focus", "knock"}


@pytest.mark.parametrize(
    ("name", "best"),
    [
        ("out of focus", "focus"),
        ("far out of focus", "focus"),
        ("soft", "seeing"),
        ("trailed", "trail"),
        ("far trailed", "trail"),
        ("trailed out of focus", "trail-focus"),
        ("knocked", "knock"),
        ("knocked a little", "knock"),
    ],
)
def test_the_likeliest_kernels_are_those_put_in(fits, name: str, best: str) -> None:
    assert fits[name].best == best


def test_dew_shows_as_halo_and_nothing_else_does(fits) -> None:
    for name, fit in fits.items():
        part, error = fit.halo()
        if "dewed" in name:
            assert part > max(0.1, 5 * error), name
        else:
            assert abs(part) < 0.02, name


def test_a_trail_is_measured(fits) -> None:
    """It has no sense: (3, 2) is (-3, -2)."""
    way = fits["trailed"].parameters["trail"][6:8]
    assert way * np.sign(way[0]) == pytest.approx([3.0, 2.0], abs=0.15)


def test_a_fit_is_the_same_alone_and_among_others() -> None:
    both = frames_of(ROUND | MOVED)
    light = np.linspace(-0.3, 0.0, len(both))
    together = fitter({}).fit(both, light)
    backward = fitter({}).fit(both[::-1], light[::-1])[::-1]
    for row in (0, 4, 7):
        [alone] = fitter({}).fit([both[row]], light[row : row + 1])
        assert same(alone, together[row])
        assert same(backward[row], together[row])


def test_what_is_cached_hangs_on_what_goes_into_a_fit() -> None:
    cache: FitCache = {}
    frame = frame_of(30, Made(star=DrawnStar(waves=0.5)))
    none = np.zeros(1)
    [first] = fitter(cache).fit([frame], none)
    assert len(cache) == 1

    renamed = replace(frame, file_name="other.fits", noise_adu=99.0, background_adu=7.0)
    [again] = fitter(cache).fit([renamed], none)
    assert again is first
    # Nearly as much light: the same halo is to be expected.
    assert fitter(cache).fit([frame], np.full(1, -1e-4))[0] is first
    assert len(cache) == 1

    other = frame.average_star.copy()
    other[16, 16] *= 1.001
    changed = [
        replace(frame, average_star=other),
        replace(frame, average_star_err=2 * frame.average_star_err),
        replace(frame, fwhm_px=1.1 * frame.fwhm_px),
        replace(frame, capture=replace(frame.capture, aperture_mm=60.0)),
    ]
    fitter(cache).fit(changed, np.zeros(4))
    assert len(cache) == 5
    fitter(cache).fit([frame], np.full(1, -0.5))
    assert len(cache) == 6
    fewer = StarFitter.of(Standard(frames=ORDINARY[:12], wander=0.03), cache)
    assert fewer is not None
    fewer.fit([frame], none)
    assert len(cache) == 7


def test_without_aperture_focus_is_not_tried() -> None:
    plain = [replace(one, capture=replace(one.capture, aperture_mm=None)) for one in ORDINARY]
    made = StarFitter.of(Standard(frames=plain, wander=0.03), {})
    assert made is not None
    frame = frame_of(30, Made(star=DrawnStar(trail_px=(4.0, 0.0)), card={}))
    [fit] = made.fit([frame], np.zeros(1))
    assert set(fit.parameters) == {"seeing", "trail", "knock"}


def test_only_stars_out_of_the_ordinary_are_asked() -> None:
    """Not the ordinary ones, nor those whose figures say enough: discs and doubled stars."""
    made = spoilt(quiet(30, seeing_scatter=0.002), range(10, 12), waves=0.5)
    made = spoilt(made, [15], trail_px=(3.0, 0.0))
    made = spoilt(made, [18], light=0.8)
    made = spoilt(made, [22], noise=1.5)
    evidence = evidence_of(made)
    assert set(fit_shapes(evidence, {})) == {10, 11, 15, 18}
    assert set(fit_shapes(evidence, {}, only=15)) == {15}
    flagged = list(evidence.frames)
    flagged[10] = replace(flagged[10], flags=FrameFlag.DISCS)
    flagged[15] = replace(flagged[15], flags=FrameFlag.DOUBLED)
    assert set(fit_shapes(replace(evidence, frames=flagged), {})) == {11, 18}


def test_two_ordinary_frames_are_too_few_to_tell() -> None:
    assert StarFitter.of(Standard(frames=ORDINARY[:2], wander=0.03), {}) is None
    starless = [replace(one, average_star=np.empty((0, 0), np.float32)) for one in ORDINARY[:5]]
    assert StarFitter.of(Standard(frames=starless, wander=0.03), {}) is None
    assert fit_shapes(evidence_of(quiet(2)), {}) == {}


def test_the_standard_is_of_ordinary_frames_and_keeps_while_a_run_grows() -> None:
    made = spoilt(quiet(60), range(5, 15), waves=0.5)
    names = []
    for count in (34, 45, 60):
        chosen = standard_of(evidence_of(made[:count])).frames
        assert 3 <= len(chosen) <= 24
        names.append({one.file_name for one in chosen})
        assert not names[-1] & {f"frame_{number:03d}.fits" for number in range(5, 15)}
    for later in names[1:]:
        assert len(names[0] & later) >= len(names[0]) - 3
