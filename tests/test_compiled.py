"""Compiled code: kept by several processes at once, and started without what it does not need."""

import subprocess
import sys

_KERNELS = 12
_MODULE = f"""
from starwinnow.compiled import compiled

def made(number):
    @compiled
    def total(values):
        found = 0.0
        for value in values:
            found += number * value
        return found
    return total

kernels = [made(float(number)) for number in range({_KERNELS})]
"""
# Both wait for each other before every kernel, so that they keep it at about the same time.
_COMPILE = """
import sys, time
from pathlib import Path

import numpy as np
from made_kernels import kernels

kind, other = sys.argv[1:]
for number, kernel in enumerate(kernels):
    Path(f"{kind}-{number}").touch()
    while not Path(f"{other}-{number}").exists():
        time.sleep(0.001)
    kernel(np.ones(3, kind))
"""
_LOAD = """
import numpy as np
from made_kernels import kernels

for number, kernel in enumerate(kernels):
    for kind in ("uint16", "float32"):
        assert kernel(np.full(3, 2, kind)) == 6 * number, (number, kind)
    print(sum(kernel.stats.cache_hits.values()), sum(kernel.stats.cache_misses.values()))
"""


def test_processes_that_keep_a_kernel_at_once_leave_the_right_code(tmp_path) -> None:
    (tmp_path / "made_kernels.py").write_text(_MODULE)
    kinds = ["uint16", "float32"]
    both = [
        subprocess.Popen([sys.executable, "-c", _COMPILE, *order], cwd=tmp_path)
        for order in (kinds, kinds[::-1])
    ]
    assert [one.wait(timeout=120) for one in both] == [0, 0]
    loaded = subprocess.run(
        [sys.executable, "-c", _LOAD],
        cwd=tmp_path, capture_output=True, text=True, check=True, timeout=120,
    )  # fmt: skip
    assert loaded.stdout.split("\n") == [*["2 0"] * _KERNELS, ""]


# The looking for linear algebra is put off; see `starwinnow.compiled`.
_LINEAR_ALGEBRA = """
import sys

import numba
import numpy as np
from starwinnow.compiled import compiled

@compiled
def total(values):
    return values.sum()

assert total(np.ones(3)) == 3
assert "scipy.linalg" not in sys.modules

@numba.njit
def product(first, second):
    return first @ second, np.linalg.solve(first, second), np.cov(first)

first, second = np.array([[2.0, 1.0], [0.0, 4.0]]), np.array([[1.0, 3.0], [5.0, 7.0]])
found = product(first, second)
expected = first @ second, np.linalg.solve(first, second), np.cov(first)
assert all(np.allclose(one, other) for one, other in zip(found, expected, strict=True))
assert "scipy.linalg" in sys.modules
"""


def test_kernels_start_without_linear_algebra_and_leave_it_to_those_of_others(tmp_path) -> None:
    (tmp_path / "others.py").write_text(_LINEAR_ALGEBRA)
    subprocess.run([sys.executable, "others.py"], cwd=tmp_path, check=True, timeout=120)
