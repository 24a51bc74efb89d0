"""How frames lie on each other, worked out while the night runs for its end.

The end's own search for fields and references is rehearsed with the figures of the frames so far.
Where it asks how two frames lie on each other, their stars are fetched from the store. What was
worked out is kept by the stars that went into it: what was not foreseen is worked out at the end,
and what is not asked for changes nothing.
"""

import time
from collections.abc import Sequence

from starwinnow.frame_measures import FrameMeasures, Recall
from starwinnow.relate import Relation
from starwinnow.runs import runs_of
from starwinnow.same_field import RelationCache, Relations, in_time, stars_digest
from starwinnow.scoring import lay_on_reference

__all__ = ["RelationsAhead"]

# A rehearsal looks at all frames, so it waits until the night has grown by this part.
_REHEARSE_AGAIN = 0.01
# The latest frames that others are laid on stay in memory whole.
_WHOLE_FRAMES = 3


class _LaterError(Exception):
    """The time is over, or a frame is not there any more: the rehearsal begins anew later."""


class RelationsAhead:
    """Rehearses the end of the night, whenever there is time.

    Parameters
    ----------
    recall : callable
        Gives a frame's measures by its name, None when they are not there.
    """

    def __init__(self, recall: Recall) -> None:
        self._stage = _Stage(recall)
        self._new = 0

    def see(self, frame: FrameMeasures) -> None:
        """Note a frame as it was just measured."""
        self._stage.known[frame.file_name] = stars_digest(frame)
        self._new += 1

    def seen(self) -> frozenset[str]:
        """Return the names of the frames that were noted."""
        return frozenset(self._stage.known)

    def relations(self) -> RelationCache:
        """Return what was worked out so far."""
        return dict(self._stage.cache)

    def step(self, frames: Sequence[FrameMeasures], until: float) -> bool:
        """Rehearse as far as time allows; False when there is nothing to do.

        Parameters
        ----------
        frames : sequence of FrameMeasures
            All light frames so far, their figures alone, of different pixels.
        until : float
            When the time is over, on the monotonic clock.
        """
        if self._new <= _REHEARSE_AGAIN * len(frames):
            return False
        seen = self._new
        self._stage.begin(until)
        try:
            for run in runs_of(in_time(frames), self._stage):
                lay_on_reference(run.frames, self._stage)
        except _LaterError:
            return self._stage.worked
        self._stage.end()
        self._new -= seen
        return True


class _Stage(Relations):
    """Relations of frames whose stars are in the store, with their rows in the fewest bytes."""

    def __init__(self, recall: Recall) -> None:
        self.known: dict[str, bytes] = {}
        self.cache: dict[bytes, Relation | None] = {}
        self.worked = False
        super().__init__(self.cache)
        self._recall = recall
        self._until = 0.0
        self._asked: set[bytes] = set()
        self._whole: dict[str, FrameMeasures] = {}

    def begin(self, until: float) -> None:
        """Begin a rehearsal, which may last until a moment."""
        self._until, self.worked = until, False
        self._asked.clear()

    def end(self) -> None:
        """Forget what the whole rehearsal did not ask for."""
        for key in self.cache.keys() - self._asked:
            del self.cache[key]

    def of(self, frame: FrameMeasures, reference: FrameMeasures) -> Relation | None:
        """Recall how a frame lies on another, or work it out if there is time."""
        if frame is not reference:
            self._asked.add(self.digest(frame) + self.digest(reference))
        return super().of(frame, reference)

    def digest(self, frame: FrameMeasures) -> bytes:
        """Recall the digest of a frame's stars."""
        return self.known[frame.file_name]

    def work_out(self, frame: FrameMeasures, reference: FrameMeasures) -> Relation | None:
        """Fetch the stars of two frames and relate them; at least one pair a rehearsal."""
        if self.worked and time.monotonic() >= self._until:
            raise _LaterError
        base = self._whole.pop(reference.file_name, None) or self._fetch(reference)
        self._whole[reference.file_name] = base
        if len(self._whole) > _WHOLE_FRAMES:
            del self._whole[next(iter(self._whole))]
        relation = super().work_out(self._fetch(frame), base)
        self.worked = True
        return relation

    def _fetch(self, frame: FrameMeasures) -> FrameMeasures:
        found = self._recall(frame.file_name)
        if found is None or stars_digest(found) != self.known[frame.file_name]:
            raise _LaterError
        return found
