"""Which frames show the same field, and which of them is the reference of the others."""

import itertools
import math
from collections.abc import MutableMapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from hashlib import blake2b
from typing import TypeVar

from starwinnow.flags import FrameFlag
from starwinnow.frame_measures import FrameMeasures
from starwinnow.information import information
from starwinnow.relate import Relation, identity, relate
from starwinnow.settings import Aim

__all__ = [
    "Field",
    "Member",
    "RelationCache",
    "Relations",
    "best_reference",
    "choose_reference",
    "fields_of",
    "in_time",
    "stars_digest",
    "start_utc",
]

# High enough to be a good frame, low enough not to be a single lucky one; and where a reference may
# stand among all frames when it was chosen from the first of them.
_REFERENCE_PERCENTILE = 0.9
_STILL_GOOD = 0.8, 0.97
# So many frames and fewer are all asked when a reference is chosen.
_FEWEST_FIRST = 64
# A frame is tried on so many fields, those of the frames before it; what this misses is found
# when the fields are tried on each other.
_FIELDS_TRIED = 3
# Flags of frames that do not serve as reference while others are there.
_POOR_REFERENCE = FrameFlag.FEW_STARS | FrameFlag.OVEREXPOSED | FrameFlag.MASK_ON

# What `relate` looks at of stars.
_RELATING = ("x_px", "y_px", "x_err_px", "y_err_px", "flux_adu", "flux_err_adu", "flags")

T = TypeVar("T")

RelationCache = MutableMapping[bytes, Relation | None]
"""Relations already worked out, by the stars that went into them."""


class Relations:
    """How frames lie on each other, each pair worked out once.

    Parameters
    ----------
    cache : dict
        Relations known from elsewhere; new ones are added.
    digests : dict, optional
        Those of the frames' stars by file name, as far as they are known; new ones are added.
    """

    def __init__(self, cache: RelationCache, digests: dict[str, bytes] | None = None) -> None:
        self._cache = cache
        self._digests = {} if digests is None else digests

    def of(self, frame: FrameMeasures, reference: FrameMeasures) -> Relation | None:
        """Relate a frame to another, or recall how."""
        if frame is reference:
            return identity(frame.stars, frame.shape)
        key = self.digest(frame) + self.digest(reference)
        if key not in self._cache:
            self._cache[key] = self.work_out(frame, reference)
        return self._cache[key]

    def digest(self, frame: FrameMeasures) -> bytes:
        """Differs for frames whose stars differ."""
        name = frame.file_name
        if name not in self._digests:
            self._digests[name] = stars_digest(frame)
        return self._digests[name]

    def work_out(self, frame: FrameMeasures, reference: FrameMeasures) -> Relation | None:
        """Relate a frame to another."""
        return relate(
            frame.stars, reference.stars, shape=frame.shape, reference_shape=reference.shape
        )


def stars_digest(frame: FrameMeasures) -> bytes:
    """Differs for frames whose stars, or sizes, differ in what relates them to each other."""
    digest = blake2b(repr(frame.shape).encode(), digest_size=16)
    for name in _RELATING:
        digest.update(getattr(frame.stars, name).tobytes())
    return digest.digest()


@dataclass(frozen=True, slots=True, kw_only=True)
class Member:
    """A frame of a field.

    Attributes
    ----------
    frame : FrameMeasures
    transparency : float
        Relative to one frame that all members of the field share; NaN where it is not known.
    overlap : float
        Part of that frame's area that this one sees.
    """

    frame: FrameMeasures
    transparency: float
    overlap: float


