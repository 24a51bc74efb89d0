"""Stars far out of focus: discs and rings, measured by how their light grows with radius."""

import dataclasses
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from starwinnow.background import Background, level_at
from starwinnow.compiled import compiled, inlined
from starwinnow.flags import StarFlag
from starwinnow.frame import Pixels
from starwinnow.profile.figures import StarFigures
from starwinnow.profile.joint_fit import JointFit
from starwinnow.sources import Sources, lights_nearby
from starwinnow.stars import Stars

__all__ = ["Disc", "centered_on_disc", "disc_of", "figures_of_disc", "sources_of_discs"]

# Seeing alone makes no star of this size flat; smaller discs are drowned by it.
_LEAST_FWHM_PX = 6.0
# The brightest stars tell the disc as well as all.
_MOST_STARS = 40
# Brightness .5 to .7 of the way to the half maximum over that of the innermost .3: .80 for a
# Gaussian, less for what seeing makes, 1 for a disc, more for a ring (from their formulas).
_MIDDLE, _HALFWAY, _FLAT_TOPPED = 0.3, (0.5, 0.7), 0.92
# Two images of a jolted frame that run together, or a trail, are flat-topped too, but not round;
# a disc drawn out by half its diameter still has an axis ratio of .87 (second moments).
_ROUND = 0.7
# R for discs and rings in outer radii.
_RADIUS_PER_OUTER = 1.5
_MIN_RADIUS_PX = 8.0
# Light is centred within this part of the fitted FWHM, which is at least a disc's diameter.
_CENTERING_PART = 0.7
_CENTERINGS = 4
# HFR of small discs differs by up to this from its truth (tests/truth): rings are 1 px wide.
_ACCURACY = 0.005
# Objects whose light has its centre within this part of an outer radius are one disc.
_ONE_DISC = 0.5


@dataclass(frozen=True, slots=True, kw_only=True)
class Disc:
    """Light of a frame's flat-topped stars by radius.

    Attributes
    ----------
    outer_px : float
        Radius where the edge has fallen to half of the brightest ring, px.
    radius_px : float
        Measuring radius R = max(8 px, 1.5 times the outer radius).
    hfr_px, hfr_err_px : float
        Radius about the centroid with half of the light inside R, px.
    """

    outer_px: float
    radius_px: float
    hfr_px: float
    hfr_err_px: float


def disc_of(
    pixels: Pixels, background: Background, sources: Sources, fit: JointFit, fwhm_px: float
) -> Disc | None:
    """Measure the stars' light by radius if they are flat-topped.

    Parameters
    ----------
    pixels : ndarray, shape (ny, nx)
    background : Background
    sources : Sources
    fit : JointFit
    fwhm_px : float
        Of the profile that fits best, however poorly.

    Returns
    -------
    Disc or None
        None for stars that are brightest in their middle, not round, or too small to tell.
    """
    if fwhm_px < _LEAST_FWHM_PX or np.exp(-np.hypot(*fit.shape[1:3])) < _ROUND:
        return None
    chosen = np.flatnonzero(fit.used)[:_MOST_STARS]
    peak = fit.own[chosen, 0]
    lights = lights_nearby(sources, background, 2 * fwhm_px, fit.index[chosen])
    places = _centered(pixels, background, fit.own[chosen, 1:3], fwhm_px)
    rings = int(np.ceil(1.5 * fwhm_px + _MIN_RADIUS_PX))
    light, area = _ring_sums(
        pixels, background.mesh_adu, background.cells_per_px, places, lights, rings
    )
    whole = np.pi * (2 * np.arange(rings) + 1)
    # Of each ring other objects leave a part; the stars' seen parts together stand for it.
    norm = np.maximum(np.sum(peak[:, np.newaxis] ** 2 * area, axis=0), 1e-12)
    share = peak[:, np.newaxis] * light * whole / norm
    profile = share.sum(axis=0)
    if not profile.max() > 0:
        # All lie in the light of others, as pieces of a coma do.
        return None
    outer = _outer_radius(profile / whole)
    radius = max(_MIN_RADIUS_PX, _RADIUS_PER_OUTER * outer)
    halfway = _between(profile, *(outer * np.array(_HALFWAY)))
    flat = halfway > _FLAT_TOPPED * _between(profile, 0.0, _MIDDLE * outer)
    if not flat or not _growth_at(profile, radius) > 0:
        return None
    hfr = _half_flux_radius(profile, radius)
    return Disc(
        outer_px=outer,
        radius_px=radius,
        hfr_px=hfr,
        hfr_err_px=_hfr_error(background, share, profile, hfr, radius, peak),
    )


