"""Advice comes when its figures are beyond chance, and goes away with its reason."""

import math
from datetime import timedelta

import numpy as np
import pytest

from starwinnow.advice import AdviceBoard, Circumstances
from starwinnow.flags import FrameFlag
from starwinnow.focus_trend import focus_trend
from starwinnow.live_snapshot import Advice, LiveFrame
from starwinnow.trends import fit_line

from .night_frames import live_frame

HERE = Circumstances()


def noisy(number: int, rng: np.random.Generator, **figures: object) -> LiveFrame:
    """A frame of an ordinary night: light and size scatter by 2 %, the background by 1 %."""
    size, light, level = 1 + 0.02 * rng.standard_normal(3)
    plain = {
        "transparency": light,
        "hfr_px": 1.8 * size,
        "fwhm_px": 2.9 * size,
        "background_adu": 1000 * (1 + 0.5 * (level - 1)),
        "overlap": 1 - 0.002 * abs(rng.standard_normal()),
        "rotation_deg": 0.005 * rng.standard_normal(),
    }
    return live_frame(number, **{**plain, **figures})


def advised(
    frames: list[LiveFrame],
    board: AdviceBoard | None = None,
    circumstances: Circumstances = HERE,
    temperatures: list[float] | None = None,
) -> dict[str, Advice]:
    focus = focus_trend(frames, temperatures or [math.nan] * len(frames))
    now = frames[-1].judged_utc
    given = (board or AdviceBoard()).advise(frames, focus, circumstances, now)
    return {advice.code: advice for advice in given}


def test_ordinary_nights_get_no_advice() -> None:
    """Forty nights of 120 ordinary frames, looked at every tenth frame: at most one false word."""
    false = []
    for seed in range(40):
        rng, board = np.random.default_rng(seed), AdviceBoard()
        frames = [noisy(n, rng) for n in range(120)]
        for end in range(10, 121, 10):
            false += advised(frames[:end], board)
    assert len(false) <= 1, false


def test_focus_drift_names_rate_and_temperature_and_goes_after_refocusing() -> None:
    rng, board = np.random.default_rng(1), AdviceBoard()
    sizes = [1.8 * (1 + 0.004 * n) for n in range(60)]
    frames = [
        noisy(n, rng, hfr_px=s + 0.02 * rng.standard_normal(), fwhm_px=1.6 * s)
        for n, s in enumerate(sizes)
    ]
    temperatures = [12 - 0.06 * n for n in range(60)]
    given = advised(frames, board, temperatures=temperatures)
    text = given["focus-drift"].text
    assert given["focus-drift"].needs_hand
    assert "px an hour" in text
    assert "while it cooled by 2.3 °C" in text
    # 0.4 % of 1.8 px each 10 s.
    rate = float(text.split(", ")[2].split()[0])
    assert rate == pytest.approx(2.59, rel=0.1)
    since = given["focus-drift"].since_utc
    assert advised(frames, board)["focus-drift"].since_utc == since
    frames += [noisy(60 + n, rng) for n in range(40)]
    assert "focus-drift" not in advised(frames, board)


def test_cloud_comes_and_clears() -> None:
    rng, board = np.random.default_rng(2), AdviceBoard()
    frames = [noisy(n, rng) for n in range(30)]
    frames += [noisy(30 + n, rng, transparency=0.9 - 0.1 * n) for n in range(6)]
    assert "% of the light" in advised(frames, board)["cloud"].text
    frames += [noisy(36 + n, rng) for n in range(10)]
    assert "cloud" not in advised(frames, board)


@pytest.mark.parametrize(("glow", "code"), [(0.0, "haze"), (0.15, "dew")])
def test_slow_loss_is_haze_without_and_dew_with_a_growing_glow(glow: float, code: str) -> None:
    rng = np.random.default_rng(3)
    frames = []
    for n in range(120):
        part = n / 119
        plain = noisy(n, rng)
        frames.append(
            noisy(
                n,
                rng,
                transparency=1 - 0.3 * part + 0.01 * rng.standard_normal(),
                hfr_px=plain.hfr_px * (1 + glow * part),
                fwhm_px=plain.fwhm_px,
            )
        )
    given = advised(frames)
    assert code in given
    assert not {"haze", "dew", "cloud"} - {code} & given.keys()