@dataclass(slots=True, kw_only=True)
class Field:
    """Frames that show the same stars.

    Attributes
    ----------
    anchor : FrameMeasures
        The frame that others were laid on to find out.
    members : list of Member
        In time order.
    """

    anchor: FrameMeasures
    members: list[Member] = field(default_factory=list)

    def __len__(self) -> int:
        return len(self.members)

    @property
    def frames(self) -> list[FrameMeasures]:
        """The frames alone, in time order."""
        return [member.frame for member in self.members]

    def add(self, frame: FrameMeasures, relation: Relation) -> None:
        """Take in a frame that lies on the anchor."""
        self.members.append(
            Member(frame=frame, transparency=relation.transparency, overlap=relation.overlap)
        )


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
        is nearest to all frames there; within it the most stars. From 64 frames on, of the
        first 64, 90, 128, ..., so that it seldom changes while a run grows.
    """
    ordered = _first_of(in_time(measures))
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
    what lies on none starts a field of its own. Then each field is tried once more on every larger
    one, by better frames, so that a poor one that came first does not part what belongs together.

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
        for home in [*recent[:_FIELDS_TRIED], Field(anchor=frame)]:
            relation = relations.of(frame, home.anchor)
            if relation is not None:
                home.add(frame, relation)
                recent = [home, *(one for one in recent if one is not home)]
                break
    return _merged([one for one in recent if one.members], relations)


def _merged(fields: list[Field], relations: Relations) -> list[Field]:
    """Join fields that show the same stars after all, largest first."""
    apart: list[Field] = []
    for one in sorted(fields, key=_size_order):
        if not any(_join(larger, one, relations) for larger in apart):
            apart.append(one)
    return sorted(apart, key=_size_order)


def _join(larger: Field, one: Field, relations: Relations) -> bool:
    """Add a field's frames to a larger one if its best, first or last frame lies on that."""
    base = _representative(larger)
    for link in (_representative(one), one.members[0], one.members[-1]):
        relation = relations.of(link.frame, base.frame)
        if relation is not None:
            break
    else:
        return False
    scale = relation.transparency * base.transparency / link.transparency
    cover = relation.overlap * base.overlap / link.overlap
    larger.members += [
        replace(
            member,
            transparency=scale * member.transparency,
            overlap=min(cover * member.overlap, 1.0),
        )
        for member in one.members
    ]
    larger.members.sort(key=lambda member: _time_order(member.frame))
    return True


def _representative(one: Field) -> Member:
    """Return the best member, or the first where none can be called so."""
    best = best_reference(one)
    return next((member for member in one.members if member.frame is best), one.members[0])


def best_reference(one: Field) -> FrameMeasures | None:
    """Choose a field's reference; poor frames only where there is nothing else.

    It is the frame whose worth for `depth` is at the 90th percentile: good, never a single lucky
    frame, the same for every aim, and looking where most of the others look. That of the first 64,
    90, 128, ... frames serves for as long as it stands between the 80th and 97th of all: so it
    seldom changes while a run grows. None when no frame has light to compare.
    """
    good = [member for member in one.members if not member.frame.flags & _POOR_REFERENCE]
    aims: tuple[Aim, ...] = ("depth", "glow")
    for group, aim in itertools.product((good, one.members), aims):
        known = [
            (value, member.frame.file_name, member.frame)
            for member in group
            if math.isfinite(value := _worth(member, aim))
        ]
        if known:
            first, every = sorted(_first_of(known)), sorted(known)
            chosen = first[_percentile(first)]
            least, most = _STILL_GOOD
            if not least <= every.index(chosen) / max(len(every) - 1, 1) <= most:
                chosen = every[_percentile(every)]
            return chosen[2]
    return None


def _percentile(ranked: Sequence[object]) -> int:
    return round(_REFERENCE_PERCENTILE * (len(ranked) - 1))


def _first_of(ordered: Sequence[T]) -> Sequence[T]:
    """Return the first 64, 90, 128, 181, ... of a sequence, all where there are fewer."""
    if len(ordered) < _FEWEST_FIRST:
        return ordered
    return ordered[: int(2 ** (math.floor(2 * math.log2(len(ordered))) / 2))]


def _worth(member: Member, aim: Aim) -> float:
    """Information times overlap, in units that all members share; NaN where it is not known."""
    if member.frame.star_count == 0:
        return math.nan
    value = information(member.frame, member.transparency, aim=aim, fwhm_ref_px=1.0)
    return value * member.overlap


def _time_order(frame: FrameMeasures) -> tuple[bool, datetime, str]:
    start = start_utc(frame)
    return start is None, start or datetime.max.replace(tzinfo=UTC), frame.file_name


def _size_order(one: Field) -> tuple[int, tuple[bool, datetime, str]]:
    """Largest first, then the one that began first."""
    return -len(one), _time_order(one.frames[0])
