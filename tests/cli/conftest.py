"""Made-up nights for the tests of what the terminal shows."""

import io
from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest

from starwinnow.night import FrameRow, NightSnapshot, RunSummary
from starwinnow.settings import Settings
from starwinnow.store import Unreadable
from starwinnow.verdict import StackGain

START = datetime(2024, 3, 9, 21, 0, tzinfo=UTC)


class FakeTerminal(io.StringIO):
    """A stream that says it is a terminal."""

    def isatty(self) -> bool:
        return True


@pytest.fixture
def terminal(monkeypatch) -> FakeTerminal:
    monkeypatch.delenv("NO_COLOR", raising=False)
    monkeypatch.setenv("TERM", "xterm")
    return FakeTerminal()


def made_run(number: int, frames: int, left_out: int, prefix: str) -> list[FrameRow]:
    return [
        FrameRow(
            file=f"{prefix}{number}_{rank:04d}.fits",
            run=number,
            start_utc=START + timedelta(seconds=10 * ((rank * 7) % frames)),
            exposure_s=8.0,
            stars=120 - rank,
            fwhm_px=2.5 + 0.1 * min(rank, 90),
            fwhm_err_px=0.02,
            hfr_px=1.4 + 0.05 * min(rank, 90),
            transparency=1.0 - 0.24 * rank / frames,
            worth_s=8.0 - 4.8 * rank / frames,
            weight=1.0,
            rank=rank,
            verdict="keep" if rank <= frames - left_out else "leave-out",
            kept=rank <= frames - left_out,
        )
        for rank in range(1, frames + 1)
    ]


def made_summary(rows: list[FrameRow], filter_name: str, keep_snr: float) -> RunSummary:
    kept = [row for row in rows if row.kept]
    gain = StackGain(
        aim="depth",
        mean="unscaled",
        scored=len(rows),
        kept=len(kept),
        marginal=0,
        keep_snr=keep_snr,
        weighted_snr=1.073,
        all_fwhm_px=3.14,
        keep_fwhm_px=2.95,
        all_worth_s=sum(row.worth_s for row in rows),
        kept_worth_s=sum(row.worth_s for row in kept),
    )
    return RunSummary(
        run=rows[0].run or 0,
        filter_name=filter_name,
        exposure_s=8.0,
        binning=(1, 1),
        shape=(1080, 1920),
        frames=len(rows),
        collected_s=8.0 * len(rows),
        reference=rows[0],
        reference_rule="the best of them",
        worth_in_seconds=True,
        verdicts={
            "keep": len(kept), "marginal": 0, "leave-out": len(rows) - len(kept), "not-scored": 0,
        },
        gain=gain,
    )  # fmt: skip


def make_night(
    *,
    runs: int = 1,
    frames: int = 24,
    left_out: int = 5,
    unread: int = 0,
    prefix: str = "light_",
    keep_snr: float = 1.061,
) -> NightSnapshot:
    rows: list[FrameRow] = []
    summaries = []
    for number in range(1, runs + 1):
        members = made_run(number, frames, left_out, prefix)
        summaries.append(made_summary(members, "LRGB"[number % 4], keep_snr))
        rows += members
    torn = [f"{prefix}torn_{i}.fits" for i in range(unread)]
    reason = "it ends after 2880 bytes where its header promises 8294400: copy it again"
    rows += [FrameRow(file=name, causes=("unreadable",), note=reason) for name in torn]
    if runs > 1:
        dark = FrameRow(file="dark_1.fits", causes=("not-light",), note="a dark frame")
        rows += [replace(dark, file=f"dark_{i}.fits") for i in range(30)]
    return NightSnapshot(
        settings=Settings(),
        rows=tuple(rows),
        runs=tuple(summaries),
        unreadable=tuple(Unreadable(name=name, reason=reason) for name in torn),
    )


@pytest.fixture
def night() -> Callable[..., NightSnapshot]:
    return make_night
