"""Which frames show the same field, and which of them is the reference of the others."""

import itertools
import math
from collections.abc import MutableMapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime

from starwinnow.flags import FrameFlag
from starwinnow.frame_measures import FrameMeasures
from starwinnow.information import information
from starwinnow.relate import Relation, identity, relate
from starwinnow.settings import Aim

__all__ = [
    "Field",
    "RelationCache",
    "Relations",
    "best_reference",
    "choose_reference",
    "fields_of",
    "in_time",
    "start_utc",
]

# High enough to be a good frame, low enough not to be a single lucky one.
_REFERENCE_PERCENTILE = 0.9
# A frame is tried on so many fields, those of the frames before it; what this misses is found
# when the fields are tried on each other.
_FIELDS_TRIED = 3
# Flags of frames that do not serve as reference while others are there.
_POOR_REFERENCE = FrameFlag.FEW_STARS | FrameFlag.OVEREXPOSED

RelationCache = MutableMapping[tuple[str, str], Relation | None]
"""Relations already worked out, by (file name, reference's file name)."""


class Relations:
    """How frames lie on each other, each pair worked out once."""

    def __init__(self, cache: RelationCache) -> None:
        self._cache = cache

    def of(self, frame: FrameMeasures, reference: FrameMeasures) -> Relation | None:
        """Relate a frame to another, or recall how."""
        if frame is reference:
            return identity(frame.stars, frame.shape)
        names = frame.file_name, reference.file_name
        if names not in self._cache:
            self._cache[names] = relate(
                frame.stars, reference.stars, shape=frame.shape, reference_shape=reference.shape
            )
        return self._cache[names]


@dataclass(slots=True, kw_only=True)
class Field:
    """Frames that show the same stars.

    Attributes
    ----------
    anchor : FrameMeasures
        The frame that others were laid on to find out.
    lights : list of (FrameMeasures, float)
        The frames, in time order, with their transparency relative to one of them.
    """

    anchor: FrameMeasures
    lights: list[tuple[FrameMeasures, float]] = field(default_factory=list)

    @property
    def frames(self) -> list[FrameMeasures]:
        """The frames alone, in time order."""
        return [frame for frame, _ in self.lights]


def start_utc(frame: FrameMeasures) -> datetime | None:
    """Start of the exposure; a date without a time of day orders nothing inside a night."""
    return None if frame.capture.date_only else frame.capture.start_utc


def in_time(frames: Sequence[FrameMeasures]) -> list[FrameMeasures]:
    """Frames by start time, then name; those without a time last."""
    return sorted(frames, key=_time_order)


def choose_reference(measures: Sequence[FrameMeasures]) -> FrameMeasures | None:
    """Pick the frame that the others are laid on first: most stars in mid-run.

    Parameters
    ----------
    measures : sequence of FrameMeasures
        The frames of one run, in any order.

    Returns
    -------
    FrameMeasures or None
        None when no frame has stars. The middle third in time comes first, since what drifts
        is nearest to all frames there; within it the most stars.
    """
    ordered = in_time(measures)
    third = len(ordered) // 3
    middle = {frame.file_name for frame in ordered[third : len(ordered) - third]}
    return min(
        (frame for frame in ordered if frame.star_count > 0),
        key=lambda frame: (
            bool(frame.flags & _POOR_REFERENCE),
            frame.file_name not in middle,
            -frame.star_count,
            frame.file_name,
        ),
        default=None,
    )


def fields_of(measures: Sequence[FrameMeasures], relations: Relations) -> list[Field]:
    """Sort frames by the field they show, whatever the order given.

    In time order each frame is tried on the fields of the frames before it, the last one first;
    what lies on none starts a field of its own. Then the best frame of each field is tried on
    that of every larger one, so that a poor frame that came first does not part what belongs
    together.

    Parameters
    ----------
    measures : sequence of FrameMeasures
        Frames of one image size, with different file names.
    relations : Relations
        Where each pair is worked out once.

    Returns
    -------
    list of Field
        Largest first; a frame that shows no other's stars is a field of one.
    """
    seed = choose_reference(measures)
    recent = [] if seed is None else [Field(anchor=seed)]
    for frame in in_time(measures):
        home = next(
            (one for one in recent[:_FIELDS_TRIED] if relations.of(frame, one.anchor)),
            Field(anchor=frame),
        )
        relation = relations.of(frame, home.anchor)
        home.lights.append((frame, math.nan if relation is None else relation.transparency))
        recent = [home, *(one for one in recent if one is not home)]
    return _merged([one for one in recent if one.lights], relations)


def _merged(fields: list[Field], relations: Relations) -> list[Field]:
    """Join fields whose best frames show the same stars, largest first."""
    apart: list[Field] = []
    for one in sorted(fields, key=_size_order):
        best = best_reference(one) or one.frames[0]
        for larger in apart:
            if _join(larger, one, best, relations):
                break
        else:
            apart.append(one)
    return sorted(apart, key=_size_order)


def _join(larger: Field, one: Field, best: FrameMeasures, relations: Relations) -> bool:
    """Add a field's frames to a larger one if its best frame shows the same stars."""
    base = best_reference(larger) or larger.frames[0]
    relation = relations.of(best, base)
    if relation is None:
        return False
    lights = {frame.file_name: light for frame, light in [*larger.lights, *one.lights]}
    scale = relation.transparency * lights[base.file_name] / lights[best.file_name]
    both = larger.lights + [(frame, light * scale) for frame, light in one.lights]
    larger.lights = sorted(both, key=lambda pair: _time_order(pair[0]))
    return True


def best_reference(one: Field) -> FrameMeasures | None:
    """Choose a field's reference; poor frames only where there is nothing else.

    It is the frame whose information for `depth` is at the 90th percentile: good, never a
    single lucky frame, the same for every aim. None when no frame has light to compare.
    """
    good = [pair for pair in one.lights if not pair[0].flags & _POOR_REFERENCE]
    aims: tuple[Aim, ...] = ("depth", "glow")
    for group, aim in itertools.product((good, one.lights), aims):
        known = [
            (value, frame.file_name, frame)
            for frame, light in group
            if frame.star_count > 0
            and math.isfinite(value := information(frame, light, aim=aim, fwhm_ref_px=1.0))
        ]
        if known:
            return sorted(known)[round(_REFERENCE_PERCENTILE * (len(known) - 1))][2]
    return None


def _time_order(frame: FrameMeasures) -> tuple[bool, datetime, str]:
    start = start_utc(frame)
    return start is None, start or datetime.max.replace(tzinfo=UTC), frame.file_name


def _size_order(one: Field) -> tuple[int, tuple[bool, datetime, str]]:
    """Largest first, then the one that began first."""
    return -len(one.lights), _time_order(one.frames[0])
