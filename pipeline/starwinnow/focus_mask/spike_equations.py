"""Loops over pixels of the spike fit: normal equations with each ring's own light eliminated."""

import numpy as np

from starwinnow.compiled import compiled, inlined, inner

__all__ = ["spike_equations"]

# Keeps a spike that two lines share from making the equations singular.
_FIRM = 1 + 1e-9


@inner
def _solve(matrix, right, size):
    """Solve a small symmetric positive system in place by elimination; result in `right`."""
    for i in range(size):
        pivot = matrix[i, i]
        if pivot <= 0.0:
            for j in range(size):
                matrix[i, j] = 0.0
                matrix[j, i] = 0.0
            matrix[i, i] = 1.0
            right[i] = 0.0
            continue
        for j in range(i + 1, size):
            factor = matrix[j, i] / pivot
            if factor != 0.0:
                for k in range(i, size):
                    matrix[j, k] -= factor * matrix[i, k]
                right[j] -= factor * right[i]
    for i in range(size - 1, -1, -1):
        total = right[i]
        for k in range(i + 1, size):
            total -= matrix[i, k] * right[k]
        right[i] = total / matrix[i, i]


@inlined
def _amplitudes(normal, right, lines, active, result):
    """Least squares of one ring with no spike below zero: the most negative is left out, again.

    The last two unknowns, level and slope of the rest, are free.
    """
    size = len(right)
    work, best = np.empty((size, size)), np.empty(size)
    for i in range(size):
        active[i] = normal[i, i] > 0
    for _ in range(2 * lines + 1):
        for i in range(size):
            best[i] = right[i] if active[i] else 0.0
            for j in range(size):
                work[i, j] = normal[i, j] if active[i] and active[j] else 0.0
            work[i, i] = normal[i, i] * _FIRM if active[i] else 1.0
        _solve(work, best, size)
        worst, lowest = -1, 0.0
        for i in range(2 * lines):
            if active[i] and best[i] < lowest:
                worst, lowest = i, best[i]
        if worst < 0:
            break
        active[worst] = False
    for i in range(size):
        result[i] = best[i]


@inner
def _cosines_and_sines(directions):
    cosines, sines = np.empty(len(directions)), np.empty(len(directions))
    for i in range(len(directions)):
        cosines[i], sines[i] = np.cos(directions[i]), np.sin(directions[i])
    return cosines, sines


@inlined
def _fill_basis(x, y, directions, distances, tables, table_of_line, step, half, basis):
    """Values of each unknown's own light in each pixel: spikes by line and side, level, slope."""
    lines = len(directions)
    middle = 0.0
    for p in range(len(x)):
        middle += np.hypot(x[p], y[p]) / len(x)
    cosines, sines = _cosines_and_sines(directions)
    for p in range(len(x)):
        row = basis[p]
        for i in range(2 * lines):
            row[i] = 0.0
        for i in range(lines):
            u = (y[p] * cosines[i] - x[p] * sines[i] - distances[i] + half) / step
            low = int(u)
            if u >= 0 and low < tables.shape[2] - 1:
                side = 0 if x[p] * cosines[i] + y[p] * sines[i] > 0 else 1
                table = tables[table_of_line[i], 0]
                row[2 * i + side] = table[low] + (u - low) * (table[low + 1] - table[low])
        row[2 * lines] = 1.0
        row[2 * lines + 1] = np.hypot(x[p], y[p]) - middle


@inlined
def _fill_moves(
    x, y, directions, distances, tables, table_of_line, step, half, fitted, moves
):  # fmt: skip
    """Change of each pixel's light with the lines' distances, directions and the width."""
    lines = len(directions)
    cosines, sines = _cosines_and_sines(directions)
    for p in range(len(x)):
        move = moves[p]
        for i in range(2 * lines + 1):
            move[i] = 0.0
        for i in range(lines):
            u = (y[p] * cosines[i] - x[p] * sines[i] - distances[i] + half) / step
            low = int(u)
            if u >= 0 and low < tables.shape[2] - 1:
                along = x[p] * cosines[i] + y[p] * sines[i]
                light = fitted[2 * i + (0 if along > 0 else 1)]
                table = tables[table_of_line[i]]
                mix = u - low
                slope = light * (table[1, low] + mix * (table[1, low + 1] - table[1, low]))
                move[i] = -slope
                move[lines + i] = -slope * along
                move[2 * lines] += light * (
                    table[2, low] + mix * (table[2, low + 1] - table[2, low])
                )


@inlined
def _normal_of_ring(basis, light, weight, inner, vector):
    """Add up the normal equations of one ring's own unknowns."""
    known = basis.shape[1]
    for i in range(known):
        vector[i] = 0.0
        for j in range(known):
            inner[i, j] = 0.0
    for p in range(len(light)):
        for i in range(known):
            b = weight[p] * basis[p, i]
            if b != 0.0:
                vector[i] += b * light[p]
                for j in range(i + 1):
                    inner[i, j] += b * basis[p, j]
    for i in range(known):
        for j in range(i):
            inner[j, i] = inner[i, j]


