"""What a frame's average star says about why it is large: which frames are asked, and how."""

from collections.abc import Sequence
from hashlib import blake2b

import numpy as np
from numpy.typing import NDArray

from starwinnow.diagnosis.evidence import Evidence
from starwinnow.diagnosis.kernels import optics_of
from starwinnow.diagnosis.shape_fit import FitCache, ShapeFit
from starwinnow.diagnosis.standard import FEWEST_ORDINARY, Standard, standard_of
from starwinnow.diagnosis.stretch import ASKED_STRETCH, stretch_of, usual_stretch
from starwinnow.diagnosis.workshop import Workshop, expected_halo
from starwinnow.flags import FrameFlag
from starwinnow.frame_measures import FrameMeasures

__all__ = ["StarFitter", "fit_shapes", "is_asked", "shows_star", "usual_stretch_of"]

Table = NDArray[np.float64]


# A frame's star is asked for its shape when it is this much larger, in ln of its area, when it is
# less round than the ordinary one, or when light is lost that may lie in a halo.
_ASKED_SIZE = 0.03
_ASKED_LIGHT = 0.03


def fit_shapes(
    evidence: Evidence, cache: FitCache, *, only: int | None = None
) -> dict[int, ShapeFit]:
    """Fit the average stars of the frames that are not as ordinary ones.

    Parameters
    ----------
    evidence : Evidence
    cache : dict
        Fits known from earlier calls; new ones are added.
    only : int, optional
        The one row wanted; all by default.

    Returns
    -------
    dict of int to ShapeFit
        By row of the evidence. Empty where the run has too few ordinary frames; frames whose
        stars are discs or doubled are left out, as their figures say enough.
    """
    fitter = StarFitter.of(standard_of(evidence), cache)
    if fitter is None:
        return {}
    asked = [row for row in _asked_rows(evidence) if only in {None, row}]
    fits = fitter.fit([evidence.frames[row] for row in asked], evidence.light[asked])
    return dict(zip(asked, fits, strict=True))


class StarFitter:
    """Fits average stars by the run's ordinary one.

    Parameters
    ----------
    standard : Standard
        Frames with ordinary stars.
    cache : dict
        Fits known from earlier calls; new ones are added.
    """

    def __init__(self, standard: Standard, cache: FitCache) -> None:
        self._standard = standard
        self._digest = _digest(standard.frames, standard.wander)
        self._cache = cache
        self._workshop: Workshop | None = None

    @classmethod
    def of(cls, standard: Standard, cache: FitCache) -> "StarFitter | None":
        """Fit by these frames; None where too few of them show a star."""
        shown = [frame for frame in standard.frames if shows_star(frame)]
        if len(shown) < FEWEST_ORDINARY:
            return None
        return cls(Standard(frames=shown, wander=standard.wander), cache)

    def fit(self, frames: Sequence[FrameMeasures], light: Table) -> list[ShapeFit]:
        """Fit frames that show a star, or recall how they fit.

        Parameters
        ----------
        frames : sequence of FrameMeasures
        light : ndarray of float64, shape (n,)
            ln of their light less the ordinary one.
        """
        halos = expected_halo(light)
        pairs = zip(frames, halos, strict=True)
        keys = [self._digest + _digest([frame], float(halo)) for frame, halo in pairs]
        for place, key in enumerate(keys):
            if key in self._cache:
                continue
            if self._workshop is None:
                self._workshop = Workshop(self._standard)
            # One by one: sums over several frames at once are rounded otherwise, and a fit made
            # while the night ran must equal one made after it to the last digit.
            one = slice(place, place + 1)
            [self._cache[key]] = self._workshop.fit(frames[one], halos[one])
        return [self._cache[key] for key in keys]


def _digest(frames: Sequence[FrameMeasures], number: float) -> bytes:
    """Differs for frames whose stars, or optics, differ, and for other numbers."""
    digest = blake2b(repr(number).encode(), digest_size=16)
    for one in frames:
        digest.update(one.average_star.tobytes() + one.average_star_err.tobytes())
        digest.update(repr((one.fwhm_px, one.profile, optics_of(one.capture))).encode())
    return digest.digest()


def _asked_rows(evidence: Evidence) -> list[int]:
    usual = usual_stretch_of(evidence)
    pairs = zip(evidence.frames, evidence.size, evidence.light, strict=True)
    return [
        row
        for row, (frame, size, light) in enumerate(pairs)
        if is_asked(frame, float(size), float(light), usual) and shows_star(frame)
    ]


def is_asked(
    frame: FrameMeasures, size: float, light: float, usual: Table, *, part: float = 1.0
) -> bool:
    """Whether a frame's star is out of the ordinary, so that its shape is to be told.

    Parameters
    ----------
    frame : FrameMeasures
        Its picture of the star is not needed.
    size, light : float
        ln of the star's area and of the light, less the ordinary ones.
    usual : ndarray of float64, shape (2,)
        Ordinary stretch.
    part : float
        Of the usual limits; below 1 it is asked earlier.
    """
    if frame.flags & (FrameFlag.DISCS | FrameFlag.DOUBLED):
        return False
    drawn = float(np.hypot(*(stretch_of(frame) - usual))) > part * ASKED_STRETCH
    return size > part * _ASKED_SIZE or drawn or light < -part * _ASKED_LIGHT


def usual_stretch_of(evidence: Evidence) -> Table:
    """Log-stretch vector of the run's ordinary stars, shape (2,)."""
    return usual_stretch([evidence.frames[row] for row in np.flatnonzero(evidence.ordinary)])


def shows_star(frame: FrameMeasures) -> bool:
    """Whether there is an average star to fit."""
    return bool(frame.average_star.size and frame.average_star.max() > 0)
