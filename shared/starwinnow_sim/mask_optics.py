"""Star images by Fourier optics: the aperture's diffraction, out of focus, in a band of light."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import fft

from starwinnow_sim.mask_pupil import Aperture

__all__ = ["DiffractedStar", "Light", "diffracted_star"]

FloatImage = NDArray[np.float64]

# The image is computed on a grid at least this much finer than the finest detail, lambda N.
_POINTS_PER_DETAIL = 2.1


@dataclass(frozen=True, slots=True, kw_only=True)
class Light:
    """What the star's light goes through.

    Attributes
    ----------
    shortest_um, longest_um : float
        Band, evenly filled.
    colours : int
        Wavelengths that stand for it.
    defocus_um : float
        Focuser travel from focus; positive moves the centre spike towards `centre_deg` + 90.
    seeing_px : float
        FWHM of the seeing, px.
    pixel_um : float
        Pixel of the sensor, um.
    """

    shortest_um: float = 0.42
    longest_um: float = 0.68
    colours: int = 16
    defocus_um: float = 0.0
    seeing_px: float = 1.5
    pixel_um: float = 3.76


@dataclass(frozen=True, slots=True, kw_only=True)
class DiffractedStar:
    """A star's image on a grid finer than the pixels, summed over one pixel at each point.

    Attributes
    ----------
    fine : ndarray, shape (n, n)
        Light a pixel centred there would collect; the star is at index (n // 2, n // 2).
    points : int
        Grid points a pixel.
    """

    fine: FloatImage
    points: int

    def stamp(self, dx_px: float, dy_px: float, half_px: int) -> FloatImage:
        """Image of a star at (dx, dy) from the middle pixel, shape (2 half + 1, 2 half + 1).

        Its place is rounded to the fine grid; see `rounded`.
        """
        middle = len(self.fine) // 2
        steps = np.arange(-half_px, half_px + 1) * self.points + middle
        rows = steps - round(dy_px * self.points)
        columns = steps - round(dx_px * self.points)
        return self.fine[np.ix_(rows, columns)]

    def rounded(self, place_px: float) -> float:
        """Nearest place that the fine grid can show, px."""
        return round(place_px * self.points) / self.points

    @property
    def largest_half_px(self) -> int:
        """Half the side of the largest stamp, px."""
        return len(self.fine) // 2 // self.points - 2


def diffracted_star(aperture: Aperture, light: Light, half_px: int = 80) -> DiffractedStar:
    """Image of one star with unit total light.

    Fraunhofer diffraction: the field is the Fourier transform of the aperture with the defocus
    phase -pi delta r^2 / (lambda f^2); intensities of the band's wavelengths are added, then
    convolved with long-exposure seeing, exp(-3.44 (w u / 0.976)^(5/3)) with w its FWHM (Fried
    1966, JOSA 56, 1372), and with one whole pixel.
    """
    detail_px = light.shortest_um * aperture.focal_ratio / light.pixel_um
    points = max(2, int(np.ceil(_POINTS_PER_DETAIL / detail_px)))
    size = int(fft.next_fast_len(2 * (half_px + 4) * points))
    size += size % 2
    edges = np.linspace(light.shortest_um, light.longest_um, light.colours + 1)
    total = np.zeros((size, size))
    for wavelength_um in (edges[1:] + edges[:-1]) / 2:
        total += _intensity(aperture, light, wavelength_um, size, points)
    cycles = fft.fftfreq(size, 1 / points)
    radial = np.hypot(cycles[: size // 2 + 1], cycles[:, None])
    transfer = np.exp(-3.44 * (light.seeing_px * radial / 0.976) ** (5 / 3))
    transfer *= np.sinc(cycles[: size // 2 + 1]) * np.sinc(cycles[:, None])
    fine = fft.irfft2(fft.rfft2(total) * transfer, s=(size, size))
    # Each grid point holds the light of a whole pixel: points^2 of the grid's own cells.
    fine *= points**2 / light.colours
    return DiffractedStar(fine=np.maximum(fine, 0), points=points)


def _intensity(
    aperture: Aperture, light: Light, wavelength_um: float, size: int, points: int
) -> FloatImage:
    """Monochromatic image, its light normalised to 1, star at (size // 2, size // 2)."""
    # A transform of `size` points whose image step is one fine grid step has this pupil step.
    f_um = 1000 * aperture.focal_length_mm
    step_mm = wavelength_um * f_um / (size * light.pixel_um / points) / 1000
    reach = min(size // 2 - 1, int(np.ceil(aperture.aperture_mm / 2 / step_mm)) + 1)
    axis_mm = np.arange(-reach, reach + 1) * step_mm
    x_grid, y_grid = np.meshgrid(axis_mm, axis_mm)
    open_part = aperture.transmission(x_grid, y_grid, step_mm)
    phase = -np.pi * light.defocus_um * 1e6 * (x_grid**2 + y_grid**2) / (wavelength_um * f_um**2)
    pupil = np.zeros((size, size), np.complex64)
    middle = size // 2
    window = slice(middle - reach, middle + reach + 1)
    pupil[window, window] = open_part * np.exp(1j * phase)
    # A pupil shifted by half the grid multiplies the image by signs, lost in its intensity.
    field = fft.fftshift(fft.fft2(pupil))
    intensity = np.square(np.abs(field), dtype=np.float64)
    normalised: FloatImage = intensity / intensity.sum()
    return normalised
