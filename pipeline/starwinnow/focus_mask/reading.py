"""What the spikes of a frame taken through a focus mask say, in pixels."""

from dataclasses import dataclass
from typing import Literal

__all__ = ["MaskKind", "MaskReading", "SpikeTriple", "SpikedStar"]

MaskKind = Literal["single", "three-fold"]


@dataclass(frozen=True, slots=True, kw_only=True)
class SpikeTriple:
    """One centre spike and the outer pair that crosses it.

    Attributes
    ----------
    offset_px, offset_err_px : float
        Distance of the centre spike from the crossing of the outer pair, px, positive towards
        `centre_deg` + 90, and its standard error. One frame cannot tell which sign is inside
        focus.
    centre_deg : float
        Direction of the centre spike, from +x towards +y, in [0, 180) degrees.
    outer_deg : tuple of float
        Directions of the outer pair, `centre_deg` plus and minus their angle from it, each in
        [0, 180) degrees.
    lean : float
        Distance from the star's light centre to the centre spike over that to the crossing,
        which tells which way the outer slits lean; NaN where the offset is too small to tell.
    lean_err : float
        Its standard error.
    """

    offset_px: float
    offset_err_px: float
    centre_deg: float
    outer_deg: tuple[float, float]
    lean: float
    lean_err: float


@dataclass(frozen=True, slots=True, kw_only=True)
class SpikedStar:
    """One star seen through the mask.

    Attributes
    ----------
    x_px, y_px : float
        Crossing of the outer pair, or the mean of the three crossings of a three-fold mask, px.
    triples : tuple of SpikeTriple
        One, or three for a three-fold mask.
    spike_snr : float
        Light of the spikes over its error.
    saturated_px : int
        Pixels of the core at the sensor's upper limit.
    """

    x_px: float
    y_px: float
    triples: tuple[SpikeTriple, ...]
    spike_snr: float
    saturated_px: int


@dataclass(frozen=True, slots=True, kw_only=True)
class MaskReading:
    """All masked stars of one frame and their joint answer.

    Attributes
    ----------
    kind : {'single', 'three-fold'} or None
        None when no mask was found.
    stars : tuple of SpikedStar
        Best first; empty where there may be a mask whose spikes cannot be measured.
    offset_px, offset_err_px : float
        Offsets of all stars together (all triples of a three-fold mask), stars near the
        frame's centre counting most; NaN when no mask was found or the offset cannot be told.
    reason : str
        Why there is no answer, in plain words, then what would help after a colon where
        something would; '' when there is one.
    """

    kind: MaskKind | None
    stars: tuple[SpikedStar, ...]
    offset_px: float
    offset_err_px: float
    reason: str
