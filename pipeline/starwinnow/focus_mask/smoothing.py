"""Images smoothed, by a library that is loaded only where a mask is looked for."""

from typing import Any

from numpy.typing import NDArray

__all__ = ["smoothed"]


def smoothed(light: NDArray[Any], sigma_px: float, *, truncate: float = 4.0) -> NDArray[Any]:
    """Convolve an image with a round Gaussian, cut off at so many sigmas."""
    # It takes a fifth of a second to load, and most nights hold no frame through a mask.
    from scipy.ndimage import gaussian_filter  # noqa: PLC0415

    smooth: NDArray[Any] = gaussian_filter(light, sigma_px, truncate=truncate)
    return smooth
