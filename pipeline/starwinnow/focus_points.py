"""Frames of a focusing -> how far from focus each is: by the mask's spikes, else by its stars."""

import math
from dataclasses import replace

from starwinnow.flags import FrameFlag
from starwinnow.focus_mask import read_mask
from starwinnow.focus_mask.frame_focus import MaskedFrame, answer_frames
from starwinnow.focus_mask.optics import completed
from starwinnow.focusing import FocusPoint
from starwinnow.frame import Frame
from starwinnow.measure import measure
from starwinnow.rig import Rig

__all__ = ["FocusPoints"]

# Frames of the same mask that are judged together: any of them may show how its slits lean.
_MOST_TOGETHER = 30


class FocusPoints:
    """Measures one frame after the other.

    A field's stars tell by themselves whether the mask is on, in a few hundredths of a second;
    spikes, which take longer, are looked for only then and where stars are too few to tell.

    Parameters
    ----------
    rig : Rig
        What headers lack of the optics, and the way to turn where it was learnt.
    """

    def __init__(self, rig: Rig) -> None:
        self._rig = rig
        self._masked: list[MaskedFrame] = []

    def of(self, frame: Frame) -> FocusPoint | str:
        """Measure a frame.

        Returns
        -------
        FocusPoint or str
            Why nothing can be told, in a few words, where that is so.
        """
        frame = replace(frame, capture=completed(frame.capture, self._rig))
        measures = measure(frame)
        masked = FrameFlag.MASK_ON in measures.flags
        # The stars may miss a mask that the frame before still had.
        if masked or self._masked or FrameFlag.FEW_STARS in measures.flags:
            point = self._by_mask(frame)
            if masked or isinstance(point, FocusPoint):
                return point
            self._masked = []
        if not math.isfinite(measures.hfr_px):
            return "no stars"
        capture = frame.capture
        f_ratio = None
        if capture.focal_length_mm and capture.aperture_mm:
            f_ratio = capture.focal_length_mm / capture.aperture_mm
        return FocusPoint(
            file=frame.path.name,
            value_px=measures.hfr_px,
            err_px=measures.hfr_err_px,
            f_ratio=f_ratio,
            pixel_um=capture.pixel_um,
        )

    def _by_mask(self, frame: Frame) -> FocusPoint | str:
        """Read the mask, together with the frames before."""
        masked = MaskedFrame(path=frame.path, capture=frame.capture, reading=read_mask(frame))
        together = [*self._masked, masked]
        focus = answer_frames(together, self._rig, mark_up=False)[-1]
        answer = focus.answer
        if not math.isfinite(answer.offset_px + answer.offset_err_px):
            return answer.reason
        self._masked = together[-_MOST_TOGETHER:]
        return FocusPoint(
            file=frame.path.name,
            value_px=abs(answer.offset_px),
            err_px=answer.offset_err_px,
            kind="offset",
            focus=focus,
        )
