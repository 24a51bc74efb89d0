"""Made-up frames of masked and unmasked stars with known truth, for tests and the benchmark."""

from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from prysm.fttools import mdft

from masks.prysm_star import Telescope, ray_offset_px, star_image
from starwinnow.frame import Capture, Frame
from starwinnow_sim import Camera, draw_hot_pixels
from starwinnow_sim.camera import expose
from starwinnow_sim.mask_frames import coloured_stars, render_diffracted
from starwinnow_sim.mask_optics import DiffractedStar, Light
from starwinnow_sim.mask_pupil import Aperture, FocusMask

__all__ = [
    "OPTICS", "UNMASKED", "Masked", "Optics", "as_frame", "draw_light_frame", "draw_masked",
    "draw_three_fold", "draw_unmasked", "light_images", "prysm_frame",
]  # fmt: skip

_APERTURE_MM = 80.0
_BAND_UM = np.linspace(0.42, 0.68, 13)


@dataclass(frozen=True, kw_only=True)
class Optics:
    """Telescope and sensor behind a mask."""

    focal_ratio: float
    pixel_um: float
    obstruction: float
    lean: int

    def aperture(self, mask: FocusMask | None, vanes: int = 0, vane_deg: float = 0.0) -> Aperture:
        """The telescope with or without its mask."""
        return Aperture(
            focal_length_mm=_APERTURE_MM * self.focal_ratio, aperture_mm=_APERTURE_MM,
            obstruction=self.obstruction, vanes=vanes, vane_deg=vane_deg, mask=mask,
        )  # fmt: skip


# Focal ratios 4 to 8, pixels 2.4 to 9 um, obstructions 0 to 0.4, both ways to lean.
OPTICS = [
    Optics(focal_ratio=ratio, pixel_um=pixel, obstruction=eps, lean=lean)
    for (ratio, eps), lean in zip(
        [(4.0, 0.0), (4.5, 0.3), (5.0, 0.4), (6.0, 0.0), (6.0, 0.2), (7.0, 0.0), (8.0, 0.35),
         (5.5, 0.0)],
        [1, -1, 1, -1, 1, -1, 1, -1],
        strict=True,
    )
    for pixel in (2.4, 3.76, 9.0)
]  # fmt: skip


@dataclass(frozen=True, kw_only=True)
class Masked:
    """A frame and what is true of its masked star."""

    frame: Frame
    x_px: float
    y_px: float
    centre_deg: float
    offset_px: float


def as_frame(pixels: NDArray[np.uint16], **cards: object) -> Frame:
    """A frame that never was a file."""
    return Frame(path=Path("made-up"), pixels=pixels, capture=Capture(**cards))  # type: ignore[arg-type]


def prysm_frame(
    rng: np.random.Generator, *, flux_e: float, defocus_um: float, seeing_px: float
) -> Masked:
    """One star by prysm at f/6 and 3.76 um, any turn, outer angle and lean, on a grey sensor."""
    scope = Telescope(
        centre_deg=rng.uniform(0, 360), outer_deg=rng.uniform(13, 29),
        lean=int(rng.choice([-1, 1])), period_mm=480 / rng.uniform(150, 195), defocus_um=defocus_um,
    )  # fmt: skip
    shift = rng.uniform(-0.5, 0.5, 2)
    band = (_BAND_UM[1:] + _BAND_UM[:-1]) / 2
    star = star_image(
        scope, band, half_px=75, seeing_px=seeing_px, shift_px=(float(shift[0]), float(shift[1]))
    )
    # prysm keeps the matrices of every shift and wavelength: gigabytes after some hundred stars.
    mdft.clear()
    camera = Camera(shape=(220, 240))
    light_e = np.full(camera.shape, 60.0, np.float32)
    light_e[30:181, 40:191] += flux_e * star
    sign = 1 if scope.centre_deg < 180 else -1
    return Masked(
        frame=as_frame(expose(light_e, camera, rng)),
        x_px=115 + float(shift[0]), y_px=105 + float(shift[1]),
        centre_deg=scope.centre_deg % 180, offset_px=sign * ray_offset_px(scope),
    )  # fmt: skip


