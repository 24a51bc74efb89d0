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
        memory = np.empty(size, np.uint8)
        setattr(_kept, use, memory)
    return memory[:size].view(dtype).reshape(shape)
