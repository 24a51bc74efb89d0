"""The optics behind a spike offset: um of focuser travel a pixel, and the tolerance of focus.

Out of focus by delta, the light of each part of the aperture is centred on -c delta / f, c being
the centroid of that part, and its spike runs through that point. From that and the mask's layout
follows where the centre spike lies against the crossing of the outer pair.
"""

import math
from dataclasses import dataclass, replace

from starwinnow.focus_mask.reading import MaskKind
from starwinnow.frame import Capture
from starwinnow.rig import Chevron, Rig

__all__ = ["WAVELENGTH_UM", "Optics", "completed", "lean_of", "optics_of", "um_per_px"]

# Green, where the eye and most sensors see best (common practice, no source).
WAVELENGTH_UM = 0.55


@dataclass(frozen=True, slots=True, kw_only=True)
class Optics:
    """What is known of telescope and sensor; None where neither header nor rig file tells.

    Attributes
    ----------
    focal_length_mm, aperture_mm : float or None
        Telescope, mm.
    pixel_um : float or None
        Pixel of the file on the sensor, um.
    obstruction : float
        Diameter of the central obstruction over that of the aperture; 0 unless the rig file
        states one.
    """

    focal_length_mm: float | None
    aperture_mm: float | None
    pixel_um: float | None
    obstruction: float = 0.0

    @property
    def focal_ratio(self) -> float:
        """Focal length over aperture; NaN where one is not known."""
        if self.focal_length_mm is None or self.aperture_mm is None:
            return math.nan
        return self.focal_length_mm / self.aperture_mm

    @property
    def tolerance_um(self) -> float:
        """Focuser travel either way that keeps the wavefront within a quarter wave, um.

        Rayleigh's limit, 2 lambda N^2, N the focal ratio (formula from memory); NaN where the
        focal ratio is not known.
        """
        return 2 * WAVELENGTH_UM * self.focal_ratio**2

    @property
    def missing(self) -> tuple[str, ...]:
        """What must be known for a tolerance in pixels, in plain words."""
        values = (self.focal_length_mm, self.aperture_mm, self.pixel_um)
        names = ("focal length", "aperture", "pixel size")
        return tuple(name for name, value in zip(names, values, strict=True) if value is None)


def completed(capture: Capture, rig: Rig) -> Capture:
    """Fill what the header lacks of telescope and pixel from the rig file.

    The rig file's pixel is that of the sensor: it is multiplied by the frame's binning.
    """
    pixel_um = capture.pixel_um
    if pixel_um is None and rig.pixel_um is not None:
        pixel_um = rig.pixel_um * (capture.binning_x or 1)
    return replace(
        capture,
        focal_length_mm=capture.focal_length_mm or rig.focal_length_mm,
        aperture_mm=capture.aperture_mm or rig.aperture_mm,
        pixel_um=pixel_um,
    )


def optics_of(capture: Capture, rig: Rig) -> Optics:
    """Take each figure from the frame's header, else from the rig file."""
    known = completed(capture, rig)
    return Optics(
        focal_length_mm=known.focal_length_mm,
        aperture_mm=known.aperture_mm,
        pixel_um=known.pixel_um,
        obstruction=rig.obstruction or 0.0,
    )


def um_per_px(optics: Optics, kind: MaskKind, outer_angle_deg: float, chevron: Chevron) -> float:
    """Focuser travel that moves the centre spike by one pixel, um.

    Parameters
    ----------
    optics : Optics
    kind : {'single', 'three-fold'}
        Layout of the mask.
    outer_angle_deg : float
        Angle of the outer spikes from the centre spike, degrees.
    chevron : {'+', '-'}
        Which way the outer slits lean.

    Returns
    -------
    float
        NaN where the focal ratio or the pixel is not known.

    Notes
    -----
    For a single mask d = delta / (p N) * 2 / (3 pi) * (2 +- tan phi) * kappa, with kappa =
    (1 - eps^3) / (1 - eps^2) for the centroid of a disc's part without its middle. Holds for
    the centroids of the light; beyond some 300 um at f/6 fitted spikes read 3 to 6 % low.
    """
    if optics.pixel_um is None:
        return math.nan
    to_spike, to_crossing = _arms(kind, outer_angle_deg, chevron)
    eps = optics.obstruction
    kappa = (1 - eps**3) / (1 - eps**2)
    return optics.pixel_um * optics.focal_ratio / ((to_spike + to_crossing) * kappa)


def lean_of(kind: MaskKind, outer_angle_deg: float, chevron: Chevron) -> float:
    """Distance of the star's light centre from the centre spike over that from the crossing."""
    to_spike, to_crossing = _arms(kind, outer_angle_deg, chevron)
    return to_spike / to_crossing


def _arms(kind: MaskKind, outer_angle_deg: float, chevron: Chevron) -> tuple[float, float]:
    """Distances of centre spike and crossing from the light's centre, on opposite sides of it.

    In units of delta D / f. The centroid of a half or a quarter of a disc is 2 D / (3 pi) from
    its straight edges; that of a sector of half angle b is (D / 3) sin(b) / b from the middle.
    """
    slope = math.tan(math.radians(outer_angle_deg)) * (1 if chevron == "+" else -1)
    if kind == "single":
        arm = 2 / (3 * math.pi)
        return arm, arm * (1 + slope)
    # Straight slits in sectors of 60 degrees, turned ones in the two halves of those opposite.
    to_spike = _sector_arm(math.pi / 6)
    half_sector = math.pi / 12
    to_crossing = _sector_arm(half_sector) * (math.cos(half_sector) + math.sin(half_sector) * slope)
    return to_spike, to_crossing


def _sector_arm(half_angle: float) -> float:
    return math.sin(half_angle) / half_angle / 3