def test_shaken_frames_are_counted_as_a_rate() -> None:
    rng = np.random.default_rng(4)
    frames = [
        noisy(n, rng, flags=FrameFlag.DOUBLED if n % 12 == 5 else FrameFlag(0)) for n in range(60)
    ]
    assert advised(frames)["shaken"].text.startswith("Shaken: 5 frames in 10 min")


def test_a_rising_background_tells_the_time_to_twilight_where_it_is_known() -> None:
    rng = np.random.default_rng(5)
    frames = [noisy(n, rng, background_adu=1000 * 1.005**n) for n in range(60)]
    text = advised(frames)["bright-sky"].text
    assert text == "The background rises: 34 % in 10 min."
    twilight = frames[-1].judged_utc + timedelta(minutes=25)
    told = advised(frames, circumstances=Circumstances(twilight_utc=twilight))
    assert told["bright-sky"].text.endswith("Twilight begins in 25 min.")


def test_drift_says_when_to_recentre() -> None:
    """A field that loses 0.6 % a minute: 8 % is gone, 15 % will be in about 12 min."""
    rng = np.random.default_rng(6)
    frames = [
        noisy(n, rng, overlap=1 - 0.001 * n + 0.0005 * rng.standard_normal()) for n in range(81)
    ]
    assert advised(frames)["drift"].text == (
        "The field drifts: recentre in about 12 min, 8 % of it is gone."
    )
    assert not advised(frames)["drift"].needs_hand
    frames += [noisy(n, rng, overlap=1 - 0.001 * n) for n in range(81, 150)]
    assert advised(frames[-120:])["drift"].needs_hand


def test_a_turning_field_is_named() -> None:
    rng = np.random.default_rng(7)
    frames = [noisy(n, rng, rotation_deg=0.005 * n) for n in range(100)]
    assert "turns: 0.5°" in advised(frames)["rotation"].text


@pytest.mark.parametrize(
    ("figures", "code", "words"),
    [
        ({"causes": ("mask-on",)}, "mask-on", "Take it off"),
        ({"stars": 0, "hfr_px": math.nan}, "no-stars", "No stars in the last 3 frames"),
        ({"causes": ("other-field",)}, "other-field", "another field"),
        ({"flags": FrameFlag.OVEREXPOSED}, "overexposed", "Expose shorter"),
    ],
)
def test_what_needs_a_hand_at_once(figures: dict[str, object], code: str, words: str) -> None:
    rng, board = np.random.default_rng(8), AdviceBoard()
    frames = [noisy(n, rng) for n in range(20)]
    assert not advised(frames, board)
    frames += [noisy(20 + n, rng, **figures) for n in range(3)]
    given = advised(frames, board)
    assert given[code].needs_hand
    assert words in given[code].text
    frames += [noisy(23, rng)]
    assert code not in advised(frames, board)


def test_disk_space_is_told_in_frames() -> None:
    frames = [live_frame(n) for n in range(3)]
    given = advised(frames, circumstances=Circumstances(frames_left_on_disk=120.4))
    assert given["disk"].text == "Disk: room for 120 more frames."
    assert not advised(frames, circumstances=Circumstances(frames_left_on_disk=1e4))


def test_a_line_through_noise_covers_its_slope() -> None:
    """Of 400 lines with correlated noise (AR(1), 0.5) the slope lies within 3 errors in 97 %."""
    rng = np.random.default_rng(9)
    inside = 0
    for _ in range(400):
        noise = rng.standard_normal(60)
        for i in range(1, 60):
            noise[i] += 0.5 * noise[i - 1]
        line = fit_line(range(60), list(0.03 * np.arange(60) + noise))
        inside += abs(line.slope - 0.03) < 3 * line.slope_err
    assert inside >= 0.97 * 400


def test_a_line_needs_points_and_does_not_follow_an_outlier() -> None:
    assert math.isnan(fit_line([1, 2, 3], [1, 2, 3]).slope)
    values = [2.0 * n for n in range(20)]
    values[7] = 1e6
    assert fit_line(range(20), values).slope == pytest.approx(2.0)