def draw_masked(rng: np.random.Generator, optics: Optics, flux_e: float) -> Masked:
    """A masked star among masked neighbours on a sloping sky, grey or colour, hot pixels."""
    centre_deg = rng.uniform(0, 360)
    f_mm = _APERTURE_MM * optics.focal_ratio
    mask = FocusMask(
        centre_deg=centre_deg, outer_deg=rng.uniform(13, 29), chevron=optics.lean,
        slit_period_mm=f_mm / rng.uniform(150, 195),
    )  # fmt: skip
    vanes = int(rng.choice([3, 4])) if optics.obstruction > 0 else 0
    aperture = optics.aperture(mask, vanes, rng.uniform(0, 90))
    widest_um = float(rng.choice([10.0, 60.0, 200.0])) * optics.focal_ratio / 6
    defocus_um = rng.uniform(-widest_um, widest_um)
    camera = _camera(rng, optics, (360, 400))
    light = Light(
        defocus_um=defocus_um, seeing_px=rng.uniform(1.0, 2.2), pixel_um=optics.pixel_um, colours=12
    )
    images = coloured_stars(aperture, light, camera)
    x, y = rng.uniform(110, 290), rng.uniform(110, 250)
    stars = [(x, y, flux_e)] + [
        (rng.uniform(0, 400), rng.uniform(0, 360), min(0.3 * flux_e, 10 ** rng.uniform(2.5, 5)))
        for _ in range(rng.poisson(6))
    ]
    sign = 1 if centre_deg < 180 else -1
    return Masked(
        frame=as_frame(_expose(images, np.array(stars), camera, rng), pixel_um=optics.pixel_um),
        x_px=x, y_px=y, centre_deg=centre_deg % 180,
        offset_px=sign * aperture.offset_um(defocus_um) / optics.pixel_um,
    )  # fmt: skip


def draw_three_fold(rng: np.random.Generator, flux_e: float) -> Masked:
    """A star through a three-fold mask at f/6 and 3.76 um, any turn, on a grey sensor."""
    mask = FocusMask(
        kind="three-fold", centre_deg=rng.uniform(0, 360), outer_deg=rng.uniform(13, 26),
        chevron=int(rng.choice([-1, 1])), slit_period_mm=480 / rng.uniform(150, 195),
    )  # fmt: skip
    aperture = Aperture(mask=mask)
    defocus_um = rng.uniform(-1, 1) * float(rng.choice([45.0, 200.0]))
    camera = Camera(shape=(220, 240))
    light = Light(defocus_um=defocus_um, seeing_px=rng.uniform(1.0, 2.2), colours=12)
    x, y = rng.uniform(100, 140), rng.uniform(90, 130)
    pixels = render_diffracted(
        coloured_stars(aperture, light, camera, 75), np.array([[x, y, flux_e]]), 60.0, camera, rng
    )
    return Masked(
        frame=as_frame(pixels), x_px=x, y_px=y, centre_deg=mask.centre_deg,
        offset_px=aperture.offset_um(defocus_um) / light.pixel_um,
    )  # fmt: skip


def _camera(rng: np.random.Generator, optics: Optics, shape: tuple[int, int]) -> Camera:
    return Camera(
        shape=shape,
        pixel_um=optics.pixel_um,
        bayer_pattern="RGGB" if rng.random() < 0.3 else None,
        hot_pixels=draw_hot_pixels(shape, part=3e-4, rng=rng),
    )


def _expose(
    images: dict[str, DiffractedStar],
    stars: NDArray[np.float64],
    camera: Camera,
    rng: np.random.Generator,
) -> NDArray[np.uint16]:
    """Stars on a sky of 30 to 200 e with a slope of up to a third."""
    slope = 1 + rng.uniform(-0.3, 0.3) * np.linspace(-0.5, 0.5, camera.shape[1])
    sky_e = np.broadcast_to(rng.uniform(30, 200) * slope, camera.shape)
    return render_diffracted(images, stars, sky_e, camera, rng)


