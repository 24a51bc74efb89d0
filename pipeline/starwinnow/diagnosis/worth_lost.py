"""What each cause cost over a run."""

import math
from collections.abc import Sequence

from starwinnow.diagnosis.causes import FrameDiagnosis
from starwinnow.scoring import FrameScore

__all__ = ["worth_lost"]


def worth_lost(
    diagnoses: Sequence[FrameDiagnosis], scores: Sequence[FrameScore]
) -> dict[str, float]:
    """Worth lost by cause over all frames of a run, most first.

    A frame of worth w whose loss is L would have been worth w exp(L). Each of its causes bears
    what it would lose alone, w exp(L) (1 - exp(-l)), scaled so that together they bear what the
    frame lost.

    Parameters
    ----------
    diagnoses : sequence of FrameDiagnosis
    scores : sequence of FrameScore
        Of the same frames in the same order.

    Returns
    -------
    dict
        From code to worth, in the unit of `worth_s`.
    """
    lost: dict[str, list[float]] = {}
    for diagnosis, score in zip(diagnoses, scores, strict=True):
        alone = {
            one.code: -math.expm1(-one.loss)
            for one in diagnosis.causes
            if math.isfinite(one.loss) and one.loss > 0
        }
        if not alone or not score.worth_s > 0 or not math.isfinite(diagnosis.loss):
            continue
        together = math.fsum(one.loss for one in diagnosis.causes if one.code in alone)
        ordinary = score.worth_s * math.exp(max(diagnosis.loss, together))
        borne = ordinary * -math.expm1(-together) / math.fsum(alone.values())
        for code, part in alone.items():
            lost.setdefault(code, []).append(borne * part)
    sums = {code: math.fsum(parts) for code, parts in lost.items()}
    return dict(sorted(sums.items(), key=lambda pair: (-pair[1], pair[0])))
