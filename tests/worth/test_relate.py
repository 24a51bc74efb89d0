"""Shift, turn, transparency and overlap of two star lists, against what was put in."""

from dataclasses import replace

import numpy as np
import pytest

from starwinnow.flags import StarFlag
from starwinnow.relate import Relation, identity, relate
from starwinnow.stars import Stars

from .made_up import SHAPE, Sight, Sky, draw_sky, see, star_list


def relation_of(stars: Stars, reference: Stars) -> Relation | None:
    return relate(stars, reference, shape=SHAPE, reference_shape=SHAPE)


def related(stars: Stars, reference: Stars) -> Relation:
    relation = relation_of(stars, reference)
    assert relation is not None, f"{len(stars)} and {len(reference)} stars were not related"
    return relation


def angle_between(one_deg: float, other_deg: float) -> float:
    return (one_deg - other_deg + 180) % 360 - 180


@pytest.mark.parametrize(
    "sight",
    [
        Sight(shift=(3.4, -2.7), transparency=0.8),
        Sight(shift=(-310.2, 120.9), turn_deg=0.8, transparency=0.3),
        Sight(shift=(41.0, 8.5), turn_deg=180.3, fwhm_px=5.0),
        Sight(shift=(120.0, -260.0), turn_deg=-77.0, noise_adu=14.0),
        Sight(turn_deg=0.3, transparency=1.3),
    ],
    ids=lambda sight: f"{sight.shift}-{sight.turn_deg}-{sight.transparency}",
)
def test_recovers_what_was_put_in_with_honest_errors(sight: Sight) -> None:
    """Limits for 100 and more stars: .1 px, .005 deg, 1 %; errors within .8 to 1.3."""
    rng = np.random.default_rng(52_001)
    pulls = []
    for _ in range(30):
        sky = draw_sky(rng, 4000)
        reference, stars = see(sky, Sight(), rng), see(sky, sight, rng)
        relation = related(stars, reference)
        assert relation.matched >= 100
        off = np.array([relation.dx_px, relation.dy_px]) - sight.shift
        turn_off = angle_between(relation.rotation_deg, sight.turn_deg)
        light_off = relation.transparency - sight.transparency
        assert np.hypot(*off) < 0.1
        assert abs(turn_off) < 0.005
        assert abs(light_off) < 0.01 * sight.transparency
        pulls.append(
            [
                *(off / relation.shift_err_px),
                turn_off / relation.rotation_err_deg,
                light_off / relation.transparency_err,
            ]
        )
    spread = np.sqrt(np.mean(np.square(pulls), axis=0))
    # 30 draws know a standard deviation to 13 %
    assert np.all((spread > 0.8 - 0.15) & (spread < 1.3)), f"dx, dy, turn, transparency: {spread}"


@pytest.mark.parametrize("count", [200, 255, 256, 257, 400])
def test_rows_of_any_number_of_stars_are_told(count: int) -> None:
    """They are kept in as few bytes as they need."""
    places = np.random.default_rng(52_011).uniform(20, [SHAPE[1] - 20, SHAPE[0] - 20], (count, 2))
    flux, ones = np.geomspace(9e4, 3e3, count), np.ones(count)
    stars = star_list(places, flux, 50 * ones, 0.05 * ones, np.zeros(count, np.int32))
    relation = related(stars, stars)
    assert relation.matched > 0.9 * count
    assert np.array_equal(relation.frame_rows, relation.reference_rows)
    assert relation.reference_rows.max() >= count - 5


def test_evenly_spread_stars_are_not_laid_on_each_other_in_a_wrong_place() -> None:
    """A loose lattice agrees with itself at many shifts, but with most stars at one only."""
    rng = np.random.default_rng(52_006)
    columns, rows = np.meshgrid(np.arange(-40, 41), np.arange(-30, 31))
    lattice = 36.0 * np.column_stack([columns.ravel(), rows.ravel()])
    for turn_deg in (180.2, 60.0):
        for _ in range(10):
            taken = rng.choice(len(lattice), 800, replace=False)
            place = lattice[taken] + rng.uniform(-6, 6, (800, 2))
            sky = Sky(place, 1000 * (1 + rng.pareto(1.0, 800)))
            sight = Sight(shift=(3.0, -7.0), turn_deg=turn_deg)
            relation = related(see(sky, sight, rng), see(sky, Sight(), rng))
            assert abs(angle_between(relation.rotation_deg, turn_deg)) < 0.01


