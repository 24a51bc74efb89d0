"""Made-up nights for the tests of the report, without pixels to measure."""

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from typing import Any

import numpy as np

from starwinnow.diagnosis import Episode
from starwinnow.flags import FrameFlag
from starwinnow.frame import Capture
from starwinnow.frame_measures import FrameMeasures
from starwinnow.night import FrameRow, NightSnapshot, RunSummary
from starwinnow.report.page_data import page_data
from starwinnow.settings import Settings
from starwinnow.stars import Stars
from starwinnow.store import Unreadable
from starwinnow.verdict import StackGain, StackGrowth

START = datetime(2031, 10, 14, 20, 0, tzinfo=UTC)
HOSTILE = (
    "<script>alert(1)</script>",
    "\"'`&lt;</script><img src=x onerror=alert(2)>",
    "x" * 10_000,
    "\u202egnp.exe\u202c \u05d0\u05d1\u05d2",
    "two\nlines\r\n--><!--",
)
SHAPE = (1080, 1920)


def made_night(
    frames: int = 24, *, runs: int = 1, unread: int = 0, hostile: bool = False, known: bool = True
) -> tuple[NightSnapshot, dict[str, FrameMeasures]]:
    """A night with a cloud and slipping focus; `known` is whether headers say times and more."""
    rng = np.random.default_rng(5)
    rows: list[FrameRow] = []
    summaries: list[RunSummary] = []
    for number in range(1, runs + 1):
        members = _rows(number, frames, rng, hostile=hostile, known=known)
        rows += members
        summaries.append(_summary(members, hostile=hostile))
    measures = {row.file: _measures(row, at, rng, known=known) for at, row in enumerate(rows)}
    reason = HOSTILE[1] if hostile else "it ends too early: copy it again"
    names = [f"torn_{i}.fits" for i in range(unread)]
    rows += [FrameRow(file=name, causes=("unreadable",), note=reason) for name in names]
    snapshot = NightSnapshot(
        settings=Settings(),
        rows=tuple(rows),
        runs=tuple(summaries),
        unreadable=tuple(Unreadable(name=name, reason=reason) for name in names),
    )
    return snapshot, measures


def made_data(frames: int = 24, **options: Any) -> dict[str, Any]:
    snapshot, measures = made_night(frames, **options)
    folder = HOSTILE[0] if options.get("hostile") else "made-up night"
    return page_data(snapshot, measures, folder=folder)


