"""Where the fit of a star's spikes begins, for single and three-fold masks."""

from dataclasses import replace

import numpy as np

from starwinnow.focus_mask.line_layout import THREE_FOLD
from starwinnow.focus_mask.spike_fit import Fit, Pixels, settle, spike_light, thinned
from starwinnow.focus_mask.spike_search import Guess, RingMap, find_guesses, folded

__all__ = ["start_single", "start_three_fold"]

# Sharpness of optics whose cards tell nothing: wavelength times focal ratio, in pixels.
_USUAL_DETAIL_PX = 0.8
_MOST_GUESSES = 4
_MOST_STARTS = 3
# Three-fold masks: names of evenly spread lines change the misfit by less than this factor; and
# outer lines of two triples that meet at 30 degrees may be seen as one, so less is tried too.
_ALIKE_CHI2, _EVEN_DEG = 1.25, 3.0
_MEETING_DEG, _APART_DEG = 27.0, 5.0


def start_single(rings: list[RingMap], pixels: Pixels, detail_px: float | None) -> Fit | None:
    """Rough fit from the best guess; None where no guess is better than chance."""
    guesses: list[Guess] = []
    for smoothed in rings:
        guesses += find_guesses(smoothed, _MOST_GUESSES)
    thin = thinned(pixels)
    fits = [_single_at(guess, detail_px) for guess in guesses]
    for fit in fits:
        settle(fit, thin, 0)
    fits = sorted(fits, key=lambda fit: fit.chi2)[:_MOST_STARTS]
    for fit in fits:
        settle(fit, thin, 4)
    return min(fits, key=lambda fit: fit.chi2, default=None)


def start_three_fold(rings: list[RingMap], pixels: Pixels, detail_px: float | None) -> Fit | None:
    """Rough fit of nine lines; None where no guess is better than chance."""
    guesses: list[Guess] = []
    for smoothed in rings:
        guesses += find_guesses(folded(smoothed), _MOST_GUESSES)
    guesses += [
        replace(guess, outer_deg=guess.outer_deg - _APART_DEG)
        for guess in guesses
        if guess.outer_deg >= _MEETING_DEG
    ]
    thin = thinned(pixels)
    fits = [_three_fold_at(guess, detail_px) for guess in guesses]
    # Nine lines are dear: at each turn only the better half goes on.
    for steps, most in ((0, 2 * _MOST_STARTS), (2, _MOST_STARTS), (8, 1)):
        for fit in fits:
            settle(fit, thin, steps)
        fits = sorted(fits, key=lambda fit: fit.chi2)[:most]
    best = min(fits, key=lambda fit: fit.chi2, default=None)
    if best is None:
        return None
    # Nine evenly spread lines fit whichever are called centre spikes: these are the brightest,
    # from whole sectors against half ones.
    others = _renamed(best) if abs(np.degrees(best.params[1]) - 20) < _EVEN_DEG else []
    for fit in others:
        settle(fit, thin, 4)
    alike = [fit for fit in others if fit.chi2 < _ALIKE_CHI2 * best.chi2]
    return max([best, *alike], key=_centre_light)


def _centre_light(fit: Fit) -> float:
    return float(spike_light(fit)[0].sum(axis=0).reshape(-1, 6)[:, :2].sum())


def _single_at(guess: Guess, detail_px: float | None) -> Fit:
    """Fit that has not moved yet."""
    turn = np.radians(guess.centre_deg)
    params = np.array([
        -np.sin(turn) * guess.crossing_px, np.cos(turn) * guess.crossing_px,
        turn, np.radians(guess.outer_deg), 0.0, guess.offset_px, 1.0,
    ])  # fmt: skip
    return Fit(params=params, chevron=1, detail_px=detail_px or _USUAL_DETAIL_PX)


def _three_fold_at(guess: Guess, detail_px: float | None) -> Fit:
    """Three-fold fit that has not moved yet, its triples alike."""
    outer = np.radians(guess.outer_deg)
    crossing = guess.crossing_px * np.cos(outer)
    triple = [guess.crossing_px + guess.offset_px, crossing, crossing]
    params = np.array([np.radians(guess.centre_deg), outer, 1.0, *triple * 3])
    detail = detail_px or _USUAL_DETAIL_PX
    return Fit(params=params, chevron=1, detail_px=detail, layout=THREE_FOLD)


def _renamed(fit: Fit) -> list[Fit]:
    """Call each triple's outer lines the centre spikes of a three-fold mask, one and the other."""
    directions, distances, _ = fit.layout.lines(fit.params)
    fits = []
    for turned in directions[1:3]:
        params = fit.params.copy()
        params[fit.layout.turn] = turned
        wanted, _, _ = fit.layout.lines(params)
        apart = wanted[:, None] - directions
        nearest = np.argmax(np.abs(np.cos(apart)), axis=1)
        # A line the other way round has its distance on the other side.
        sides = np.sign(np.cos(apart[np.arange(len(wanted)), nearest]))
        params[fit.layout.places] = sides * distances[nearest]
        fits.append(Fit(params=params, chevron=1, detail_px=fit.detail_px, layout=fit.layout))
    return fits
