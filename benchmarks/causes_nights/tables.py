"""Outcomes of nights to a page of tables."""

from collections import Counter
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass

from .cost import Cost
from .judging import Outcome
from .marking import CLEAR, NOTICED, Marked
from .nights import BROKEN, KINDS, UNTOUCHED_SEEDS

__all__ = ["confusion_table", "misses", "page_of"]

_HARD_PAIRS = (
    ("cloud", "bright-sky"), ("out-of-focus", "soft-seeing"), ("trailed", "knocked"),
    ("dew", "out-of-focus"), ("cloud", "dew"), ("haze", "dew"),
)  # fmt: skip
_CODES = (
    "cloud", "haze", "dew", "bright-sky", "out-of-focus", "soft-seeing", "trailed", "knocked",
    "blocked-view", "streak", "overexposed",
)  # fmt: skip


@dataclass(frozen=True, kw_only=True)
class Line:
    """One figure beside its limit."""

    what: str
    part: int
    whole: int
    limit: float
    at_least: bool = True

    @property
    def value(self) -> float:
        """Share, NaN of nothing."""
        return self.part / self.whole if self.whole else float("nan")

    @property
    def held(self) -> bool:
        """Whether the limit holds."""
        return self.value >= self.limit if self.at_least else self.value <= self.limit

    def cells(self) -> list[str]:
        """Give the row of a table."""
        sign = "at least" if self.at_least else "at most"
        return [
            self.what,
            f"{self.part} of {self.whole}",
            f"{self.value:.1%}",
            f"{sign} {self.limit:.0%}",
            "held" if self.held else "**missed**",
        ]


def _lines(outcomes: Sequence[Outcome]) -> list[Line]:
    """Count what has to hold on usual nights and with the physics broken alike."""
    frames = [frame for outcome in outcomes for frame in outcome.frames]
    clear = [frame for frame in frames if frame.clear]
    slight = [frame for frame in frames if frame.slight]
    good = [frame for frame in frames if frame.truth.good]
    named = [(frame, code) for frame in frames for code in frame.answer]
    episodes = [episode for outcome in outcomes for episode in outcome.episodes]
    lines = [
        Line(
            what=f"frames that lost {CLEAR:.0%} or more: right cause first",
            part=sum(frame.right for frame in clear), whole=len(clear), limit=0.96,
        ),
        Line(
            what="causes named that did cost the frame something",
            part=sum(frame.names_truth(code) for frame, code in named), whole=len(named),
            limit=0.92,
        ),
        Line(
            what="good frames given a cause",
            part=sum(bool(frame.answer) for frame in good), whole=len(good), limit=0.01,
            at_least=False,
        ),
        Line(
            what=f"frames that lost {NOTICED:.0%} to {CLEAR:.0%}: right or honestly joint",
            part=sum(frame.honest for frame in slight), whole=len(slight), limit=0.80,
        ),
        Line(
            what=f"frames that lost {NOTICED:.0%} to {CLEAR:.0%}: a wrong single cause",
            part=sum(frame.wrong_single for frame in slight), whole=len(slight), limit=0.05,
            at_least=False,
        ),
        Line(
            what="episodes with both ends within 2 frames",
            part=sum(episode.both_ends for episode in episodes), whole=len(episodes), limit=0.92,
        ),
    ]  # fmt: skip
    return lines + [_pair_line(clear, pair) for pair in _HARD_PAIRS]


def _pair_line(clear: Iterable[Marked], pair: tuple[str, str]) -> Line:
    """Count the frames of two causes that were called either or both, and the right ones."""
    told = [
        frame for frame in clear
        if frame.cause in pair and (frame.right or set(frame.first.split("|")) & set(pair))
    ]  # fmt: skip
    return Line(
        what=f"told apart: {pair[0]} and {pair[1]}",
        part=sum(frame.right for frame in told), whole=len(told), limit=0.95,
    )  # fmt: skip


