"""Answers of the focus mask as plain values for programs."""

from collections.abc import Sequence
from datetime import UTC, datetime
from typing import Any

from starwinnow.focus_mask.frame_focus import FrameFocus
from starwinnow.focus_mask.wording import direction_words
from starwinnow.report.file_values import six_digits
from starwinnow.rig import Rig

__all__ = ["mask_json"]


def mask_json(results: Sequence[FrameFocus], rig: Rig) -> list[dict[str, Any]]:
    """One object a frame, in the order given; what is not known is None.

    `defocus_um` has the sign of `offset_px`, which alone tells no direction; `direction` is the
    way to turn, 'in' or 'out', where it was learnt. `reason` says why there is no clear answer,
    or what a direction rests on. `stars` has one object for each centre spike with its outer
    pair: a star has one, or three through a three-fold mask.
    """
    return [_object(result, rig) for result in results]


def _object(result: FrameFocus, rig: Rig) -> dict[str, Any]:
    answer, reading = result.answer, result.frame.reading
    return {
        "file": result.frame.file,
        "mask_found": _mask_found(result),
        "offset_px": six_digits(answer.offset_px),
        "offset_err_px": six_digits(answer.offset_err_px),
        "defocus_um": six_digits(answer.defocus_um),
        "defocus_err_um": six_digits(answer.defocus_err_um),
        "tolerance_px": six_digits(answer.tolerance_px),
        "tolerance_um": six_digits(answer.tolerance_um),
        "direction": None if result.turn is None else result.turn.way,
        "verdict": answer.verdict,
        "reason": _reason(result, rig),
        "stars": [
            {
                "x_px": six_digits(star.x_px),
                "y_px": six_digits(star.y_px),
                "offset_px": six_digits(triple.offset_px),
                "offset_err_px": six_digits(triple.offset_err_px),
                "spike_deg": [
                    six_digits(angle) for angle in (triple.centre_deg, *triple.outer_deg)
                ],
            }
            for star in (reading.stars if reading is not None else ())
            for triple in star.triples
        ],
    }


def _mask_found(result: FrameFocus) -> bool | None:
    if result.answer.verdict == "no-mask":
        return False
    return True if result.answer.kind is not None else None


def _reason(result: FrameFocus, rig: Rig) -> str | None:
    words = direction_words(result, rig, _utc_minute)
    parts = (result.answer.reason, words, result.note)
    return "; ".join(filter(None, parts)) or None


def _utc_minute(moment: datetime) -> str:
    return moment.astimezone(UTC).strftime("%Y-%m-%d %H:%M UTC")
