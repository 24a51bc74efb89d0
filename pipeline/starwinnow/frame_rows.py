"""What is known of one file, as the row of a table."""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime

from starwinnow.flags import FRAME_FLAG_MEANINGS, FrameFlag
from starwinnow.frame_measures import FrameMeasures
from starwinnow.runs import Aside
from starwinnow.same_field import start_utc
from starwinnow.scoring import FrameScore
from starwinnow.store import Unreadable
from starwinnow.verdict import FrameVerdict, Verdict

__all__ = ["FrameRow", "row_aside", "row_scored", "row_unreadable"]

_NAN = math.nan
# Below this overlap with the reference a frame says so (common practice, no source).
_WELL_COVERED = 0.9


@dataclass(frozen=True, slots=True, kw_only=True)
class FrameRow:
    """One file of the night: a field for each of `quantities.FRAME_COLUMNS`, which explains them.

    Attributes
    ----------
    kept : bool
        Whether the frame is in its run's keep set; the one field that is no column.
    """

    file: str
    run: int | None = None
    start_utc: datetime | None = None
    exposure_s: float = _NAN
    stars: int | None = None
    background_adu: float = _NAN
    noise_adu: float = _NAN
    fwhm_px: float = _NAN
    fwhm_err_px: float = _NAN
    fwhm_arcsec: float = _NAN
    hfr_px: float = _NAN
    hfr_err_px: float = _NAN
    axis_ratio: float = _NAN
    axis_ratio_err: float = _NAN
    trail_deg: float = _NAN
    nea_px: float = _NAN
    transparency: float = _NAN
    transparency_err: float = _NAN
    dx_px: float = _NAN
    dy_px: float = _NAN
    rotation_deg: float = _NAN
    overlap: float = _NAN
    worth_s: float = _NAN
    worth_err_s: float = _NAN
    weight: float = _NAN
    rank: int | None = None
    verdict: Verdict = "not-scored"
    causes: tuple[str, ...] = ()
    note: str = ""
    kept: bool = False


def row_unreadable(item: Unreadable) -> FrameRow:
    """Row of a file that could not be read."""
    return FrameRow(file=item.name, causes=("unreadable",), note=item.reason)


def row_aside(aside: Aside) -> FrameRow:
    """Row of a frame that belongs to no run."""
    return replace(_measured(aside.frame), causes=(aside.cause,), note=aside.note)


def row_scored(
    run: int, measures: FrameMeasures, score: FrameScore, verdict: FrameVerdict
) -> FrameRow:
    """Row of a frame of a run, scored or not."""
    row = _measured(measures)
    relation = score.relation
    if relation is not None:
        row = replace(
            row,
            dx_px=relation.dx_px,
            dy_px=relation.dy_px,
            rotation_deg=relation.rotation_deg,
            overlap=relation.overlap,
        )
    return replace(
        row,
        run=run,
        transparency=score.transparency,
        transparency_err=score.transparency_err,
        worth_s=score.worth_s,
        worth_err_s=score.worth_err_s,
        weight=verdict.weight,
        rank=verdict.rank,
        verdict=verdict.verdict,
        causes=verdict.causes,
        note="; ".join(filter(None, (verdict.note, *_limits(measures), _cover(row.overlap)))),
        kept=verdict.kept,
    )


def _measured(measures: FrameMeasures) -> FrameRow:
    """Columns that need no other frame."""
    capture = measures.capture
    scale = capture.scale_arcsec
    return FrameRow(
        file=measures.file_name,
        start_utc=start_utc(measures),
        exposure_s=_NAN if capture.exposure_s is None else capture.exposure_s,
        stars=measures.star_count,
        background_adu=measures.background_adu,
        noise_adu=measures.noise_adu,
        fwhm_px=measures.fwhm_px,
        fwhm_err_px=measures.fwhm_err_px,
        fwhm_arcsec=_NAN if scale is None else measures.fwhm_px * scale,
        hfr_px=measures.hfr_px,
        hfr_err_px=measures.hfr_err_px,
        axis_ratio=measures.axis_ratio,
        axis_ratio_err=measures.axis_ratio_err,
        trail_deg=measures.trail_deg,
        nea_px=measures.nea_px,
    )


def _limits(measures: FrameMeasures) -> Sequence[str]:
    """Say in words what limits the figures of a frame."""
    flags, capture = measures.flags, measures.capture
    if FrameFlag.NO_STARS in flags:
        flags &= ~FrameFlag.FEW_STARS
    texts = [text for flag, text in FRAME_FLAG_MEANINGS.items() if flag in flags]
    if capture.date_only and capture.start_utc is not None:
        texts.append(f"the file gives a date only, {capture.start_utc:%Y-%m-%d}")
    if FrameFlag.NO_STARS in measures.flags and capture.image_type is None:
        texts.append("the file does not say whether it is a light frame, a dark, flat or bias")
    return texts


def _cover(overlap: float) -> str:
    """Say so when a frame sees much less than the reference does; NaN says nothing."""
    if overlap < _WELL_COVERED:
        return f"sees {100 * overlap:.0f} % of the reference's area"
    return ""
