"""Fits made while the night runs are those that its end asks for, and change nothing."""

from starwinnow.fits_ahead import FitsAhead
from starwinnow.live_run import LiveRun
from starwinnow.night import Night
from starwinnow.settings import Settings

from .night_frames import made_frame


def test_the_end_finds_all_fits_made() -> None:
    frames = [
        made_frame(n, fwhm_px=3.4 if n % 5 == 4 else 3.0 + 0.002 * (n % 3)) for n in range(40)
    ]
    measured = {frame.file_name: frame for frame in frames}
    run, ahead = LiveRun(1, Settings()), FitsAhead(measured.get)
    for frame in frames:
        run.add(frame, run.relation(frame))
        while ahead.step(run):
            pass
    fits = ahead.fits()
    made = len(fits)
    with_fits, without = Night(fits), Night()
    for frame in frames:
        with_fits.add(frame)
        without.add(frame)
    assert with_fits.snapshot(Settings()) == without.snapshot(Settings())
    assert made > 0
    assert len(fits) == made


def test_nothing_is_fitted_before_the_reference_has_settled() -> None:
    run, ahead = LiveRun(1, Settings()), FitsAhead(lambda name: None)
    run.add(made_frame(0), None)
    assert not ahead.step(run)