UNMASKED = ("refractor", "2 vanes", "3 vanes", "4 vanes", "disc", "trail")


def draw_unmasked(rng: np.random.Generator, kind: str) -> Frame:
    """A bright star and others without a mask: vanes, out of focus, or trailed."""
    optics = OPTICS[rng.integers(len(OPTICS))]
    vanes = int(kind[0]) if kind.endswith("vanes") else 0
    optics = replace(optics, obstruction=0.3 if vanes else 0.0)
    aperture = optics.aperture(None, vanes, rng.uniform(0, 90))
    disc_px = rng.uniform(4, 25) if kind == "disc" else rng.uniform(0, 2)
    light = Light(
        defocus_um=disc_px * optics.pixel_um * optics.focal_ratio, colours=10,
        seeing_px=rng.uniform(1.0, 2.5), pixel_um=optics.pixel_um,
    )  # fmt: skip
    camera = _camera(rng, optics, (360, 400))
    images = coloured_stars(aperture, light, camera)
    bright = [(rng.uniform(60, 340), rng.uniform(60, 300), 10 ** rng.uniform(5, 7.2))]
    others = [
        (rng.uniform(0, 400), rng.uniform(0, 360), 10 ** rng.uniform(2.5, 5.5))
        for _ in range(rng.poisson(12))
    ]
    stars = np.array(bright + others)
    if kind == "trail":
        length_px, turn = rng.uniform(4, 40), rng.uniform(0, np.pi)
        steps = np.linspace(-0.5, 0.5, 60) * length_px
        stars = np.array([
            (x + step * np.cos(turn), y + step * np.sin(turn), flux / len(steps))
            for x, y, flux in stars for step in steps
        ])  # fmt: skip
    return as_frame(_expose(images, stars, camera, rng), pixel_um=optics.pixel_um)


def light_images(
    rng: np.random.Generator, camera: Camera, optics: Optics, *, masked: bool
) -> dict[str, DiffractedStar]:
    """Star images of a light frame, near focus, with or without the mask."""
    f_mm = _APERTURE_MM * optics.focal_ratio
    mask = FocusMask(
        centre_deg=rng.uniform(0, 360), outer_deg=rng.uniform(13, 29), chevron=optics.lean,
        slit_period_mm=f_mm / rng.uniform(150, 195),
    )  # fmt: skip
    vanes = int(rng.choice([3, 4])) if optics.obstruction > 0 else 0
    light = Light(
        defocus_um=rng.normal(0, 30.0), seeing_px=rng.uniform(1.2, 3.0),
        pixel_um=optics.pixel_um, colours=12,
    )  # fmt: skip
    return coloured_stars(
        optics.aperture(mask if masked else None, vanes, rng.uniform(0, 90)), light, camera, 64
    )


def draw_light_frame(
    rng: np.random.Generator, images: dict[str, DiffractedStar], camera: Camera
) -> Frame:
    """15 to 60 stars of S/N 30 and more, N(> F) as F^-3/2, and 80 fainter ones.

    S/N is that of the core within 4 px, fitted with its own shape on the sky.
    """
    sky_e = rng.uniform(30, 300)
    core = next(iter(images.values())).stamp(0, 0, 4)
    area_px = core.sum() ** 2 / np.sum(core**2)
    least_e = 30 * np.sqrt((sky_e + 2.5) * area_px) / core.sum()
    bright = np.minimum(least_e * rng.random(rng.integers(15, 60)) ** (-2 / 3), 3e6)
    flux_e = np.concatenate([bright, least_e * rng.random(80)])
    ny, nx = camera.shape
    stars = np.column_stack(
        [rng.uniform(0, nx, len(flux_e)), rng.uniform(0, ny, len(flux_e)), flux_e]
    )
    slope = 1 + rng.uniform(-0.3, 0.3) * np.linspace(-0.5, 0.5, nx)
    sky = np.broadcast_to(sky_e * slope, camera.shape)
    return as_frame(render_diffracted(images, stars, sky, camera, rng))
