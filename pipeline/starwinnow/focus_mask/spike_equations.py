"""Loops over pixels of the spike fit: normal equations with each ring's own light eliminated."""

import numpy as np

from starwinnow.compiled import compiled, inlined

__all__ = ["spike_equations"]


@inlined
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


@compiled
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
            work[i, i] = normal[i, i] * (1 + 1e-9) if active[i] else 1.0
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


@compiled
def spike_equations(  # noqa: C901
    x, y, light, weight, first, directions, distances, tables, table_of_line, step, half,
    amplitude, amplitude_var, model, normal, right, scatter,
):  # fmt: skip
    """Fit each ring's spikes, and what is left tells how to move the lines.

    Parameters
    ----------
    x, y, light, weight : ndarray, shape (n,)
        Pixels in the order of rings, places from the star's centre; weight 1 / variance.
    first : ndarray of int, shape (rings + 1,)
        First pixel of each ring.
    directions, distances : ndarray, shape (lines,)
        Lines: radians, px.
    tables : ndarray, shape (kinds, 3, m)
        Profile, slope, change with width; see `profile_tables`.
    table_of_line : ndarray of int, shape (lines,)
    step, half : float
        Grid of the tables, px.
    amplitude, amplitude_var : ndarray, shape (rings, 2 lines + 2), filled
    model : ndarray, shape (n,), filled
    normal, right : ndarray, shape (2 lines + 1, 2 lines + 1) and (2 lines + 1,), filled
        Normal equations of steps in distances, directions and width.
    scatter : ndarray, shape (2 lines + 1, 2 lines + 1), filled
        Sum over half rings of the outer product of their part of `right`.

    Returns
    -------
    float
        Weighted sum of squares.
    """
    lines = len(directions)
    known = 2 * lines + 2
    unknown = 2 * lines + 1
    normal[:] = 0
    right[:] = 0
    scatter[:] = 0
    longest = 0
    for k in range(len(first) - 1):
        longest = max(longest, first[k + 1] - first[k])
    basis = np.zeros((longest, known))
    moves = np.zeros((longest, unknown))
    inner, cross = np.empty((known, known)), np.empty((known, unknown))
    vector, fitted = np.empty(known), np.empty(known)
    active = np.empty(known, np.bool_)
    cosines, sines = np.cos(directions), np.sin(directions)
    c0, s0 = cosines[0], sines[0]
    work = np.empty((known, known))
    column, scores = np.empty(known), np.zeros((2, unknown))
    projected = np.empty(unknown)
    total = 0.0
    for k in range(len(first) - 1):
        begin, count = first[k], first[k + 1] - first[k]
        if count < 3 * known:
            amplitude[k] = 0
            amplitude_var[k] = np.inf
            for p in range(count):
                model[begin + p] = 0
            continue
        middle = 0.0
        for p in range(count):
            middle += np.hypot(x[begin + p], y[begin + p])
        middle /= count
        inner[:] = 0
        vector[:] = 0
        for p in range(count):
            px, py, w, v = x[begin + p], y[begin + p], weight[begin + p], light[begin + p]
            row = basis[p]
            row[:] = 0
            for i in range(lines):
                c, s = cosines[i], sines[i]
                u = (py * c - px * s - distances[i] + half) / step
                low = int(u)
                if u >= 0 and low < tables.shape[2] - 1:
                    side = 0 if px * c + py * s > 0 else 1
                    table = tables[table_of_line[i], 0]
                    row[2 * i + side] = table[low] + (u - low) * (table[low + 1] - table[low])
            row[known - 2] = 1.0
            row[known - 1] = np.hypot(px, py) - middle
            for i in range(known):
                if row[i] != 0.0:
                    vector[i] += w * row[i] * v
                    for j in range(i + 1):
                        inner[i, j] += w * row[i] * row[j]
        for i in range(known):
            for j in range(i):
                inner[j, i] = inner[i, j]
        _amplitudes(inner, vector, lines, active, fitted)
        amplitude[k] = fitted
        cross[:] = 0
        for p in range(count):
            px, py, w = x[begin + p], y[begin + p], weight[begin + p]
            value = 0.0
            for i in range(known):
                value += fitted[i] * basis[p, i]
            model[begin + p] = value
            left = light[begin + p] - value
            total += w * left * left
            move = moves[p]
            move[:] = 0
            for i in range(lines):
                c, s = cosines[i], sines[i]
                u = (py * c - px * s - distances[i] + half) / step
                low = int(u)
                if u >= 0 and low < tables.shape[2] - 1:
                    along = px * c + py * s
                    a = fitted[2 * i + (0 if along > 0 else 1)]
                    if a > 0:
                        table = tables[table_of_line[i]]
                        mix = u - low
                        slope = a * (table[1, low] + mix * (table[1, low + 1] - table[1, low]))
                        move[i] = -slope
                        move[lines + i] = -slope * along
                        move[unknown - 1] += a * (
                            table[2, low] + mix * (table[2, low + 1] - table[2, low])
                        )
            for i in range(known):
                if basis[p, i] != 0.0 and active[i]:
                    for j in range(unknown):
                        cross[i, j] += w * basis[p, i] * move[j]
        # Take out of the moves what the ring's own unknowns would absorb.
        for j in range(unknown + known):
            for i in range(known):
                for m in range(known):
                    work[i, m] = inner[i, m] if active[i] and active[m] else 0.0
                if not active[i]:
                    work[i, i] = 1.0
                else:
                    work[i, i] *= 1 + 1e-9
            if j < unknown:
                for i in range(known):
                    column[i] = cross[i, j]
                _solve(work, column, known)
                for i in range(known):
                    cross[i, j] = column[i]
            else:
                column[:] = 0
                column[j - unknown] = 1.0
                _solve(work, column, known)
                amplitude_var[k, j - unknown] = column[j - unknown]
        scores[:] = 0
        for p in range(count):
            px, py, w = x[begin + p], y[begin + p], weight[begin + p]
            left = light[begin + p] - model[begin + p]
            side = 0 if px * c0 + py * s0 > 0 else 1
            for j in range(unknown):
                projected[j] = moves[p, j]
            for i in range(known):
                b = basis[p, i]
                if b != 0.0 and active[i]:
                    for j in range(unknown):
                        projected[j] -= b * cross[i, j]
            for j in range(unknown):
                scores[side, j] += w * left * projected[j]
                for m in range(j + 1):
                    normal[j, m] += w * projected[j] * projected[m]
        for side in range(2):
            for j in range(unknown):
                right[j] += scores[side, j]
                for m in range(unknown):
                    scatter[j, m] += scores[side, j] * scores[side, m]
    for j in range(unknown):
        for m in range(j):
            normal[m, j] = normal[j, m]
    return total
