"""A run's measures and scores -> why each frame lost worth, and what went wrong when."""

import math
from collections.abc import Sequence

import numpy as np

from starwinnow.diagnosis.causes import OUTRIGHT, Cause, FrameDiagnosis, RunDiagnosis
from starwinnow.diagnosis.episodes import find_episodes
from starwinnow.diagnosis.evidence import Evidence, gather
from starwinnow.diagnosis.frame_causes import Findings, find_causes
from starwinnow.diagnosis.shape_fit import FitCache
from starwinnow.diagnosis.shapes import fit_shapes
from starwinnow.diagnosis.wording import evidence_for
from starwinnow.flags import FrameFlag
from starwinnow.frame_measures import FrameMeasures
from starwinnow.same_field import in_time
from starwinnow.scoring import FrameScore, RunScores

__all__ = ["diagnose_frame", "diagnose_run"]

# A frame with this part of its stars hidden shows half of the view.
_HALF_HIDDEN = 0.5
# A streak this near the target's middle goes through it, as a part of the frame's short side.
_MIDDLE_PART = 0.12
_LIGHT_CODES = frozenset({"cloud", "haze", "dew", "cloud|haze"})


def diagnose_run(
    measures: Sequence[FrameMeasures], scores: RunScores, *, cache: FitCache | None = None
) -> RunDiagnosis:
    """Tell why frames of a run lost worth.

    Everything is judged against what is ordinary in the run, and over stretches of frames: what
    is said of a frame may change as the run grows. It does not depend on the order given.

    Parameters
    ----------
    measures : sequence of FrameMeasures
        The frames of one run.
    scores : RunScores
        Their scores, in the same order.
    cache : dict, optional
        Fits of stars known from earlier calls; new ones are added. With it, a call for one more
        frame is cheap.

    Returns
    -------
    RunDiagnosis
        Frames in the order given.
    """
    evidence = gather(measures, scores)
    if evidence is None:
        empty = tuple(_nothing_known(one.file_name) for one in measures)
        return RunDiagnosis(frames=empty, episodes=())
    findings = find_causes(evidence, fit_shapes(evidence, {} if cache is None else cache))
    known = {
        frame.file_name: _diagnosis(row, evidence, findings[row])
        for row, frame in enumerate(evidence.frames)
    }
    for name, cause in _starless(in_time(measures), known).items():
        known[name] = FrameDiagnosis(file_name=name, causes=(cause,), loss=math.nan)
    return RunDiagnosis(
        frames=tuple(known.get(m.file_name, _nothing_known(m.file_name)) for m in measures),
        episodes=tuple(find_episodes(evidence, findings)),
    )


def diagnose_frame(
    name: str, measures: Sequence[FrameMeasures], scores: RunScores
) -> FrameDiagnosis:
    """Tell why one frame lost worth, at once: by itself and the frames around it.

    Only its own stars are asked for their shape, and only where they are not ordinary. What needs
    the shapes of others too, such as dew, is left open.

    Parameters
    ----------
    name : str
        File name of the frame.
    measures : sequence of FrameMeasures
        The frame and others of its run, the reference among them.
    scores : RunScores
        Their scores, in the same order.
    """
    evidence = gather(measures, scores)
    rows = [one.file_name for one in evidence.frames] if evidence is not None else []
    if evidence is None or name not in rows:
        return _nothing_known(name)
    row = rows.index(name)
    findings = find_causes(evidence, fit_shapes(evidence, {}, only=row))
    return _diagnosis(row, evidence, findings[row])


def _nothing_known(name: str) -> FrameDiagnosis:
    return FrameDiagnosis(file_name=name, causes=(), loss=math.nan)


def _diagnosis(row: int, evidence: Evidence, findings: Findings) -> FrameDiagnosis:
    frame, score = evidence.frames[row], evidence.scores[row]
    cut = evidence.cuts[row]
    hidden = cut is not None and (cut.hidden >= _HALF_HIDDEN or cut.covers_middle)
    codes = sorted(
        findings.losses, key=lambda code: (code not in OUTRIGHT, -findings.losses[code], code)
    )
    return FrameDiagnosis(
        file_name=frame.file_name,
        causes=tuple(
            Cause(
                code=code,
                loss=findings.losses[code],
                evidence=_evidence_words(code, row, evidence, findings),
            )
            for code in codes
        ),
        loss=float(evidence.loss[row]),
        leave_out=hidden or _crosses_middle(frame, score),
    )


def _evidence_words(code: str, row: int, evidence: Evidence, findings: Findings) -> str:
    words = evidence_for(code, row, evidence, findings)
    if code == "streak":
        through = _crosses_middle(evidence.frames[row], evidence.scores[row])
        words += ", through the middle" if through else ", beside the middle"
    return words


def _crosses_middle(frame: FrameMeasures, score: FrameScore) -> bool:
    """Whether a streak goes through the middle of what the reference shows."""
    if frame.streak is None or score.relation is None:
        return False
    middle = score.relation.to_frame(np.array([score.relation.centre_px]))[0]
    start, end = np.array(frame.streak.start_px), np.array(frame.streak.end_px)
    way = end - start
    along = float(np.clip((middle - start) @ way / max(float(way @ way), 1e-9), 0.0, 1.0))
    away = float(np.hypot(*(start + along * way - middle)))
    return away < _MIDDLE_PART * min(frame.shape)


def _starless(
    ordered: Sequence[FrameMeasures], known: dict[str, FrameDiagnosis]
) -> dict[str, Cause]:
    """Frames without a star to compare, between frames that lost their light: the same cause."""
    causes = {}
    for place, frame in enumerate(ordered):
        lacks = FrameFlag.FEW_STARS in frame.flags and FrameFlag.OVEREXPOSED not in frame.flags
        if frame.file_name in known or not lacks:
            continue
        sides = (
            next((known[one.file_name] for one in side if one.file_name in known), None)
            for side in (ordered[place::-1], ordered[place:])
        )
        codes = [{one.code for one in side.causes} & _LIGHT_CODES for side in sides if side]
        shared = set.intersection(*codes) if codes else set()
        if shared:
            causes[frame.file_name] = Cause(
                code=min(shared),
                loss=math.nan,
                evidence="no star to measure, between frames that lost their light",
            )
    return causes
