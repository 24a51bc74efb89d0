"""Why a new frame of a running night is bad, told from the latest frames of its run."""

from collections import deque

from starwinnow.diagnosis import FrameDiagnosis, diagnose_frame
from starwinnow.frame_measures import FrameMeasures
from starwinnow.relate import Relation, identity
from starwinnow.scoring import FrameScore, RunScores, Scale
from starwinnow.settings import Settings

__all__ = ["RECENT_FRAMES", "LiveCauses"]

RECENT_FRAMES = 60
"""Frames that are remembered with their stars: five minutes of 5 s exposures, some 7 MB."""

# What is ordinary takes so many frames to tell: among fewer, ordinary frames pass for knocked.
_FEWEST = 20


class LiveCauses:
    """Diagnoses one frame after the other beside those before it.

    Parameters
    ----------
    anchor : FrameMeasures
        The frame on which all others of the run are laid, with its stars.
    settings : Settings
    """

    def __init__(self, anchor: FrameMeasures, settings: Settings) -> None:
        self._anchor = anchor
        self._scale = Scale(anchor, None, settings)
        self._own = self._scale.score(anchor, identity(anchor.stars, anchor.shape))
        self._recent: deque[tuple[FrameMeasures, FrameScore]] = deque(maxlen=RECENT_FRAMES)

    def add(self, frame: FrameMeasures, relation: Relation) -> FrameDiagnosis | None:
        """Take in the next frame and tell what is wrong with it; None while frames are too few.

        Parameters
        ----------
        frame : FrameMeasures
        relation : Relation
            To the anchor.
        """
        self.forget(frame.file_name)
        self._recent.append((frame, self._scale.score(frame, relation)))
        if len(self._recent) < _FEWEST or frame.file_name == self._anchor.file_name:
            return None
        name = self._anchor.file_name
        pairs = [(self._anchor, self._own), *(p for p in self._recent if p[0].file_name != name)]
        scores = RunScores(
            reference_file=name,
            reference_rule="",
            reference_exposure_s=self._scale.exposure_s,
            response=None,
            scores=tuple(score for _, score in pairs),
        )
        return diagnose_frame(frame.file_name, [one for one, _ in pairs], scores)

    def forget(self, name: str) -> None:
        """Drop a frame, which is gone or has been written anew."""
        others = [pair for pair in self._recent if pair[0].file_name != name]
        if len(others) < len(self._recent):
            self._recent = deque(others, maxlen=RECENT_FRAMES)