def page_of(outcomes: Sequence[Outcome], costs: Sequence[Cost]) -> tuple[str, bool]:
    """Write the page of tables; say whether every limit was held."""
    by_kind = {kind: [one for one in outcomes if one.kind == kind] for kind in KINDS}
    usual, broken = by_kind["usual"], [one for kind in BROKEN for one in by_kind[kind]]
    parts = [_INTRODUCTION.rstrip()]
    all_lines: list[Line] = []
    for heading, group in (("Usual nights", usual), ("Broken physics, all together", broken)):
        if group:
            lines = _lines(group)
            all_lines += lines
            parts.append(_table(heading, _LINE_COLUMNS, [line.cells() for line in lines]))
    if by_kind["clean"]:
        lines = _clean_lines(by_kind["clean"])
        all_lines += lines
        parts.append(_table("Clean nights", _LINE_COLUMNS, [line.cells() for line in lines]))
    if by_kind["two-causes"]:
        lines = _two_cause_lines(by_kind["two-causes"])
        all_lines += lines
        parts.append(_table("Two causes at once", _LINE_COLUMNS, [line.cells() for line in lines]))
    rows = [
        [
            kind,
            f"{len(by_kind[kind])}",
            *(f"{line.value:.1%}" for line in _lines(by_kind[kind])[:6]),
        ]
        for kind in ("usual", *BROKEN)
        if by_kind[kind]
    ]
    parts.append(_table("By kind of night", _KIND_COLUMNS, rows))
    parts.append(confusion_table(usual))
    parts.append(_episode_table(usual + broken))
    if costs:
        parts.append(_cost_table(costs))
    return "\n\n".join(parts) + "\n", all(line.held for line in all_lines if line.whole)


def _clean_lines(nights: Sequence[Outcome]) -> list[Line]:
    frames = [frame for night in nights for frame in night.frames if frame.truth.good]
    return [
        Line(
            what="good frames given a cause",
            part=sum(bool(frame.answer) for frame in frames), whole=len(frames), limit=0.01,
            at_least=False,
        ),
        Line(
            what="false episodes a night",
            part=sum(night.false_episodes for night in nights), whole=len(nights), limit=0.1,
            at_least=False,
        ),
    ]  # fmt: skip


def _two_cause_lines(nights: Sequence[Outcome]) -> list[Line]:
    """Frames in which two causes each cost 5 %, and 15 % together."""
    frames = [
        frame for night in nights for frame in night.frames
        if len(frame.truth.causes) == 2 and frame.truth.lost >= CLEAR
    ]  # fmt: skip
    both = [all(frame.names(cause) for cause in frame.truth.causes) for frame in frames]
    one = [any(frame.names(cause) for cause in frame.truth.causes) for frame in frames]
    return [
        Line(what="both named", part=sum(both), whole=len(frames), limit=0.80),
        Line(what="at least one named", part=sum(one), whole=len(frames), limit=0.96),
    ]


def confusion_table(outcomes: Sequence[Outcome]) -> str:
    """Set the true cause (down) against the first named, of clear and of good frames."""
    counts: Counter[tuple[str, str]] = Counter()
    for frame in (frame for outcome in outcomes for frame in outcome.frames):
        if frame.clear:
            counts[frame.cause, frame.first] += 1
        elif frame.truth.good:
            counts["good", frame.first] += 1
    named = sorted({first for _, first in counts} - set(_CODES) - {""})
    columns = [*_CODES, *named, ""]
    rows = []
    for cause in (*_CODES, "good"):
        row = [counts[cause, first] for first in columns]
        if sum(row):
            rows.append([cause, f"{sum(row)}", *(f"{n}" if n else "" for n in row)])
    heads = "|".join(["truth", "frames", *(c.replace("|", " or ") for c in columns[:-1]), "none"])
    return _table("Confusion", heads, rows)


def _episode_table(outcomes: Sequence[Outcome]) -> str:
    episodes = [episode for outcome in outcomes for episode in outcome.episodes]
    rows = []
    for cause in _CODES:
        of_cause = [episode for episode in episodes if episode.cause == cause]
        if of_cause:
            found = [e for e in of_cause if e.off_first is not None]
            rows.append(
                [
                    cause,
                    f"{len(of_cause)}",
                    f"{len(found)}",
                    f"{sum(abs(e.off_first or 0) <= 2 for e in found)}",
                    f"{sum(abs(e.off_last or 0) <= 2 for e in found)}",
                    f"{sum(e.both_ends for e in of_cause)}",
                ]
            )
    columns = "cause|episodes|found|begin within 2|end within 2|both"
    return _table("Episodes, usual nights and broken physics", columns, rows)