def sources_of_discs(
    pixels: Pixels, background: Background, sources: Sources, disc: Disc
) -> Sources:
    """Place objects at the centres of their discs, each disc once.

    A ring stands out of the noise best somewhere on its rim, and a fit that starts there does
    not find the middle.

    Parameters
    ----------
    pixels : ndarray, shape (ny, nx)
    background : Background
    sources : Sources
    disc : Disc

    Returns
    -------
    Sources
        Of several at one place the most significant.
    """
    places = np.stack([sources.x_px, sources.y_px], axis=1)
    places = _centered(pixels, background, places, 2 * disc.outer_px)
    apart = np.hypot(*np.moveaxis(places[:, np.newaxis] - places, -1, 0))
    again = np.tril(apart < _ONE_DISC * disc.outer_px, k=-1).any(axis=1)
    columns = {
        field.name: getattr(sources, field.name)[~again] for field in dataclasses.fields(sources)
    }
    # Sizes seen from a rim say nothing; the fit tells what is no star.
    flags = sources.flags[~again] & ~np.int32(StarFlag.NOT_A_STAR)
    columns |= {"x_px": places[~again, 0], "y_px": places[~again, 1], "flags": flags}
    return Sources(**columns)


def figures_of_disc(figures: StarFigures, disc: Disc) -> StarFigures:
    """Figures of a disc: its HFR; no FWHM, which means nothing for a flat top or a hollow one."""
    nan = float("nan")
    return dataclasses.replace(
        figures, fwhm_px=nan, fwhm_err_px=nan, hfr_px=disc.hfr_px, hfr_err_px=disc.hfr_err_px
    )


def centered_on_disc(
    pixels: Pixels, background: Background, stars: Stars, figures: StarFigures, disc: Disc
) -> Stars:
    """Place stars at the centres of their discs, not on a rim; sizes star by star are dropped.

    Parameters
    ----------
    pixels : ndarray, shape (ny, nx)
    background : Background
    stars : Stars
    figures : StarFigures
        Of the frame as a disc's.
    disc : Disc

    Returns
    -------
    Stars
        Each star's HFR is the frame's.
    """
    places = _centered(
        pixels, background, np.stack([stars.x_px, stars.y_px], axis=1), 2 * disc.outer_px
    )
    # The mean of light spread evenly over a disc is sqrt(2) outer radii / 2 over the S/N off.
    with np.errstate(divide="ignore"):
        error = disc.outer_px / np.sqrt(2) / stars.snr
    fitted = np.isfinite(stars.fwhm_px)
    nan = np.full(len(stars), np.nan)
    return dataclasses.replace(
        stars,
        x_px=places[:, 0],
        y_px=places[:, 1],
        x_err_px=error,
        y_err_px=error,
        fwhm_px=nan,
        fwhm_err_px=nan,
        hfr_px=np.where(fitted, figures.hfr_px, np.nan),
        hfr_err_px=np.where(fitted, figures.hfr_err_px, np.nan),
    )


def _centered(
    pixels: Pixels, background: Background, places: NDArray[np.float64], diameter_px: float
) -> NDArray[np.float64]:
    """Centres of light within a little more than the discs, shape (n, 2)."""
    moved = places.copy()
    _center_of_light(
        pixels, background.mesh_adu, background.cells_per_px, moved, _CENTERING_PART * diameter_px,
        _CENTERINGS,
    )  # fmt: skip
    return moved


def _growth_at(profile: NDArray[np.float64], radius_px: float) -> float:
    """Light inside a radius from that of rings 1 px wide, evenly spread over each ring."""
    growth = np.concatenate(([0.0], np.cumsum(profile)))
    squares = np.arange(len(growth)) ** 2.0
    return float(np.interp(radius_px**2, squares, growth))


def _between(profile: NDArray[np.float64], inner_px: float, outer_px: float) -> float:
    """Mean brightness between two radii."""
    light = _growth_at(profile, outer_px) - _growth_at(profile, inner_px)
    return light / (np.pi * (outer_px**2 - inner_px**2))


def _outer_radius(brightness: NDArray[np.float64]) -> float:
    """Where the brightness of rings 1 px wide last falls through half of its highest value, px."""
    excess = np.append(brightness - 0.5 * brightness.max(), -np.inf)
    last = int(np.flatnonzero(excess > 0)[-1])
    return last + 0.5 + float(1 / (1 - excess[last + 1] / excess[last]))


