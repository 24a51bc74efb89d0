"""Memory that each thread keeps from frame to frame, for arrays that last no longer than one.

The system clears every page of fresh memory: for a large frame that costs as much as a pass over
its pixels.
"""

import math
import threading
from typing import Any

import numpy as np
from numpy.typing import DTypeLike, NDArray

__all__ = ["scratch"]

_kept = threading.local()
# Where the system has them, large pages are of this many bytes; numpy asks for them for arrays of
# 4 MiB and more. The rows about a star lie on as many small pages, each of which the processor has
# to look up.
_LARGE_PAGE, _ASKED_FOR = 1 << 21, 1 << 22


def scratch(use: str, shape: tuple[int, ...], dtype: DTypeLike) -> NDArray[Any]:
    """Give this thread's array for one use; what it gave before for the same use is lost.

    Parameters
    ----------
    use : str
        Arrays of different uses are apart.
    shape : tuple of int
    dtype : dtype

    Returns
    -------
    ndarray
        With any content.
    """
    size = math.prod(shape) * np.dtype(dtype).itemsize
    memory: NDArray[np.uint8] | None = getattr(_kept, use, None)
    if memory is None or memory.size < size:
        # The old one goes before the new one comes.
        setattr(_kept, use, None)
        memory = _in_large_pages(size)
        setattr(_kept, use, memory)
    return memory[:size].view(dtype).reshape(shape)


def _in_large_pages(size: int) -> NDArray[np.uint8]:
    """Memory that begins with a large page; what is beyond it is never touched."""
    if size < _LARGE_PAGE // 2:
        return np.empty(size, np.uint8)
    whole = np.empty(max(size + _LARGE_PAGE, _ASKED_FOR), np.uint8)
    start = -whole.ctypes.data % _LARGE_PAGE
    return whole[start : start + size]