def _cost_table(nights: Sequence[Cost]) -> str:
    """Set the time of the diagnosis beside that of all else that scoring takes."""
    rows = [
        [
            f"{night.frames}",
            f"{night.bad / night.frames:.0%}",
            f"{1000 * night.rest_s / night.frames:.0f}",
            f"{1000 * night.diagnosis_s / night.frames:.0f}",
            f"{night.diagnosis_s / night.rest_s:.0%}",
        ]
        for night in nights
    ]
    columns = "frames|bad|all else, ms a frame|diagnosis, ms a frame|added"
    return _table(
        "Cost in `score` (2 Mpx, processor time of the command; limit 30 %)", columns, rows
    )


def misses(outcomes: Sequence[Outcome]) -> str:
    """List frames and episodes that were told wrong, for whoever looks into them."""
    tests: list[Callable[[Marked], bool]] = [
        lambda frame: frame.clear and not frame.right,
        lambda frame: frame.slight and not frame.honest,
        lambda frame: frame.truth.good and bool(frame.answer),
    ]
    lines = [
        f"{frame.kind} {frame.seed} frame {frame.index}: {frame.answer or 'none'}, truth "
        + (", ".join(f"{code} {loss:.0%}" for code, loss in frame.truth.losses.items()) or "good")
        for test in tests
        for outcome in outcomes
        for frame in outcome.frames
        if test(frame)
    ]
    lines += [
        f"{e.kind} {e.seed} episode of {e.cause}: ends off by {e.off_first}, {e.off_last}"
        for outcome in outcomes
        for e in outcome.episodes
        if not e.both_ends
    ]
    return "\n".join(lines)


def _table(heading: str, columns: str, rows: Iterable[Sequence[str]]) -> str:
    names = columns.split("|")
    lines = [names, ["---"] * len(names), *rows]
    return f"## {heading}\n\n" + "\n".join(f"| {' | '.join(line)} |" for line in lines)


_LINE_COLUMNS = "what|frames, episodes|share|limit|"
_KIND_COLUMNS = (
    "kind|nights|right first|named causes true|false on good|slight: honest|slight: wrong single"
    "|both ends"
)
_INTRODUCTION = f"""\
# Causes against truth

Written by `python benchmarks/causes.py` from nights drawn by GalSim: Kolmogorov seeing, a
diffracting pupil, cloud, dew, wind and the rest each by their own physics (benchmarks/
causes_nights), none of it shared with the diagnosis. The seeds ({UNTOUCHED_SEEDS.start} on) are
not those a diagnosis is developed on.

A frame's loss to a cause is what it would be worth without that cause, T^2 / (s^2 NEA) worked out
on noiseless images. *Right*: the first cause named is the one that cost most, alone, or joined
with one that physics does not tell from it in this frame: defocus below .07 waves rms against
seeing, either under cloud that takes half the light or without a stated aperture; a veil of one
frame alone; a knock along one line against a trail. *Honestly joint* (slight losses): any joint
answer within out-of-focus and soft-seeing, within cloud, haze and dew, within trailed and knocked
that holds the true one. *Both named*: each of two causes that cost {NOTICED:.0%} or more, alone or
in such a joint answer as counts for *right*. *Good*: nothing put in cost {0.02:.0%}, and the air's
own waves less than {NOTICED:.0%}. An episode's true ends are the first and last frame that lost
{NOTICED:.0%}; counted are those with three such frames and one that lost {CLEAR:.0%}. *Told
apart*: of the frames of two causes that were called either or both, how many rightly.

*Broken physics*: light of two wavelengths with different foci; a pupil with .04 to .08 waves rms of
spherical aberration, coma and astigmatism; an aperture card of 60, 70 or 100 mm instead of 80; none
at all; corners focused 25 to 60 um off; a shake of .6 px rms that changes from frame to frame.
"""