def _half_flux_radius(profile: NDArray[np.float64], radius_px: float) -> float:
    growth = np.concatenate(([0.0], np.cumsum(profile)))
    half = 0.5 * _growth_at(profile, radius_px)
    first = int(np.argmax(growth >= half))
    below, above = growth[first - 1], growth[first]
    part = (half - below) / (above - below)
    return float(np.sqrt((first - 1) ** 2 + part * (first**2 - (first - 1) ** 2)))


def _hfr_error(
    background: Background,
    share: NDArray[np.float64],
    profile: NDArray[np.float64],
    hfr_px: float,
    radius_px: float,
    peak: NDArray[np.float64],
) -> float:
    """Error from how far each star pulls the HFR, the background's level, and the rings' width."""
    slope = (_growth_at(profile, hfr_px + 0.5) - _growth_at(profile, hfr_px - 0.5)) or np.nan
    excess = np.array([_growth_at(s, hfr_px) - 0.5 * _growth_at(s, radius_px) for s in share])
    weight = peak**2 / np.sum(peak**2)
    pull = (excess - weight * excess.sum()) / slope
    scatter = np.sqrt(np.sum(pull**2) * len(pull) / max(len(pull) - 1, 1))
    area = np.pi * (hfr_px**2 - 0.5 * radius_px**2)
    level = area * background.level_err_adu * np.sum(peak) / np.sum(peak**2) / slope
    return float(np.hypot(np.hypot(scatter, level), _ACCURACY * hfr_px))


@compiled
def _center_of_light(pixels, mesh, cells_per_px, places, radius, steps):
    ny, nx = pixels.shape
    for k in range(len(places)):
        x0, y0 = places[k]
        if np.isnan(x0) or np.isnan(y0):
            continue
        for _ in range(steps):
            total, mx, my = 0.0, 0.0, 0.0
            base = level_at(mesh, cells_per_px[0], cells_per_px[1], y0, x0)
            for y in range(max(int(y0 - radius), 0), min(int(y0 + radius) + 2, ny)):
                for x in range(max(int(x0 - radius), 0), min(int(x0 + radius) + 2, nx)):
                    dx, dy = x - x0, y - y0
                    inside = min(max(radius + 0.5 - np.sqrt(dx * dx + dy * dy), 0.0), 1.0)
                    value = (pixels[y, x] - base) * inside
                    if not np.isnan(value):
                        total += value
                        mx += value * dx
                        my += value * dy
            if not total > 0 or abs(mx) + abs(my) > radius * total:
                break
            x0 += mx / total
            y0 += my / total
        if abs(x0 - places[k, 0]) + abs(y0 - places[k, 1]) < radius:
            places[k, 0], places[k, 1] = x0, y0


@compiled
def _ring_sums(pixels, mesh, cells_per_px, places, lights, rings):
    """Light and seen area of rings 1 px wide about each place, shapes (n, rings)."""
    ny, nx = pixels.shape
    light, area = np.zeros((len(places), rings)), np.zeros((len(places), rings))
    for k in range(len(places)):
        x0, y0 = places[k]
        for y in range(max(int(y0) - rings, 0), min(int(y0) + rings + 2, ny)):
            for x in range(max(int(x0) - rings, 0), min(int(x0) + rings + 2, nx)):
                distance2 = (x - x0) ** 2 + (y - y0) ** 2
                distance = np.sqrt(distance2)
                if distance >= rings + 0.5 or _in_light_of_another(lights, k, x, y, distance2):
                    continue
                base = level_at(mesh, cells_per_px[0], cells_per_px[1], float(y), float(x))
                value = pixels[y, x] - base
                if np.isnan(value):
                    continue
                # A pixel is shared between the two rings it reaches into.
                outer = int(distance + 0.5)
                part = min(max(distance + 0.5 - outer, 0.0), 1.0)
                if outer < rings:
                    light[k, outer] += part * value
                    area[k, outer] += part
                if outer >= 1:
                    light[k, outer - 1] += (1.0 - part) * value
                    area[k, outer - 1] += 1.0 - part
    return light, area


@inlined
def _in_light_of_another(others, k, x, y, own_distance2):
    """Whether a pixel is nearer to another object or lies where that one's light shows."""
    for m in range(others.shape[1]):
        if np.isnan(others[k, m, 0]):
            return False
        distance2 = (x - others[k, m, 0]) ** 2 + (y - others[k, m, 1]) ** 2
        if distance2 < max(own_distance2, others[k, m, 2] ** 2):
            return True
    return False
