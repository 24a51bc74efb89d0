"""Why frames are bad: causes with their evidence, and episodes of a night that went wrong.

A star's image is taken for the run's ordinary star, convolved with what spoiled it.
"""

from starwinnow.diagnosis.causes import Cause, Episode, FrameDiagnosis, RunDiagnosis
from starwinnow.diagnosis.diagnose import diagnose_frame, diagnose_run
from starwinnow.diagnosis.evidence import gather
from starwinnow.diagnosis.shape_fit import FitCache
from starwinnow.diagnosis.shapes import StarFitter, is_asked, usual_stretch_of
from starwinnow.diagnosis.standard import Standard, standard_of
from starwinnow.diagnosis.wording import cause_words
from starwinnow.diagnosis.worth_lost import worth_lost

__all__ = [
    "Cause",
    "Episode",
    "FitCache",
    "FrameDiagnosis",
    "RunDiagnosis",
    "Standard",
    "StarFitter",
    "cause_words",
    "diagnose_frame",
    "diagnose_run",
    "gather",
    "is_asked",
    "standard_of",
    "usual_stretch_of",
    "worth_lost",
]