def _rows(
    number: int, frames: int, rng: np.random.Generator, *, hostile: bool, known: bool
) -> list[FrameRow]:
    light = np.clip(1 + rng.normal(0, 0.02, frames), 0.05, None)
    light[frames // 3 : frames // 2] *= 0.4
    size = 2.6 + rng.normal(0, 0.05, frames)
    size[3 * frames // 4 :] += 0.8
    worth = 8 * (light * 2.6 / size) ** 2
    rank = np.empty(frames, int)
    rank[np.argsort(-worth)] = np.arange(1, frames + 1)
    rows = []
    for i in range(frames):
        causes = ("cloud",) if light[i] < 0.7 else ("out-of-focus",) if size[i] > 3.1 else ()
        name = f"field{number}_{i:04d}.fits"
        if hostile:
            name = f"{i}{HOSTILE[i % 5]}"
        verdict = "leave-out" if light[i] < 0.38 else "marginal" if light[i] < 0.7 else "keep"
        start = START + timedelta(hours=number, seconds=10 * i)
        rows.append(
            FrameRow(
                file=name, run=number, start_utc=start if known else None,
                exposure_s=8.0 if known else np.nan, stars=120, background_adu=560.0 + i / 10,
                noise_adu=12.34, fwhm_px=float(size[i]), fwhm_err_px=0.02,
                fwhm_arcsec=2 * float(size[i]) if known else np.nan, hfr_px=0.62 * float(size[i]),
                hfr_err_px=0.02, axis_ratio=0.97, axis_ratio_err=0.01, trail_deg=12.0,
                nea_px=30.0, transparency=float(light[i]), transparency_err=0.01,
                dx_px=0.1 * i, dy_px=-0.05 * i, rotation_deg=1e-4 * i, overlap=1.0,
                worth_s=float(worth[i]), worth_err_s=0.1, weight=1.0, rank=int(rank[i]),
                verdict=verdict, causes=causes,
                note=HOSTILE[i % 5] if hostile else "cloud: less light" if causes else "",
                kept=verdict == "keep",
            )
        )  # fmt: skip
    return rows


def _summary(rows: list[FrameRow], *, hostile: bool) -> RunSummary:
    kept = [row for row in rows if row.kept]
    worth = sum(row.worth_s for row in rows)
    gain = StackGain(
        aim="depth", mean="unscaled", scored=len(rows), kept=len(kept), marginal=0,
        keep_snr=1.061, weighted_snr=1.073, all_fwhm_px=3.14, keep_fwhm_px=2.95,
        all_worth_s=worth, kept_worth_s=sum(row.worth_s for row in kept),
    )  # fmt: skip
    cloudy = [row for row in rows if row.causes]
    episodes = []
    if cloudy:
        episodes.append(
            Episode(
                cause="cloud", first_file=cloudy[0].file, last_file=cloudy[len(cloudy) // 2].file,
                start_utc=cloudy[0].start_utc, end_utc=None, frames=len(cloudy),
                size="starlight down to 40 %", cost_s=60.0, exposed_s=100.0, advice="Wait.",
            )
        )  # fmt: skip
    counts = [row.verdict for row in rows]
    grown = tuple(np.sqrt(np.arange(1, len(rows) + 1) / len(rows)).tolist())
    return RunSummary(
        run=rows[0].run or 0, filter_name=HOSTILE[1] if hostile else "L", exposure_s=8.0,
        binning=(1, 1), shape=SHAPE, frames=len(rows), collected_s=8.0 * len(rows),
        reference=rows[0], reference_rule="the best of them", worth_in_seconds=True,
        verdicts={v: counts.count(v) for v in ("keep", "marginal", "leave-out", "not-scored")},
        gain=gain, target=HOSTILE[3] if hostile else "demo field", episodes=tuple(episodes),
        lost_s={"cloud": 60.0, "out-of-focus": 20.0} if cloudy else {},
        growth=StackGrowth(plain_snr=grown, weighted_snr=grown),
    )  # fmt: skip


def _measures(row: FrameRow, at: int, rng: np.random.Generator, *, known: bool) -> FrameMeasures:
    y, x = np.mgrid[-16:17, -16:17]
    star = np.exp(-(x**2 + y**2) / 5).astype(np.float32)
    picture = np.clip(rng.normal(30, 9, (67, 120)), 0, 255).astype(np.uint8)
    return FrameMeasures(
        file_name=row.file, shape=SHAPE,
        capture=Capture(focuser_temperature_c=12 - at / 500, focuser_position=12_345.0 + at // 200)
        if known
        else Capture(),
        background_adu=row.background_adu, background_err_adu=0.1, noise_adu=row.noise_adu,
        star_count=120, fwhm_px=row.fwhm_px, fwhm_err_px=0.02, hfr_px=row.hfr_px, hfr_err_px=0.02,
        axis_ratio=0.97, axis_ratio_err=0.01, trail_deg=12.0, trail_err_deg=1.0, nea_px=30.0,
        nea_err_px=0.3, profile=None, stars=_stars(rng, row.fwhm_px), average_star=star,
        average_star_err=star, thumbnail=picture, flags=FrameFlag(0),
        corner_tails=0.001, corner_tails_err=0.0004,
    )  # fmt: skip


def _stars(rng: np.random.Generator, fwhm_px: float) -> Stars:
    count = 120
    one = np.ones(count)
    return Stars(
        x_px=rng.uniform(0, SHAPE[1], count), y_px=rng.uniform(0, SHAPE[0], count),
        x_err_px=0.1 * one, y_err_px=0.1 * one, flux_adu=1e4 * one, flux_err_adu=1e2 * one,
        peak_adu=1e3 * one, fwhm_px=fwhm_px + rng.normal(0, 0.05, count), fwhm_err_px=0.05 * one,
        hfr_px=1.6 * one, hfr_err_px=0.05 * one,
        axis_ratio=1 - np.abs(rng.normal(0, 0.03, count)), axis_ratio_err=0.03 * one,
        trail_deg=rng.uniform(0, 180, count), flags=np.zeros(count, np.int32),
    )  # fmt: skip


def without_scores(snapshot: NightSnapshot) -> NightSnapshot:
    """The same frames, none with a score."""
    nan = float("nan")
    rows = tuple(
        replace(row, worth_s=nan, rank=None, verdict="not-scored", kept=False, transparency=nan)
        for row in snapshot.rows
    )
    gain = replace(
        snapshot.runs[0].gain, scored=0, kept=0, keep_snr=nan, weighted_snr=nan, all_worth_s=0.0
    )
    run = replace(
        snapshot.runs[0], gain=gain, reference=None, episodes=(), lost_s={}, growth=StackGrowth()
    )
    return replace(snapshot, rows=rows, runs=(run,))