@inlined
def _absorbed(inner, active, basis, moves, weight, cross, variance):
    """Find what the ring's own unknowns would absorb of each move, and their variances."""
    known, unknown = cross.shape
    for i in range(known):
        for j in range(unknown):
            cross[i, j] = 0.0
    for p in range(len(weight)):
        for i in range(known):
            b = weight[p] * basis[p, i]
            if b != 0.0 and active[i]:
                for j in range(unknown):
                    cross[i, j] += b * moves[p, j]
    _solve_all(inner, active, cross, variance)


@inlined
def _solve_all(inner, active, cross, variance):
    """Solve for each column of `cross`, in place, and for the inverse's diagonal."""
    known, unknown = cross.shape
    work, column = np.empty((known, known)), np.empty(known)
    for j in range(unknown + known):
        for i in range(known):
            for m in range(known):
                work[i, m] = inner[i, m] if active[i] and active[m] else 0.0
            work[i, i] = work[i, i] * _FIRM if active[i] else 1.0
            if j < unknown:
                column[i] = cross[i, j]
            else:
                column[i] = 1.0 if i == j - unknown else 0.0
        _solve(work, column, known)
        for i in range(known):
            if j < unknown:
                cross[i, j] = column[i]
            elif i == j - unknown:
                variance[i] = column[i]


@inlined
def _add_moves(basis, moves, cross, active, left, weight, normal, scores):
    """Add one ring's pixels to the normal equations of the moves.

    Right sides are kept apart by the half spike that each pixel shows most of.
    """
    known, unknown = cross.shape
    projected = np.empty(unknown)
    for p in range(len(left)):
        for j in range(unknown):
            projected[j] = moves[p, j]
        most = 0
        for i in range(known):
            b = basis[p, i]
            if i < len(scores) and b > basis[p, most]:
                most = i
            if b != 0.0 and active[i]:
                for j in range(unknown):
                    projected[j] -= b * cross[i, j]
        for j in range(unknown):
            part = weight[p] * projected[j]
            scores[most, j] += part * left[p]
            for m in range(j + 1):
                normal[j, m] += part * projected[m]


@inlined
def _add_up(basis, amplitudes, model):
    """Light of one ring's pixels."""
    for p in range(len(model)):
        model[p] = 0.0
        for i in range(len(amplitudes)):
            model[p] += amplitudes[i] * basis[p, i]


@compiled
def spike_equations(
    x, y, light, weight, first, directions, distances, tables, table_of_line, step, half,
    amplitude, amplitude_var, model, normal, scores,
):  # fmt: skip
    """Fit each ring's spikes, and what is left tells how to move the lines.

    Parameters
    ----------
    x, y, light, weight : ndarray, shape (n,); first : ndarray of int, shape (rings + 1,)
        Pixels by rings, from the star's centre; weight 1 / variance; first pixel of each ring.
    directions, distances : ndarray, shape (lines,)
        Lines: radians, px.
    tables : ndarray, shape (kinds, 3, m); table_of_line : ndarray of int, shape (lines,)
        See `profile_tables`; `step` and `half` are their grid, px.
    amplitude, amplitude_var : ndarray, shape (rings, 2 lines + 2), filled
        Spikes by line and side, level, radial slope.
    model : ndarray, shape (n,), filled
        Light of the pixels.
    normal : ndarray, shape (m, m); scores : ndarray, shape (rings, 2 lines, m), filled
        Normal equations of steps in distances, directions and width, each ring's own unknowns
        eliminated: the matrix, and each ring's and half spike's part of the right side.

    Returns the weighted sum of squares.
    """
    lines = len(directions)
    known, unknown = 2 * lines + 2, 2 * lines + 1
    for j in range(unknown):
        for m in range(unknown):
            normal[j, m] = 0.0
        for k in range(len(scores)):
            for i in range(2 * lines):
                scores[k, i, j] = 0.0
    longest = 0
    for k in range(len(first) - 1):
        longest = max(longest, first[k + 1] - first[k])
    left_room = np.empty(longest)
    basis_room, moves_room = np.zeros((longest, known)), np.zeros((longest, unknown))
    inner, cross, vector = np.empty((known, known)), np.empty((known, unknown)), np.empty(known)
    active = np.empty(known, np.bool_)
    total = 0.0
    for k in range(len(first) - 1):
        ring = slice(first[k], first[k + 1])
        count = first[k + 1] - first[k]
        if count < 3 * known:
            for i in range(known):
                amplitude[k, i], amplitude_var[k, i] = 0.0, np.inf
            for p in range(first[k], first[k + 1]):
                model[p] = 0.0
            continue
        basis, moves = basis_room[:count], moves_room[:count]
        _fill_basis(
            x[ring], y[ring], directions, distances, tables, table_of_line, step, half, basis
        )
        _normal_of_ring(basis, light[ring], weight[ring], inner, vector)
        _amplitudes(inner, vector, lines, active, amplitude[k])
        _add_up(basis, amplitude[k], model[ring])
        left = left_room[:count]
        for p in range(count):
            left[p] = light[first[k] + p] - model[first[k] + p]
            total += weight[first[k] + p] * left[p] * left[p]
        _fill_moves(
            x[ring], y[ring], directions, distances, tables, table_of_line, step, half,
            amplitude[k], moves,
        )  # fmt: skip
        _absorbed(inner, active, basis, moves, weight[ring], cross, amplitude_var[k])
        _add_moves(basis, moves, cross, active, left, weight[ring], normal, scores[k])
    for j in range(unknown):
        for m in range(j):
            normal[m, j] = normal[j, m]
    return total