def test_maps_positions_there_and_back() -> None:
    rng = np.random.default_rng(5)
    sky = draw_sky(rng, 4000)
    sight = Sight(shift=(100.0, -50.0), turn_deg=30.0)
    relation = related(see(sky, sight, rng), see(sky, Sight(), rng))
    centre = np.array([(SHAPE[1] - 1) / 2, (SHAPE[0] - 1) / 2])
    # 30 degrees from +x towards +y carries (200, 0) to (173.2, 100)
    points = centre + np.array([[0.0, 0.0], [200.0, 0.0]])
    expected = centre + np.array([[100.0, -50.0], [273.205, 50.0]])
    assert relation.to_frame(points) == pytest.approx(expected, abs=0.1)
    assert relation.to_reference(relation.to_frame(points)) == pytest.approx(points, abs=1e-9)


@pytest.mark.parametrize("common", [6, 12, 40])
def test_every_turn_is_followed_with_few_stars(common: int) -> None:
    """A meridian flip, 30 degrees and all between: each frame of six common stars and more."""
    rng = np.random.default_rng(52_011)
    for turn_deg in [180.0, 30.0, *np.arange(0.0, 360.0, 7.5)]:
        shared = Sky(rng.uniform(-500, 500, (common, 2)), rng.uniform(2e4, 2e5, common))
        sight = Sight(
            shift=tuple(rng.uniform(-150, 150, 2)), turn_deg=float(turn_deg), transparency=0.6
        )
        relation = related(
            _with_strangers(see(shared, sight, rng), rng, common // 2),
            _with_strangers(see(shared, Sight(), rng), rng, common // 2),
        )
        assert abs(angle_between(relation.rotation_deg, sight.turn_deg)) < 0.05
        assert (relation.dx_px, relation.dy_px) == pytest.approx(sight.shift, abs=0.3)


def test_frames_of_very_different_depth() -> None:
    """A twentieth of the light and three times the noise, at every turn."""
    rng = np.random.default_rng(52_012)
    for turn_deg in np.arange(0.0, 360.0, 30.0):
        sky = draw_sky(rng, 4000)
        sight = Sight(shift=(60.0, -25.0), turn_deg=float(turn_deg), transparency=0.05)
        relation = related(see(sky, replace(sight, noise_adu=30.0), rng), see(sky, Sight(), rng))
        assert relation.transparency == pytest.approx(0.05, rel=0.1)


def test_a_lens_that_distorts_by_half_a_per_cent() -> None:
    """Shift and turn alone cannot be exact then; the field must be found all the same."""
    rng = np.random.default_rng(52_013)

    def distorted(stars: Stars) -> Stars:
        centre = np.array([(SHAPE[1] - 1) / 2, (SHAPE[0] - 1) / 2])
        xy = np.column_stack([stars.x_px, stars.y_px]) - centre
        grown = 1 + 0.005 * np.sum(xy**2, axis=1, keepdims=True) / np.sum(centre**2)
        x_px, y_px = (xy * grown + centre).T
        return replace(stars, x_px=x_px, y_px=y_px)

    for shift, turn_deg in [((300.0, -80.0), 0.0), ((100.0, 0.0), 180.0), ((300.0, 0.0), 30.0)]:
        sky = draw_sky(rng, 1500)
        frame = distorted(see(sky, Sight(shift=shift, turn_deg=turn_deg), rng))
        relation = related(frame, distorted(see(sky, Sight(), rng)))
        assert (relation.dx_px, relation.dy_px) == pytest.approx(shift, abs=2.0)


def test_a_mirror_image_is_not_the_same_field() -> None:
    """No shift and turn lays it on the reference, so that it cannot go into its stack."""
    rng = np.random.default_rng(52_014)
    for count in (300, 1200, 4000):
        sky = draw_sky(rng, count)
        stars = see(sky, Sight(), rng)
        mirrored = replace(stars, x_px=SHAPE[1] - 1 - stars.x_px)
        assert relation_of(mirrored, see(sky, Sight(), rng)) is None


@pytest.mark.parametrize("turn_deg", [0.0, 140.0])
def test_a_shared_corner_of_few_stars_is_found(turn_deg: float) -> None:
    """Two lists of 68 stars share only the eight in one corner."""
    rng = np.random.default_rng(52_002)
    sight = Sight(shift=(1530.0, 1130.0), turn_deg=turn_deg)
    found = 0
    for _ in range(20):
        shared = Sky(
            -np.array([765.0, 565.0]) + rng.uniform(-170, 170, (8, 2)), np.full(8, 20_000.0)
        )
        if turn_deg:
            # the same corner of the frame, wherever the turn takes the stars
            sight = replace(sight, shift=_shift_into_frame(shared, turn_deg))
        reference = _with_strangers(see(shared, Sight(), rng), rng)
        stars = _with_strangers(see(shared, sight, rng), rng)
        relation = relation_of(stars, reference)
        if relation is None:
            continue
        found += 1
        assert relation.matched >= 8
        shared_frame = _middle(shared, sight)
        landed = relation.to_frame(_middle(shared, Sight()))
        assert landed == pytest.approx(shared_frame, abs=0.1)
    assert found == 20


def _middle(sky: Sky, sight: Sight) -> np.ndarray:
    quiet = replace(sight, noise_adu=1e-3)
    angle = np.deg2rad(quiet.turn_deg)
    turn = np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])
    centre = np.array([(SHAPE[1] - 1) / 2, (SHAPE[0] - 1) / 2])
    return np.mean(sky.xy @ turn.T + centre + np.array(sight.shift), axis=0, keepdims=True)


