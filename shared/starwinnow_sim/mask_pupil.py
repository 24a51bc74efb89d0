"""Apertures of telescopes: obstruction, vanes, and a focus mask's slits."""

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

__all__ = ["Aperture", "FocusMask"]

FloatImage = NDArray[np.float64]

_SINGLE_CENTROID = 2 / (3 * np.pi)


@dataclass(frozen=True, slots=True, kw_only=True)
class FocusMask:
    """A mask of slits in three directions.

    `single`: one half of the aperture carries slits across the dividing line, the other half two
    quarters whose slits are turned by the outer angle, one each way. `three-fold`: six sectors of
    60 degrees, by turns with straight slits and halved into two of turned slits; each straight
    sector and the halved one opposite make a triple.

    Attributes
    ----------
    kind : {'single', 'three-fold'}
        Layout.
    centre_deg : float
        Direction of the (first) centre spike, from +x towards +y. The straight slits' part lies
        on the side of `centre_deg` - 90, so defocus above 0 moves the spike towards + 90.
    outer_deg : float
        Angle of the outer spikes from the centre spike, degrees.
    chevron : {1, -1}
        Which way the outer slits lean: 1 puts the crossing on the far side of the star's centre,
        further from the centre spike.
    slit_period_mm : float
        From one slit to the next; half of it is open.
    """

    kind: Literal["single", "three-fold"] = "single"
    centre_deg: float = 0.0
    outer_deg: float = 20.0
    chevron: int = 1
    slit_period_mm: float = 3.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Aperture:
    """Entrance of a telescope.

    Attributes
    ----------
    focal_length_mm, aperture_mm : float
        Telescope, mm.
    obstruction : float
        Diameter of the secondary mirror over the aperture.
    vanes : int
        Struts that hold it, evenly spread.
    vane_mm, vane_deg : float
        Their width, and the direction of the first.
    mask : FocusMask or None
        In front of the aperture.
    """

    focal_length_mm: float = 480.0
    aperture_mm: float = 80.0
    obstruction: float = 0.0
    vanes: int = 0
    vane_mm: float = 1.0
    vane_deg: float = 20.0
    mask: FocusMask | None = None

    @property
    def focal_ratio(self) -> float:
        """Focal length over aperture."""
        return self.focal_length_mm / self.aperture_mm

    def offset_um(self, defocus_um: float) -> float:
        """Distance on the sensor of the centre spike from the crossing, by ray optics, um.

        Each spike's light is centred on -c defocus / f, c being the centroid of its part of the
        aperture: 2 D / (3 pi) from the dividing lines for halves and quarters of a disc. Cutting
        out the obstruction moves centroids outward by (1 - eps^3) / (1 - eps^2).
        """
        if self.mask is None:
            raise ValueError("aperture: an offset needs a mask, found none")
        lean = self.mask.chevron * np.tan(np.radians(self.mask.outer_deg))
        if self.mask.kind == "single":
            sum_of_arms = _SINGLE_CENTROID * (2 + lean)
        else:
            # Centroid of a sector of half angle b: (D / 3) sin(b) / b from the centre.
            straight = np.sin(np.pi / 6) / (np.pi / 6) / 3
            halved = np.sin(np.pi / 12) / (np.pi / 12) / 3
            sum_of_arms = straight + halved * (np.cos(np.pi / 12) + np.sin(np.pi / 12) * lean)
        eps = self.obstruction
        return float(defocus_um / self.focal_ratio * sum_of_arms * (1 - eps**3) / (1 - eps**2))

    def transmission(self, x_mm: FloatImage, y_mm: FloatImage, step_mm: float) -> FloatImage:
        """Part of the light let through at points of a grid of `step_mm`, edges softened by it."""
        radius = np.hypot(x_mm, y_mm)
        open_part = _inside(self.aperture_mm / 2 - radius, step_mm)
        if self.obstruction > 0:
            open_part *= _inside(radius - self.obstruction * self.aperture_mm / 2, step_mm)
        for k in range(self.vanes):
            turn = np.radians(self.vane_deg + 360 * k / self.vanes)
            along = x_mm * np.cos(turn) + y_mm * np.sin(turn)
            across = np.abs(y_mm * np.cos(turn) - x_mm * np.sin(turn))
            open_part *= np.where(along > 0, _inside(across - self.vane_mm / 2, step_mm), 1.0)
        if self.mask is not None:
            open_part *= _slits(self.mask, x_mm, y_mm, step_mm)
        return open_part


def _inside(distance_mm: FloatImage, step_mm: float) -> FloatImage:
    """1 inside an edge, 0 outside, linear over one grid step."""
    return np.clip(distance_mm / step_mm + 0.5, 0.0, 1.0)


def _slits(mask: FocusMask, x_mm: FloatImage, y_mm: FloatImage, step_mm: float) -> FloatImage:
    turn = np.radians(mask.centre_deg)
    along = x_mm * np.cos(turn) + y_mm * np.sin(turn)
    across = y_mm * np.cos(turn) - x_mm * np.sin(turn)
    if mask.kind == "single":
        lean = np.sign(along) * (across > 0)
        spike = turn
    else:
        # Sectors are counted from the first straight one, which is centred on across < 0.
        azimuth = np.arctan2(along, -across)
        sector = np.floor((azimuth + np.pi / 6) / (np.pi / 3)).astype(int) % 6
        middle = sector * np.pi / 3
        side = np.sign(np.angle(np.exp(1j * (azimuth - middle))))
        # A halved sector's side, seen from its own triple's dividing line, is mirrored.
        lean = np.where(sector % 2 == 1, -side, 0.0)
        spike = turn + np.where(sector % 2 == 0, middle, middle + np.pi)
    spike = spike - np.radians(mask.outer_deg) * mask.chevron * lean
    period = mask.slit_period_mm
    phase = (x_mm * np.cos(spike) + y_mm * np.sin(spike)) / period % 1.0
    return _inside((0.25 - np.abs(phase - 0.5)) * period, step_mm)
