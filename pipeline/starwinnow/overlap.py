"""How much of the reference's area a frame sees, compiled."""

import math

from starwinnow.compiled import compiled

__all__ = ["seen_part"]

# Cells along each axis: exact for shifts, to a hundredth with turns.
_CELLS = 25


@compiled
def seen_part(turn, shift_x, shift_y, shape, reference_shape):
    """Mean over a grid of cells of the reference of how much of each falls inside the frame.

    Parameters
    ----------
    turn, shift_x, shift_y : float
        What carries reference positions into the frame, about the reference's image centre;
        radians and px.
    shape, reference_shape : tuple of int
        (ny, nx) of both, px.

    Returns
    -------
    float
        0 to 1.
    """
    cosine, sine = math.cos(turn), math.sin(turn)
    cell_x, cell_y = reference_shape[1] / _CELLS, reference_shape[0] / _CELLS
    middle_x, middle_y = (reference_shape[1] - 1) / 2, (reference_shape[0] - 1) / 2
    total = 0.0
    for row in range(_CELLS):
        y = (row + 0.5) * cell_y - 0.5 - middle_y
        for column in range(_CELLS):
            x = (column + 0.5) * cell_x - 0.5 - middle_x
            here_x = cosine * x - sine * y + middle_x + shift_x + 0.5
            here_y = sine * x + cosine * y + middle_y + shift_y + 0.5
            part_x = min(here_x, shape[1] - here_x) / cell_x + 0.5
            part_y = min(here_y, shape[0] - here_y) / cell_y + 0.5
            total += min(max(part_x, 0.0), 1.0) * min(max(part_y, 0.0), 1.0)
    return total / _CELLS**2