def _shift_into_frame(sky: Sky, turn_deg: float) -> tuple[float, float]:
    middle = _middle(sky, Sight(turn_deg=turn_deg))[0]
    goal = np.array([SHAPE[1] - 250.0, SHAPE[0] - 250.0])
    return float(goal[0] - middle[0]), float(goal[1] - middle[1])


def _with_strangers(stars: Stars, rng: np.random.Generator, count: int = 60) -> Stars:
    """Add stars that the other frame does not see, spread over the frame."""
    strange = see(
        Sky(rng.uniform(-990, 990, (count, 2)) * [1, 0.7], np.full(count, 20_000.0)), Sight(), rng
    )
    both = {
        name: np.concatenate([getattr(stars, name), getattr(strange, name)])
        for name in Stars.__dataclass_fields__
    }
    joined = Stars(**both)
    return joined.select(np.argsort(-joined.flux_adu))


def test_unrelated_fields_are_refused_every_time() -> None:
    """120 pairs of foreign fields, of 10 to some 150 stars each."""
    rng = np.random.default_rng(52_003)
    accepted = []
    for trial in range(120):
        count = int(rng.choice([200, 400, 800, 2500], p=[0.4, 0.3, 0.25, 0.05]))
        stars, reference = (see(draw_sky(rng, count), Sight(), rng) for _ in range(2))
        if relation_of(stars, reference) is not None:
            accepted.append((trial, len(stars), len(reference)))
    assert not accepted


def test_hot_pixels_do_not_relate_foreign_fields() -> None:
    """They are at the same places in all frames of a camera; only their flag tells them."""
    rng = np.random.default_rng(52_004)
    hot = rng.uniform(0, 1400, (40, 2))

    def with_hot_pixels(flag: StarFlag) -> Stars:
        sky = see(draw_sky(rng, 400), Sight(), rng)
        place = np.concatenate([hot, np.column_stack([sky.x_px, sky.y_px])])
        flags = np.concatenate([np.full(40, int(flag)), sky.flags]).astype(np.int32)
        ones = np.ones(len(place))
        return star_list(place, 5000 * ones, 50 * ones, 0.02 * ones, flags)

    assert relation_of(*(with_hot_pixels(StarFlag.HOT_PIXEL) for _ in range(2))) is None
    unflagged = related(*(with_hot_pixels(StarFlag(0)) for _ in range(2)))
    assert (unflagged.dx_px, unflagged.dy_px) == pytest.approx((0, 0), abs=0.05)


