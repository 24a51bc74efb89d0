"""What a diagnosis adds to the processor time of the command `score`."""

import resource
import subprocess
import sys
import tempfile
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from astropy.io import fits

from starwinnow.frame import Frame
from starwinnow_sim.write import write_frame

from .marking import NOTICED
from .nights import draw_night

__all__ = ["Cost", "cost_in_score"]

_SHAPE = (1216, 1648)
_FRAMES = 140
_BAD_PART = 1 / 3
_REPEATS = 3
_SCORE = "import sys; from starwinnow_cli.main import main; sys.exit(main(sys.argv[1:]))"
# Nothing is known of any frame, so that nothing is looked for.
_WITHOUT = (
    "import starwinnow.diagnosis.diagnose as one; one.gather = lambda *_, **__: None; " + _SCORE
)


@dataclass(frozen=True, kw_only=True)
class Cost:
    """One night.

    Attributes
    ----------
    frames, bad : int
        All, and those that lost 5 % or more.
    rest_s, diagnosis_s : float
        Processor time of the command without a diagnosis, and what that adds; medians.
    """

    frames: int
    bad: int
    rest_s: float
    diagnosis_s: float


def cost_in_score(seed: int) -> Cost:
    """Draw a night of 2 Mpx frames, a third of them bad, and have it scored with and without."""
    drawn = draw_night("usual", seed, _FRAMES, _SHAPE)
    bad = [truth.lost >= NOTICED for truth in drawn.truths]
    keep = _thinned(bad, np.random.default_rng(seed))
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name) / "night"
        folder.mkdir()
        for index, frame in enumerate(drawn.frames()):
            if keep[index]:
                _write(folder / drawn.file_name(index), frame)
        # Turn by turn, so that both see the machine alike.
        spent = [
            [_processor_s(script, folder) for script in (_SCORE, _WITHOUT)] for _ in range(_REPEATS)
        ]
    whole, rest = (float(seconds) for seconds in np.median(spent, axis=0))
    return Cost(
        frames=sum(keep),
        bad=sum(here and lost for here, lost in zip(keep, bad, strict=True)),
        rest_s=rest,
        diagnosis_s=whole - rest,
    )


def _thinned(bad: list[bool], rng: np.random.Generator) -> list[bool]:
    """Which frames stay, so that a third of them are bad."""
    good = len(bad) - sum(bad)
    wanted = round(good * _BAD_PART / (1 - _BAD_PART))
    rows = np.flatnonzero(bad)
    left = set(rng.choice(rows, min(wanted, len(rows)), replace=False).tolist())
    return [not lost or index in left for index, lost in enumerate(bad)]


def _processor_s(script: str, folder: Path) -> float:
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    with tempfile.TemporaryDirectory() as out:
        command = [sys.executable, "-c", script, "score", str(folder), "--out", out, "--jobs", "1"]
        subprocess.run(command, check=True, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    return after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime


def _write(path: Path, frame: Frame) -> None:
    capture = frame.capture
    assert capture.start_utc is not None
    header = fits.Header(
        {
            "DATE-OBS": capture.start_utc.isoformat().removesuffix("+00:00"),
            "EXPTIME": capture.exposure_s,
            "IMAGETYP": "Light",
            "OBJECT": capture.object_name,
            "XPIXSZ": capture.pixel_um,
            "FOCALLEN": capture.focal_length_mm,
            "APTDIA": capture.aperture_mm,
            "EGAIN": capture.egain_e_per_adu,
            "AMBTEMP": capture.ambient_temperature_c,
        }
    )
    write_frame(path, np.asarray(frame.pixels, np.uint16), header)
