"""Compiles the measuring code, once on a machine, on all cores."""

import gc
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures.process import BrokenProcessPool
from contextlib import contextmanager
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from starwinnow import relate
from starwinnow.background import Background, measure_background
from starwinnow.compiled import can_compile_at_once, is_ready, mark_ready
from starwinnow.cores import usable_cores
from starwinnow.detection import detect
from starwinnow.focus_mask import first_use
from starwinnow.focus_mask.forgotten import is_mask_on
from starwinnow.frame import Capture, Frame
from starwinnow.measure import measure, measure_stars
from starwinnow.processes import start_processes
from starwinnow.readers import in_place
from starwinnow.sources import Sources, cover, find_sources
from starwinnow.thumbnail import thumbnail

__all__ = ["ALL_PARTS", "PIXEL_KINDS", "Part", "is_prepared", "prepare", "warm_up"]

Part = Literal["uint16", "float32", "masks"]
PIXEL_KINDS: tuple[Part, ...] = ("uint16", "float32")
"""Frames of either kind of pixels."""
ALL_PARTS: tuple[Part, ...] = (*PIXEL_KINDS, "masks")
"""Those, and reading focus masks."""

_SIDE_PX, _SKY_ADU, _PEAK_ADU, _NOISE_ADU = 240, 100.0, 1000.0, 4.0
# Light of stars whose places follow the noise so far that the fit's bias is looked at.
_FAINT = 0.03
# More processes than this wait for each other's work.
_MOST_PROCESSES = 4


def is_prepared(parts: Sequence[Part] = ALL_PARTS) -> bool:
    """Whether the code for these parts is on disk in compiled form."""
    # Readiness is that of all kernels imported so far: this module imports them all.
    return all(is_ready(part) for part in parts)


def prepare(parts: Sequence[Part] = ALL_PARTS) -> None:
    """Compile the code for some parts and keep it on disk.

    Only one thread of a process can compile at a time. So some processes compile what does not
    need each other's work; then this process looks through all of it, and compiles what is left.
    """
    jobs = _jobs(parts)
    with _without_search_for_cycles():
        processes = min(usable_cores(), len(jobs), _MOST_PROCESSES)
        if processes > 1 and can_compile_at_once():
            _compile_at_once(jobs, processes)
        for job in jobs:
            job()
        warm_up(_kinds(parts))
    for part in parts:
        mark_ready(part)


def _compile_at_once(jobs: Sequence[Callable[[], None]], processes: int) -> None:
    """Do the jobs here and in more processes."""
    pool = start_processes(processes - 1, heed_ctrl_c=True)
    try:
        others = [(job, pool.submit(_run, job)) for job in jobs[1:]]
        jobs[0]()
        for job, done in reversed(others):
            # What no process was given yet is done here.
            if done.cancel():
                job()
            # If they broke down this process does it all, and tells what is wrong if that fails
            # too.
            elif not isinstance(done.exception(), BrokenProcessPool | None):
                done.result()
    except BaseException:
        pool.shutdown(wait=False, cancel_futures=True)
        raise
    pool.shutdown()


def warm_up(kinds: Sequence[str] = PIXEL_KINDS) -> None:
    """Measure small made-up frames that take every path, as they are and told their stars."""
    for kind in kinds:
        for scene in _scenes():
            measure(scene.frame(kind))
        # Not all are taken for what they are meant to be.
        _compile_for_stars(kind)


def _jobs(parts: Sequence[Part]) -> list[Callable[[], None]]:
    """Work that needs little of each other, the longest first."""
    kinds = _kinds(parts)
    jobs: list[Callable[[], None]] = [partial(_compile_for_stars, kind) for kind in kinds[:1]]
    jobs += [partial(_compile_for_pixels, kind) for kind in kinds]
    if "masks" in parts:
        jobs.append(first_use.warm_up)
    if kinds:
        jobs.append(relate.warm_up)
    return [*jobs, in_place.warm_up]


def _kinds(parts: Sequence[Part]) -> list[Part]:
    return [part for part in parts if part != "masks"]


def _run(job: Callable[[], None]) -> None:
    with _without_search_for_cycles():
        job()


