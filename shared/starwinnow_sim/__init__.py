"""Renders star fields with known truth, for the demo, the tests and the benchmarks.

`render_frame` draws one exposure of a `StarField` under the conditions of a `FrameTruth` with a
`Camera`; `true_figures` tells what a perfect measurement of it would give. `make_night` makes up
the conditions of a night, `events` adds things that happen, `write_night` renders it into a
folder, and `write_sample_night` writes the sample night. Chance comes from the generator passed
in; the same generator gives the same pixels. Nothing here measures frames or shares code with
the part that does. Lengths are in pixels, the first pixel's centre is (0, 0), x is the column,
and angles run from +x towards +y.
"""

from starwinnow_sim.camera import Camera, HotPixels, draw_hot_pixels
from starwinnow_sim.field import Galaxies, StarField, draw_star_field
from starwinnow_sim.frame_truth import FrameTruth, place_in_frame
from starwinnow_sim.nights import CALM, ROUGH, Weather, make_night, ordinary_night
from starwinnow_sim.render import expected_light, render_frame
from starwinnow_sim.scenario import write_sample_night
from starwinnow_sim.star_shape import StarShape
from starwinnow_sim.true_figures import StarFigures, TrueFigures, star_figures, true_figures
from starwinnow_sim.write import write_frame, write_night

__all__ = [
    "CALM",
    "ROUGH",
    "Camera",
    "FrameTruth",
    "Galaxies",
    "HotPixels",
    "StarField",
    "StarFigures",
    "StarShape",
    "TrueFigures",
    "Weather",
    "draw_hot_pixels",
    "draw_star_field",
    "expected_light",
    "make_night",
    "ordinary_night",
    "place_in_frame",
    "render_frame",
    "star_figures",
    "true_figures",
    "write_frame",
    "write_night",
    "write_sample_night",
]
