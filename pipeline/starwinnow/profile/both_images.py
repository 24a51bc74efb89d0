"""A frame doubled by a jolt: its first images alone, and figures of both taken together."""

import dataclasses

import numpy as np
from numpy.typing import NDArray

from starwinnow.compiled import compiled
from starwinnow.doubling import Doubling
from starwinnow.flags import StarFlag
from starwinnow.frame import Pixels
from starwinnow.profile.cutouts import Cutouts
from starwinnow.profile.equations import kernel_shape
from starwinnow.profile.figures import StarFigures
from starwinnow.profile.moffat import fine_image, imaged_figures
from starwinnow.profile.remainders import profile_values
from starwinnow.profile.star_pixels import disc_of, own_pixels
from starwinnow.stars import Stars

__all__ = ["add_second_image", "both_fluxes", "figures_of_both", "first_images_alone"]

# Points a pixel of the images that the figures are read from.
_POINTS = 3
_MIN_RADIUS_PX, _RADIUS_PER_FWHM = 8.0, 3.0
# How well figures of two images agree with rendered ones (tests/worth), beside their own errors.
_ACCURACY = 0.02
_SIGMA_PER_FWHM = 0.424661
# Pixels of stars' images that are made at a time.
_PIXELS_TOGETHER = 500_000


