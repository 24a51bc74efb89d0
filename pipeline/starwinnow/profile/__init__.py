"""Star profile figures: one joint fit of a frame's stars, and what follows from it."""

from starwinnow.profile.asymmetry import UNKNOWN_TAILS, corner_tails
from starwinnow.profile.average_star import average_star
from starwinnow.profile.both_images import (
    add_second_image,
    both_fluxes,
    figures_of_both,
    first_images_alone,
)
from starwinnow.profile.discs import (
    Disc,
    centered_on_disc,
    disc_of,
    figures_of_disc,
    sources_of_discs,
)
from starwinnow.profile.figures import StarFigures, star_figures
from starwinnow.profile.joint_fit import JointFit, fit_stars
from starwinnow.profile.moffat import imaged_figures, unit_flux
from starwinnow.profile.photometry import star_columns

__all__ = [
    "UNKNOWN_TAILS",
    "Disc",
    "JointFit",
    "StarFigures",
    "add_second_image",
    "average_star",
    "both_fluxes",
    "centered_on_disc",
    "corner_tails",
    "disc_of",
    "figures_of_both",
    "figures_of_disc",
    "first_images_alone",
    "fit_stars",
    "imaged_figures",
    "sources_of_discs",
    "star_columns",
    "star_figures",
    "unit_flux",
]
