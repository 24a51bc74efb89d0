"""The frames of a folder -> runs that can be stacked, and frames that belong to none.

A run is made of light frames of one filter, exposure, binning and image size that show one
field. Three frames that share stars with each other, but not with the others, are a run of their
own; fewer are strays, which stay in the run that is nearest in time and are told to show another
field. A frame without enough stars to be placed stays in the nearest run, too.
"""

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from hashlib import blake2b

from starwinnow.frame import Capture
from starwinnow.frame_measures import FrameMeasures
from starwinnow.relate import relate
from starwinnow.same_field import (
    Field,
    RelationCache,
    Relations,
    best_reference,
    fields_of,
    in_time,
    start_utc,
)

__all__ = [
    "Aside",
    "Run",
    "binning_of",
    "fingerprint",
    "not_light",
    "runs_of",
    "settings_of",
    "split_night",
]

# Fewer frames of another field are strays, such as a look at a bright star for focusing (common
# practice, no source).
_FEWEST_OF_A_FIELD = 3
# A file's name counts where its header is silent and its pixels show no star.
_NAMED = re.compile(r"(?<![a-z])(dark|flat|bias)s?(?![a-z])", re.IGNORECASE)


@dataclass(frozen=True, slots=True, kw_only=True)
class Run:
    """Light frames that belong together.

    Attributes
    ----------
    frames : tuple of FrameMeasures
        In time order, strays and frames without stars included.
    note : str
        What else is to be known of it, '' for nothing.
    """

    frames: tuple[FrameMeasures, ...]
    note: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Aside:
    """A readable frame that belongs to no run.

    Attributes
    ----------
    frame : FrameMeasures
    cause : {'not-light', 'duplicate'}
    note : str
        The same in words.
    """

    frame: FrameMeasures
    cause: str
    note: str


def split_night(
    measures: Iterable[FrameMeasures],
    cache: RelationCache,
    digests: dict[str, bytes] | None = None,
) -> tuple[list[Run], list[Aside]]:
    """Part a folder's frames into runs and what is set aside.

    Parameters
    ----------
    measures : iterable of FrameMeasures
        With different file names, in any order.
    cache : dict
        Relations known from earlier calls; new ones are added.
    digests : dict, optional
        Digests of stars, as `Relations` takes them.

    Returns
    -------
    runs : list of Run
        The one that started first first.
    asides : list of Aside
        Darks, flats, bias frames, and all but the first of frames with the same pixels.
    """
    asides: list[Aside] = []
    lights: list[FrameMeasures] = []
    for frame in in_time(list(measures)):
        if note := not_light(frame):
            asides.append(Aside(frame=frame, cause="not-light", note=note))
        else:
            lights.append(frame)
    relations = Relations(cache, digests)
    originals: list[FrameMeasures] = []
    for frame, first in zip(lights, _first_copies(lights, relations), strict=True):
        if frame is first:
            originals.append(frame)
        else:
            note = f"the same pixels as {first.file_name}, which counts"
            asides.append(Aside(frame=frame, cause="duplicate", note=note))
    runs = runs_of(originals, relations)
    order = {frame.file_name: n for n, frame in enumerate(in_time([r.frames[0] for r in runs]))}
    return sorted(runs, key=lambda run: order[run.frames[0].file_name]), asides


def runs_of(lights: Sequence[FrameMeasures], relations: Relations) -> list[Run]:
    """Part light frames of different pixels, in time order, by their settings and fields."""
    alike: dict[tuple[object, ...], list[FrameMeasures]] = {}
    for frame in lights:
        alike.setdefault(settings_of(frame), []).append(frame)
    return [run for frames in alike.values() for run in _by_field(frames, relations)]


def binning_of(capture: Capture) -> tuple[int, int] | None:
    """(x, y) binning; None where the header does not say."""
    if capture.binning_x is None or capture.binning_y is None:
        return None
    return capture.binning_x, capture.binning_y


