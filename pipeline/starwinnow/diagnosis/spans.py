"""Neighbouring rows that belong together."""

from collections.abc import Iterable, Iterator

__all__ = ["spans"]


def spans(rows: Iterable[int], bridged: Iterable[int] = ()) -> Iterator[list[int]]:
    """Part rows into stretches without gap.

    Parameters
    ----------
    rows : iterable of int
    bridged : iterable of int
        Rows that a stretch may reach over, one at a time, without taking them in.

    Yields
    ------
    list of int
        Rows of one stretch, in order.
    """
    allowed = set(bridged)
    stretch: list[int] = []
    for row in sorted(set(rows)):
        gap = row - stretch[-1] if stretch else 1
        if gap == 1 or (gap == 2 and row - 1 in allowed):
            stretch.append(row)
        else:
            yield stretch
            stretch = [row]
    if stretch:
        yield stretch