def _compile_for_pixels(kind: str) -> None:
    """Compile what finds the objects of a frame."""
    for scene in _scenes():
        frame = scene.frame(kind)
        rough = measure_background(frame.pixels)
        sources = find_sources(frame, rough, detect(frame.pixels, rough))
        covered = cover(sources, rough, frame.pixels.shape)
        measure_background(frame.pixels, covered)
        # The green pixels of a colour mosaic are floats.
        green = scene.frame("float32").pixels
        thumbnail(green, measure_background(green, covered))
        is_mask_on(frame.pixels, rough, sources)


def _compile_for_stars(kind: str) -> None:
    """Compile what measures the objects of a frame, told where they are."""
    for scene in _scenes():
        measure_stars(scene.frame(kind), scene.background, scene.sources)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Scene:
    """A made-up frame, and what is to be seen on it."""

    light_adu: NDArray[np.float64]
    x_px: NDArray[np.float64]
    y_px: NDArray[np.float64]
    size_px: float

    def frame(self, kind: str) -> Frame:
        pixels = (_sky() + self.light_adu).astype(kind)
        return Frame(path=Path("warm-up"), pixels=pixels, capture=Capture())

    @property
    def background(self) -> Background:
        return Background(
            mesh_adu=np.full((4, 4), _SKY_ADU, np.float32),
            cells_per_px=(4 / _SIDE_PX, 4 / _SIDE_PX),
            level_adu=_SKY_ADU,
            level_err_adu=_NOISE_ADU / _SIDE_PX,
            local_err_adu=_NOISE_ADU / 8,
            noise_adu=_NOISE_ADU,
        )

    @property
    def sources(self) -> Sources:
        alike = np.ones(len(self.x_px))
        return Sources(
            x_px=self.x_px.copy(),
            y_px=self.y_px.copy(),
            significance=_PEAK_ADU / _NOISE_ADU * alike,
            peak_adu=_PEAK_ADU * alike,
            size_px=self.size_px * alike,
            flags=np.zeros(len(alike), np.int32),
        )


def _scenes() -> Iterator[_Scene]:
    """Stars, faint ones, doubled ones, and rings far out of focus take every path between them."""
    y, x = _indices()
    places = 24.0 + 48.0 * np.array([(k % 5, k // 5) for k in range(25)])
    stars = np.zeros(x.shape)
    for x0, y0 in places:
        stars += _PEAK_ADU * np.exp(-((x - x0) ** 2 + (y - y0) ** 2) / 4.0)
    for light in (stars, _FAINT * stars):
        yield _Scene(light_adu=light, x_px=places[:, 0], y_px=places[:, 1], size_px=3.3)
    doubled = stars + 0.6 * np.roll(stars, (5, 9), axis=(0, 1))
    both = np.concatenate([places, places + np.array([9.0, 5.0])])
    yield _Scene(light_adu=doubled, x_px=both[:, 0], y_px=both[:, 1], size_px=3.3)
    places = 30.0 + 60.0 * np.array([(k % 4, k // 4) for k in range(16)])
    rings = np.zeros(x.shape)
    for x0, y0 in places:
        radius = np.hypot(x - x0, y - y0)
        rings += _PEAK_ADU * np.clip(9.5 - radius, 0, 1) * np.clip(radius - 3.5, 0, 1)
    yield _Scene(light_adu=rings, x_px=places[:, 0], y_px=places[:, 1], size_px=17.0)


def _sky() -> NDArray[np.float64]:
    y, x = _indices()
    level: NDArray[np.float64] = _SKY_ADU + 3.0 * ((7 * x + 13 * y) % 5)
    return level


def _indices() -> NDArray[np.int64]:
    found: NDArray[np.int64] = np.indices((_SIDE_PX, _SIDE_PX))
    return found


@contextmanager
def _without_search_for_cycles() -> Iterator[None]:
    """Compiling makes many objects that live on: a search for cycles among them is vain.

    That holds later too, and when the process ends, which then takes a second less.
    """
    gc.disable()
    try:
        yield
    finally:
        gc.freeze()
        gc.enable()
