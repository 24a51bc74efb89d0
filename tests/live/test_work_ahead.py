"""What is done while the night runs is what its end asks for, and changes nothing."""

import itertools
import math
import time
from dataclasses import replace
from types import SimpleNamespace

import pytest

from starwinnow import fits_ahead
from starwinnow.diagnosis import FitCache, Standard, StarFitter, standard_of
from starwinnow.diagnosis.evidence import Evidence
from starwinnow.fits_ahead import FitsAhead
from starwinnow.frame_measures import FrameMeasures
from starwinnow.live_run import LiveRun
from starwinnow.night import Night
from starwinnow.relations_ahead import RelationsAhead
from starwinnow.settings import Settings
from starwinnow.work_ahead import WorkAhead

from .night_frames import made_frame


def fits_ahead_of(frames: list[FrameMeasures]) -> FitCache:
    """Let a night of these frames run, with time enough between them."""
    measured = {frame.file_name: frame for frame in frames}
    run, ahead = LiveRun(1, Settings()), FitsAhead(measured.get)
    for frame in frames:
        run.add(frame, run.relation(frame))
        while ahead.step(run):
            pass
    return ahead.fits()


def assert_the_end_makes_no_fit(frames: list[FrameMeasures]) -> None:
    fits = fits_ahead_of(frames)
    made = len(fits)
    night = Night(star_fits=fits)
    for frame in frames:
        night.add(frame)
    night.snapshot(Settings())
    assert made > 0
    assert len(fits) == made


def test_the_end_finds_all_fits_made() -> None:
    frames = [
        made_frame(n, fwhm_px=3.4 if n % 5 == 4 else 3.0 + 0.002 * (n % 3)) for n in range(40)
    ]
    fits = fits_ahead_of(frames)
    made = len(fits)
    with_fits, without = Night(star_fits=fits), Night()
    for frame in frames:
        with_fits.add(frame)
        without.add(frame)
    assert with_fits.snapshot(Settings()) == without.snapshot(Settings())
    assert made > 0
    assert len(fits) == made


def test_the_end_finds_fits_made_though_the_ordinary_light_moved() -> None:
    """What the light of a frame lets expect of a halo changes with the ordinary light."""
    frames = [
        made_frame(
            n,
            fwhm_px=3.4 if n % 5 == 4 else 3.0 + 0.002 * (n % 3),
            light=1.0 if n < 66 or n % 5 == 4 else 1.03,
        )
        for n in range(120)
    ]
    assert_the_end_makes_no_fit(frames)


def test_the_end_finds_fits_made_though_the_air_grew_restless() -> None:
    """The same frames tell the ordinary star, but its size wanders more."""
    frames = [
        made_frame(n, fwhm_px=3.6 if n % 5 == 4 else 3.0 + (0.002 if n < 66 else 0.05) * (n % 3))
        for n in range(120)
    ]
    assert_the_end_makes_no_fit(frames)


def test_what_was_fitted_serves_again_when_the_wander_comes_back(monkeypatch) -> None:
    """Told otherwise at every look, it takes two sets of fits, and no more."""
    wanders, asked = itertools.cycle((0.004, 0.008)), []

    def flipping(evidence: Evidence) -> Standard:
        standard = replace(standard_of(evidence), wander=next(wanders))
        asked.append((standard.wander, *(frame.file_name for frame in standard.frames)))
        return standard

    made = []

    def counted(standard: Standard, fits: FitCache) -> StarFitter | None:
        made.append(standard.wander)
        return StarFitter.of(standard, fits)

    monkeypatch.setattr(fits_ahead, "standard_of", flipping)
    monkeypatch.setattr(fits_ahead, "StarFitter", SimpleNamespace(of=counted))
    fits_ahead_of([made_frame(n, fwhm_px=3.4 if n % 5 == 4 else 3.0) for n in range(60)])
    assert len(asked) > 2 * len(set(asked))
    assert len(made) == len(set(asked))


@pytest.mark.parametrize("first", [0.0, 0.004])
def test_the_end_finds_fits_made_though_its_wander_is_that_of_the_look_before(
    monkeypatch, first
) -> None:
    wanders = itertools.cycle((first, 0.004 - first))

    def flipping(evidence: Evidence) -> Standard:
        standard = standard_of(evidence)
        return replace(standard, wander=standard.wander + next(wanders))

    monkeypatch.setattr(fits_ahead, "standard_of", flipping)
    frames = [
        made_frame(n, fwhm_px=3.4 if n % 5 == 4 else 3.0 + 0.002 * (n % 3)) for n in range(60)
    ]
    assert_the_end_makes_no_fit(frames)


def test_nothing_is_fitted_before_the_reference_has_settled() -> None:
    run, ahead = LiveRun(1, Settings()), FitsAhead(lambda name: None)
    run.add(made_frame(0), None)
    assert not ahead.step(run)


def test_the_end_is_told_which_files_were_looked_into() -> None:
    frames = [made_frame(n) for n in range(3)]
    ahead = WorkAhead({frame.file_name: frame for frame in frames}.get)
    for frame in frames[:2]:
        ahead.see(frame)
    assert ahead.done().looked_at == {frame.file_name for frame in frames[:2]}


def test_the_end_finds_most_relations_made() -> None:
    frames = [made_frame(n, fwhm_px=3.0 + 0.02 * (7 * n % 10)) for n in range(100)]
    measured = {frame.file_name: frame for frame in frames}
    run, ahead = LiveRun(1, Settings()), RelationsAhead(measured.get)
    for frame in frames:
        ahead.see(frame)
        run.add(frame, run.relation(frame))
        judged = [one.frame for one in run.judged.values()]
        while ahead.step(judged, until=time.monotonic()):
            pass
    relations = dict(ahead.relations())
    known = set(relations)
    with_relations, without = Night(relations), Night()
    for frame in frames:
        with_relations.add(frame)
        without.add(frame)
    assert with_relations.snapshot(Settings()) == without.snapshot(Settings())
    asked = len(without.snapshot(Settings()).rows)
    assert len(relations.keys() - known) <= math.ceil(0.05 * asked)


def test_a_frame_written_anew_is_related_anew() -> None:
    frames = [made_frame(n) for n in range(12)]
    measured = {frame.file_name: frame for frame in frames}
    ahead = RelationsAhead(measured.get)
    for frame in frames:
        ahead.see(frame)
    while ahead.step(frames, until=time.monotonic()):
        pass
    before = set(ahead.relations())
    anew = made_frame(7, fwhm_px=3.6)
    measured[anew.file_name] = anew
    ahead.see(anew)
    frames[7] = anew
    while ahead.step(frames, until=time.monotonic()):
        pass
    assert set(ahead.relations()) - before