def first_images_alone(
    pixels: Pixels, stars: Stars, figures: StarFigures, doubling: Doubling
) -> NDArray[np.float32]:
    """Take the second images off a frame.

    Parameters
    ----------
    pixels : ndarray, shape (ny, nx)
    stars : Stars
        First images; others are passed over where they are flagged as second ones.
    figures : StarFigures
        Of the first images.
    doubling : Doubling

    Returns
    -------
    ndarray of float32, shape (ny, nx)
        The pixels less each star's profile, `doubling.part` as bright, where its second image
        lies.
    """
    left = pixels.astype(np.float32)
    profile = figures.profile
    shape = np.array(
        [np.log(profile.fwhm_px), profile.stretch1, profile.stretch2, 1 / profile.beta]
    )
    lit = np.flatnonzero((stars.flags & StarFlag.SECOND_IMAGE == 0) & (stars.flux_adu > 0))
    own = np.zeros((len(lit), 4))
    own[:, 0] = doubling.part * stars.flux_adu[lit] / figures.flux_per_peak
    own[:, 1], own[:, 2] = stars.x_px[lit] + doubling.x_px, stars.y_px[lit] + doubling.y_px
    disc = disc_of(profile.radius_px)
    half = int(disc.max())
    together = max(1, _PIXELS_TOGETHER // (2 * half + 1) ** 2)
    for start in range(0, len(own), together):
        part = own[start : start + together]
        pixel = own_pixels(part)
        dark = np.zeros((len(part), 2 * half + 1, 2 * half + 1), np.float32)
        nothing = Cutouts(light_adu=dark, corner_px=pixel - half)
        images = part[:, :1] * profile_values(nothing, part, kernel_shape(shape), disc)
        _take_off(left, images, pixel, disc)
    return left


@compiled
def _take_off(pixels, images, own_pixels, disc):
    ny, nx = pixels.shape
    for k in range(len(images)):
        for i in range(disc.shape[1]):
            x, y = own_pixels[k, 0] + disc[0, i], own_pixels[k, 1] + disc[1, i]
            if 0 <= x < nx and 0 <= y < ny:
                pixels[y, x] -= images[k, i]


def both_fluxes(stars: Stars, doubling: Doubling) -> Stars:
    """Give each star the light of both of its images; its place stays that of the first."""
    whole = 1 + doubling.part
    return dataclasses.replace(
        stars, flux_adu=whole * stars.flux_adu, flux_err_adu=whole * stars.flux_err_adu
    )


def figures_of_both(figures: StarFigures, doubling: Doubling) -> StarFigures:
    """Figures of a star and its second image taken together.

    Size, HFR and noise-equivalent area are read from a noiseless image of both, each times what
    the frame's own first images have over their profile. The axis ratio is that of the second
    moments: two images S apart with parts f and 1 - f add the variance f (1 - f) S^2 along the
    line between them (parallel axis theorem).

    Parameters
    ----------
    figures : StarFigures
        Of the first images alone.
    doubling : Doubling
        Where the second ones lie.

    Returns
    -------
    StarFigures
        With the second image in its profile, and `flux_per_peak` still for the first alone.
    """
    profile = dataclasses.replace(
        figures.profile,
        second_part=doubling.part,
        second_x_px=doubling.x_px,
        second_y_px=doubling.y_px,
    )
    one = imaged_figures(profile.fwhm_px, profile.stretch1, profile.stretch2, 1 / profile.beta)
    distance = float(np.hypot(doubling.x_px, doubling.y_px))
    half_px = float(np.ceil(one.radius_px + 1.5 * distance))
    first = fine_image(profile, half_px, _POINTS)
    second = fine_image(profile, half_px, _POINTS, doubling.x_px, doubling.y_px)
    both = (first + doubling.part * second) / (1 + doubling.part)
    fwhm = figures.fwhm_px * _width(both) / _width(first)
    radius = max(_MIN_RADIUS_PX, _RADIUS_PER_FWHM * fwhm)
    hfr = figures.hfr_px * _half_flux_radius(both, radius) / one.hfr_px
    nea = figures.nea_px * float(np.sum(first**2) / np.sum(both**2))
    ratio, trail, trail_err = _shape(figures, doubling)
    return dataclasses.replace(
        figures,
        fwhm_px=fwhm,
        fwhm_err_px=fwhm * _relative_error(figures.fwhm_err_px, figures.fwhm_px),
        hfr_px=hfr,
        hfr_err_px=hfr * _relative_error(figures.hfr_err_px, figures.hfr_px),
        axis_ratio=ratio,
        axis_ratio_err=ratio * _relative_error(figures.axis_ratio_err, figures.axis_ratio),
        trail_deg=trail,
        trail_err_deg=trail_err,
        nea_px=nea,
        nea_err_px=nea * _relative_error(figures.nea_err_px, figures.nea_px),
        profile=profile,
    )


def add_second_image(image: NDArray[np.float32], doubling: Doubling) -> NDArray[np.float32]:
    """Average star with its second image, unit flux together; `image` has shape (33, 33).

    The copy is moved by the shift theorem.
    """
    fy, fx = np.fft.fftfreq(len(image))[:, np.newaxis], np.fft.fftfreq(len(image))
    turn = np.exp(-2j * np.pi * (fx * doubling.x_px + fy * doubling.y_px))
    moved = np.fft.ifft2(np.fft.fft2(image) * turn).real
    return ((image + doubling.part * moved) / (1 + doubling.part)).astype(np.float32)


def _relative_error(error: float, value: float) -> float:
    return float(np.hypot(error / value, _ACCURACY))


def _width(image: NDArray[np.float64]) -> float:
    """2 sqrt(A / pi) with A the area above half of the maximum, px.

    The pixels on its edge count by how far they rise above it, which joins steps into a curve.
    """
    half = 0.5 * float(image.max())
    slope = np.hypot(*np.gradient(image))
    area = np.clip((image - half) / np.maximum(slope, 1e-12) + 0.5, 0.0, 1.0).sum()
    return 2 * float(np.sqrt(area / np.pi)) / _POINTS


def _half_flux_radius(image: NDArray[np.float64], radius_px: float) -> float:
    """Radius about the centroid with half of the light inside R, px."""
    axis = (np.arange(len(image)) - len(image) // 2) / _POINTS
    total = float(image.sum())
    x0, y0 = float(image.sum(axis=0) @ axis) / total, float(image.sum(axis=1) @ axis) / total
    distance = np.hypot(axis[np.newaxis] - x0, axis[:, np.newaxis] - y0).ravel()
    order = np.argsort(distance)
    growth = np.cumsum(image.ravel()[order])
    inside = np.interp(radius_px, distance[order], growth)
    return float(np.interp(0.5 * inside, growth, distance[order]))


def _shape(figures: StarFigures, doubling: Doubling) -> tuple[float, float, float]:
    """Axis ratio of the second moments of both images, trail angle and its error, degrees."""
    variance = (_SIGMA_PER_FWHM * figures.fwhm_px) ** 2
    double = np.radians(2 * figures.trail_deg)
    stretch = -np.log(figures.axis_ratio)
    plus = variance * np.cosh(stretch) * np.eye(2)
    cross = np.array([[np.cos(double), np.sin(double)], [np.sin(double), -np.cos(double)]])
    part = 1 / (1 + doubling.part)
    vector = np.array([doubling.x_px, doubling.y_px])
    moments = (
        plus + variance * np.sinh(stretch) * cross + part * (1 - part) * np.outer(vector, vector)
    )
    values, vectors = np.linalg.eigh(moments)
    angle = float(np.degrees(np.arctan2(vectors[1, 1], vectors[0, 1])) % 180.0)
    # Two images' places are known far better than one star's shape.
    return float(np.sqrt(values[0] / values[1])), angle, min(figures.trail_err_deg, 1.0)