def test_faint_stars_do_not_lift_the_transparency_of_a_cloudy_frame() -> None:
    """A plain mean over all stars in both lists, which noise helped in, is 3 % and more high."""
    rng = np.random.default_rng(52_005)
    ours, plain = [], []
    for _ in range(20):
        sky = draw_sky(rng, 8000)
        reference = see(sky, Sight(), rng)
        cloudy = see(sky, Sight(transparency=0.15, shift=(8.0, 3.0)), rng)
        ours.append(related(cloudy, reference).transparency / 0.15 - 1)
        off = np.hypot(
            cloudy.x_px[:, np.newaxis] - 8 - reference.x_px,
            cloudy.y_px[:, np.newaxis] - 3 - reference.y_px,
        )
        nearest = np.argmin(off, axis=1)
        same = off[np.arange(len(off)), nearest] < 2
        plain.append(np.mean(cloudy.flux_adu[same] / reference.flux_adu[nearest[same]]) / 0.15 - 1)
    assert np.mean(plain) > 0.03
    assert abs(np.mean(ours)) < 0.005


def test_saturated_and_variable_stars_do_not_move_the_transparency() -> None:
    rng = np.random.default_rng(52_006)
    sky = draw_sky(rng, 4000)
    reference, stars = see(sky, Sight(), rng), see(sky, Sight(transparency=0.7), rng)
    flux, flags = stars.flux_adu.copy(), stars.flags.copy()
    flux[:15] *= 0.6
    flags[:15] |= int(StarFlag.SATURATED)
    flux[20:60:10] *= 1.8
    touched = replace(stars, flux_adu=flux, flags=flags)
    assert related(touched, reference).transparency == pytest.approx(0.7, rel=0.01)


def test_overlap_is_the_shared_area() -> None:
    rng = np.random.default_rng(52_007)
    sky = draw_sky(rng, 4000)
    reference = see(sky, Sight(), rng)
    shifted = related(see(sky, Sight(shift=(500.0, 300.0)), rng), reference)
    assert shifted.overlap == pytest.approx(0.75 * 0.8, abs=0.002)
    # a quarter turn of 2000 x 1500 leaves 1500 x 1500 in common
    turned = related(see(sky, Sight(turn_deg=90.0), rng), reference)
    assert turned.overlap == pytest.approx(0.75, abs=0.01)


def test_nothing_to_go_by() -> None:
    rng = np.random.default_rng(52_008)
    some = see(draw_sky(rng, 400), Sight(), rng)
    assert relation_of(Stars.empty(), some) is None
    assert relation_of(some, Stars.empty()) is None
    assert relation_of(some.select(np.arange(2)), some) is None
    unknown = replace(some, x_px=np.full(len(some), np.nan))
    assert relation_of(unknown, some) is None


def test_stars_without_trusted_flux_still_place_the_frame() -> None:
    rng = np.random.default_rng(52_009)
    sky = draw_sky(rng, 4000)
    reference, stars = see(sky, Sight(), rng), see(sky, Sight(shift=(5.0, 6.0)), rng)
    saturated = replace(stars, flags=np.full(len(stars), int(StarFlag.SATURATED), np.int32))
    relation = related(saturated, reference)
    assert (relation.dx_px, relation.dy_px) == pytest.approx((5, 6), abs=0.1)
    assert np.isnan(relation.transparency)
    assert np.isnan(relation.transparency_err)


def test_a_frame_lies_on_itself() -> None:
    rng = np.random.default_rng(52_010)
    stars = see(draw_sky(rng, 4000), Sight(), rng)
    known, found = identity(stars, SHAPE), related(stars, stars)
    assert known.transparency == found.transparency == 1
    assert known.matched == found.matched == len(stars)
    assert known.overlap == found.overlap == 1
    assert found.to_frame(np.array([[3.0, 4.0]])) == pytest.approx(np.array([[3.0, 4.0]]))