def not_light(frame: FrameMeasures) -> str:
    """Say why a frame does not look at the sky, if that is sure; '' where it may.

    A silent header and no star are not enough: that is cloud as well.
    """
    kind = frame.capture.image_type
    if kind not in (None, "light"):
        return f"a {kind} frame: it does not look at the sky"
    named = _NAMED.search(frame.file_name)
    if kind is None and named and frame.star_count == 0:
        return f"called a {named[1].lower()} by its name, and no star in it"
    return ""


def _first_copies(frames: Sequence[FrameMeasures], relations: Relations) -> list[FrameMeasures]:
    """For each frame, in time order, the first with the same pixels: mostly itself.

    Of copies with the same time it is the one with the shortest name: copying makes names longer.
    """
    marks: list[bytes] = []
    copies: dict[bytes, list[FrameMeasures]] = {}
    for frame in frames:
        marks.append(fingerprint(frame))
        copies.setdefault(marks[-1], []).append(frame)
        # While its stars are at hand.
        relations.digest(frame)
    firsts = {
        key: min(
            (one for one in some if start_utc(one) == start_utc(some[0])),
            key=lambda one: len(one.file_name),
        )
        for key, some in copies.items()
    }
    return [firsts[mark] for mark in marks]


def fingerprint(frame: FrameMeasures) -> bytes:
    """Differs for any two exposures: noise does not repeat to the last digit of these figures.

    It is taken from what was measured, not from the file, whose header, name and packing may
    differ from copy to copy.
    """
    stars = frame.stars
    figures = (frame.shape, frame.background_adu, frame.noise_adu)
    digest = blake2b(repr(figures).encode(), digest_size=16)
    for array in (frame.thumbnail, stars.x_px, stars.peak_adu):
        digest.update(array.tobytes())
    return digest.digest()


def settings_of(frame: FrameMeasures) -> tuple[object, ...]:
    """Give the settings that all frames of a run share."""
    capture = frame.capture
    # Cameras note the same exposure with a rounding error now and then.
    exposure = None if capture.exposure_s is None else float(f"{capture.exposure_s:.3g}")
    binning, mosaic = binning_of(capture), capture.bayer_pattern
    return capture.filter_name, exposure, binning, mosaic, frame.shape


def _by_field(frames: Sequence[FrameMeasures], relations: Relations) -> list[Run]:
    """Part frames of the same settings by the field they show."""
    fields = fields_of(frames, relations)
    large = [one for one in fields if len(one) >= _FEWEST_OF_A_FIELD] or fields[:1]
    members = [one.frames for one in large]
    for stray in (frame for one in fields[len(large) :] for frame in one.frames):
        members[_nearest(stray, large)].append(stray)
    return [
        Run(frames=tuple(in_time(some)), note=_mirrored(one, large[:number]))
        for number, (some, one) in enumerate(zip(members, large, strict=True))
    ]


def _nearest(stray: FrameMeasures, fields: Sequence[Field]) -> int:
    """Which field was looked at next to a frame; the largest where times are not known."""
    moment = start_utc(stray)
    waits = [
        (abs((start - moment).total_seconds()), number)
        for number, one in enumerate(fields)
        for frame in one.frames
        if moment is not None and (start := start_utc(frame)) is not None
    ]
    return min(waits, default=(0.0, 0))[1]


def _mirrored(one: Field, larger: Sequence[Field]) -> str:
    """Say so when a field is the mirror image of a larger one: no shift or turn lays it there."""
    frame = best_reference(one)
    for other in larger if frame else ():
        reference = best_reference(other)
        if frame is None or reference is None:
            continue
        flipped = replace(frame.stars, x_px=frame.shape[1] - 1 - frame.stars.x_px)
        if relate(flipped, reference.stars, shape=frame.shape, reference_shape=reference.shape):
            return (
                f"a mirror image of {reference.file_name}: flip the frames of one of the two runs"
                " before they go into one stack"
            )
    return ""
