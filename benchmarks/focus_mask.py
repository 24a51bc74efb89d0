"""Focus-mask readings against truth: writes the page tables/focus_mask.md.

`python benchmarks/focus_mask.py` takes an hour of two cores, `--part 0.25` a quarter.
Offsets are measured on images drawn by prysm; the other figures on those of starwinnow_sim, which
the tests hold against prysm.
"""

import argparse
import os
import sys
import time
from collections.abc import Callable, Sequence
from concurrent.futures import ProcessPoolExecutor
from multiprocessing import get_context
from pathlib import Path
from typing import Any, TypeVar

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1] / "tests"))

from masks.trials import (
    OPTICS,
    UNMASKED,
    Masked,
    draw_light_frame,
    draw_masked,
    draw_three_fold,
    draw_unmasked,
    light_images,
    prysm_frame,
)

from starwinnow.background import measure_background
from starwinnow.detection import detect
from starwinnow.focus_mask import MaskReading, read_mask
from starwinnow.focus_mask.forgotten import is_mask_on
from starwinnow.focus_mask.spike_angles import same_side
from starwinnow.frame import Capture, Frame
from starwinnow.measure import measure
from starwinnow.sources import find_sources
from starwinnow_sim import Camera

_SEED = 81_005
_PAGE = Path(__file__).parent / "tables" / "focus_mask.md"
_UM_PER_PX = 44.97
_ONE_THREAD = dict.fromkeys(("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "NUMBA_NUM_THREADS"), "1")

Rows = list[str]
T = TypeVar("T")


def main() -> None:
    """Measure everything and write the page."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--part", type=float, default=1.0, help="part of all trials (1)")
    parser.add_argument("--out", type=Path, default=_PAGE, help="the page")
    options = parser.parse_args()
    start = time.perf_counter()
    # The workers are fresh processes that read this when they import numpy.
    os.environ.update(_ONE_THREAD)
    with ProcessPoolExecutor(2, mp_context=get_context("spawn")) as pool:
        lines = [
            "# Focus-mask readings",
            "",
            "Written by `python benchmarks/focus_mask.py`, seed "
            f"{_SEED}, {options.part:g} of the trials.",
            "",
        ]
        for section in (
            _offsets,
            _scale,
            _found,
            _three_fold,
            _false_alarms,
            _forgotten,
        ):
            lines += [*section(pool, options.part), ""]
            print(f"{section.__name__[1:]}: {time.perf_counter() - start:.0f} s", file=sys.stderr)
        lines += pool.submit(_speed).result()
    options.out.write_text("\n".join(lines) + "\n", encoding="utf-8")
    print(f"see {options.out}", file=sys.stderr)


def _run(
    pool: ProcessPoolExecutor, work: Callable[..., T], jobs: Sequence[tuple[Any, ...]]
) -> list[T]:
    return list(pool.map(work, *zip(*jobs, strict=True), chunksize=4))


def _generator(*key: int) -> np.random.Generator:
    return np.random.default_rng([_SEED, *key])


def _measured(truth: Masked, reading: MaskReading) -> tuple[float, float]:
    """Signed error of the star that was meant and its stated error; NaN where none was read."""
    for star in reading.stars:
        if np.hypot(star.x_px - truth.x_px, star.y_px - truth.y_px) < 14:
            triple = star.triples[0]
            # Directions near 0 and 180 degrees are the same, with the sign turned.
            flip = np.cos(np.radians(triple.centre_deg - truth.centre_deg))
            return float(np.sign(flip) * triple.offset_px - truth.offset_px), triple.offset_err_px
    return float("nan"), float("nan")


def _offset_trial(key: int, flux_e: float, defocus_um: float) -> tuple[float, float, float]:
    rng = _generator(1, key)
    if defocus_um == 0:
        # Offsets of up to a pixel either way, evenly.
        defocus_um = rng.uniform(-_UM_PER_PX, _UM_PER_PX)
    seeing_px = rng.uniform(1.0, 2.2)
    truth = prysm_frame(rng, flux_e=flux_e, defocus_um=defocus_um, seeing_px=seeing_px)
    error, stated = _measured(truth, read_mask(truth.frame))
    return error * np.sign(truth.offset_px), stated, abs(truth.offset_px)


def _offsets(pool: ProcessPoolExecutor, part: float) -> Rows:
    count = max(int(160 * part), 4)
    # Coverage has limits on both sides where there is little light: it must be known better.
    faint_count = max(int(400 * part), 4)
    rows = [
        "## Offsets up to 1 px",
        "",
        f"Images by prysm 0.21: f/6, 3.76 um, grey, seeing 1 to 2.2 px, any turn, outer angle 13 "
        f"to 29 degrees, both chevrons; {count} frames a row, {faint_count} at 1e5 and below.",
        "Limits: bias and scatter .03 px at 5e5 e and above, scatter .08 px at 1e5; truths inside",
        "the 68 % interval at least 62 % everywhere and at most 80 % at 1e5 and below. Bias is of",
        "the offset's size (below 0 reads low); scatter is the standard deviation.",
        "",
        "| light, e | found | bias, px | scatter, px | inside 68 % | median error stated, px |",
        "| --- | --- | --- | --- | --- | --- |",
    ]
    for row, flux_e in enumerate((5e4, 1e5, 5e5, 5e6, 2e7)):
        frames = faint_count if flux_e <= 1e5 else count
        jobs = [(1000 * row + k, flux_e, 0.0) for k in range(frames)]
        rows.append(f"| {flux_e:.0e} | {_offset_row(_run(pool, _offset_trial, jobs))} |")
    return rows


def _offset_row(results: list[tuple[float, float, float]]) -> str:
    error, stated, _ = np.array(results).T
    known = np.isfinite(error)
    error, stated = error[known], stated[known]
    inside = np.mean(np.abs(error) < stated)
    return (
        f"{np.mean(known):.0%} | {error.mean():+.3f} | {error.std():.3f} | {inside:.0%} | "
        f"{np.median(stated):.3f}"
    )


def _scale(pool: ProcessPoolExecutor, part: float) -> Rows:
    count = max(int(24 * part), 4)
    rows = [
        "## Scale",
        "",
        f"The same with known defocus; {count} frames a row. Limits: 5 % to 200 um, 8 % to 400 um.",
        "",
        "| defocus, um | light, e | found | bias, % | scatter, % | inside 68 % |",
        "| --- | --- | --- | --- | --- | --- |",
    ]
    row = 0
    for defocus_um in (100.0, 200.0, 400.0):
        for flux_e in (1e5, 5e5, 5e6):
            row += 1
            jobs = [(100_000 + 1000 * row + k, flux_e, defocus_um) for k in range(count)]
            error, stated, offset = np.array(_run(pool, _offset_trial, jobs)).T
            known = np.isfinite(error)
            relative = 100 * error[known] / offset[known]
            inside = np.mean(np.abs(error[known]) < stated[known])
            rows.append(
                f"| {defocus_um:.0f} | {flux_e:.0e} | {np.mean(known):.0%} |"
                f" {relative.mean():+.1f} | {relative.std():.1f} | {inside:.0%} |"
            )
    return rows


def _found_trial(key: int, index: int, flux_e: float) -> tuple[float, float, str]:
    truth = draw_masked(_generator(2, key), OPTICS[index], flux_e)
    reading = read_mask(truth.frame)
    return (*_measured(truth, reading), reading.reason)


def _found(pool: ProcessPoolExecutor, part: float) -> Rows:
    repeats = max(int(14 * part), 1)
    rows = [
        "## Masks found, and gross errors",
        "",
        f"{len(OPTICS)} optics (f/4 to f/8, 2.4 to 9 um, obstruction 0 to .4 with vanes, both "
        f"chevrons), {repeats} frames each a row: masked neighbours, hot pixels, slopes, three in",
        "ten on a colour sensor, defocus up to 200 um. Limits: found 97 % at 2e5 and above, 92 %",
        "at 1e5; gross errors (beyond .3 px and 4 stated errors) .5 % of all.",
        "",
        "| light, e | found | cannot tell | gross | inside 68 % |",
        "| --- | --- | --- | --- | --- |",
    ]
    for row, flux_e in enumerate((1e5, 2e5, 1e6, 1e7)):
        jobs = [
            (10_000 * row + 100 * index + k, index, flux_e)
            for index in range(len(OPTICS))
            for k in range(repeats)
        ]
        results = _run(pool, _found_trial, jobs)
        error = np.array([result[0] for result in results])
        stated = np.array([result[1] for result in results])
        known = np.isfinite(error)
        hidden = np.array(["fills" in result[2] or "saturated" in result[2] for result in results])
        gross = np.abs(error[known]) > np.maximum(0.3, 4 * stated[known])
        rows.append(
            f"| {flux_e:.0e} | {np.sum(known)}/{np.sum(~hidden)} |"
            f" {np.sum(hidden)} | {np.sum(gross)} | {np.mean(np.abs(error) < stated):.0%} |"
        )
    return rows


def _three_fold_trial(key: int, flux_e: float) -> tuple[float, float, float]:
    """Error of the mean offset, the error stated, and scatter of the triples."""
    truth = draw_three_fold(_generator(6, key), flux_e)
    reading = read_mask(truth.frame)
    if reading.kind != "three-fold":
        return float("nan"), float("nan"), float(bool(reading.stars))
    # Directions are known up to sixths of a turn, and the sign goes with them.
    turn_deg = reading.stars[0].triples[0].centre_deg
    flip = 1 if same_side(turn_deg, truth.centre_deg, "three-fold") else -1
    return flip * reading.offset_px - truth.offset_px, reading.offset_err_px, 0.0


def _three_fold(pool: ProcessPoolExecutor, part: float) -> Rows:
    count = max(int(80 * part), 4)
    rows = [
        "## Three-fold masks",
        "",
        f"Images by starwinnow_sim: f/6, 3.76 um, outer angle 13 to 26 degrees, both chevrons, "
        f"defocus to 200 um; {count} frames a row. Gross: beyond .3 px and 4 stated errors.",
        "",
        "| light, e | found | taken for single | gross | median error, px | inside 68 % |",
        "| --- | --- | --- | --- | --- | --- |",
    ]
    for row, flux_e in enumerate((3e5, 1e6, 1e7)):
        jobs = [(1000 * row + k, flux_e) for k in range(count)]
        error, stated, single = np.array(_run(pool, _three_fold_trial, jobs)).T
        known = np.isfinite(error)
        size = np.abs(error[known])
        gross = np.sum(size > np.maximum(0.3, 4 * stated[known]))
        rows.append(
            f"| {flux_e:.0e} | {np.mean(known):.0%} | {int(single.sum())} | {gross} |"
            f" {np.median(size):.3f} | {np.mean(size < stated[known]):.0%} |"
        )
    return rows


def _false_trial(key: int, kind: str) -> bool:
    return bool(read_mask(draw_unmasked(_generator(7, key), kind)).stars)


def _false_alarms(pool: ProcessPoolExecutor, part: float) -> Rows:
    count = max(int(84 * part), 2)
    rows = [
        "## False alarms",
        "",
        "Unmasked frames taken for masked. Limits: 1 % of all, none untrailed.",
        "",
        "| frames | false |",
        "| --- | --- |",
    ]
    for row, kind in enumerate(UNMASKED):
        false = _run(pool, _false_trial, [(1000 * row + k, kind) for k in range(count)])
        rows.append(f"| {kind} | {sum(false)}/{count} |")
    return rows


def _forgotten_trial(key: int, masked: bool, repeats: int) -> list[bool]:
    """Several fields with one telescope: drawing its star image is what takes time."""
    rng = _generator(4, key)
    optics = OPTICS[rng.integers(len(OPTICS))]
    # Sensors of 9 um put the first order inside the cores of a short telescope.
    while optics.pixel_um > 5:
        optics = OPTICS[rng.integers(len(OPTICS))]
    camera = Camera(shape=(800, 1100), bayer_pattern="RGGB" if rng.random() < 0.3 else None)
    images = light_images(rng, camera, optics, masked=masked)
    answers = []
    for _ in range(repeats):
        frame = draw_light_frame(rng, images, camera)
        background = measure_background(frame.pixels)
        sources = find_sources(frame, background, detect(frame.pixels, background))
        answers.append(is_mask_on(frame.pixels, background, sources))
    return answers


def _forgotten(pool: ProcessPoolExecutor, part: float) -> Rows:
    rows = [
        "## A mask left on",
        "",
        "Light frames of 0.9 Mpx with 15 to 60 stars of S/N 30 and more, pixels 2.4 and 3.76 um.",
        "Limits: 95 % of masked frames, 3 of 3,000 others.",
        "",
        "| frames | called masked |",
        "| --- | --- |",
    ]
    for name, masked, telescopes, repeats in (
        ("masked", True, 150, 2),
        ("not masked", False, 120, 25),
    ):
        jobs = [(int(masked) * 1000 + k, masked, repeats) for k in range(int(telescopes * part))]
        answers = [answer for result in _run(pool, _forgotten_trial, jobs) for answer in result]
        rows.append(f"| {name} | {sum(answers)}/{len(answers)} |")
    return rows


def _seconds(work: Callable[[], object], repeats: int) -> float:
    work()
    took = []
    for _ in range(repeats):
        start = time.perf_counter()
        work()
        took.append(time.perf_counter() - start)
    return float(np.median(took))


def _placed(star: Frame, shape: tuple[int, int], rng: np.random.Generator) -> Frame:
    """Put a masked star in the middle of a large frame of sky."""
    pixels = rng.normal(580, 12, shape).astype(np.uint16)
    ny, nx = star.pixels.shape
    top, left = (shape[0] - ny) // 2, (shape[1] - nx) // 2
    pixels[top : top + ny, left : left + nx] = star.pixels
    return Frame(path=star.path, pixels=pixels, capture=Capture())


def _speed() -> Rows:
    rng = _generator(5)
    rows = [
        "## Time",
        "",
        "Medians on one thread, the frame in memory. Limits: 1 s for 600x800 px, 3 s for 26 Mpx;",
        "of measuring a light frame of 2 Mpx at most 15 %.",
        "",
        "| task | time, s |",
        "| --- | --- |",
    ]
    for shape in ((600, 800), (4176, 6248)):
        for flux_e in (2e5, 5e6):
            star = prysm_frame(rng, flux_e=flux_e, defocus_um=60.0, seeing_px=1.5).frame
            frame = _placed(star, shape, rng)
            took = _seconds(lambda frame=frame: read_mask(frame), 5)
            rows.append(f"| read {shape[1]}x{shape[0]} px, star of {flux_e:.0e} e | {took:.2f} |")
    for kind in ("refractor", "4 vanes"):
        frames = [draw_unmasked(_generator(8, k), kind) for k in range(9)]
        took = float(
            np.median([_seconds(lambda frame=frame: read_mask(frame), 1) for frame in frames])
        )
        ny, nx = frames[0].pixels.shape
        rows.append(f"| read {nx}x{ny} px, no mask, {kind} | {took:.2f} |")
    camera = Camera(shape=(1216, 1648))
    frame = draw_light_frame(rng, light_images(rng, camera, OPTICS[1], masked=False), camera)
    background = measure_background(frame.pixels)
    sources = find_sources(frame, background, detect(frame.pixels, background))
    asking = _seconds(lambda: is_mask_on(frame.pixels, background, sources), 15)
    whole = _seconds(lambda: measure(frame), 15)
    rows.append(f"| mask left on, part of measuring 2 Mpx | {asking / whole:.0%} |")
    return rows


if __name__ == "__main__":
    main()
