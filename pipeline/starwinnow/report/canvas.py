"""A picture to draw on in one of two lights: by day, or dim red for eyes used to the dark."""

from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageDraw, ImageFont

from starwinnow.errors import OutputError

__all__ = ["THEMES", "Canvas", "Colour", "Theme", "ThemeName"]

ThemeName = Literal["day", "red"]
Colour = tuple[int, int, int]
_Point = tuple[float, float]

# Everything is drawn larger, then made smaller: smooth edges.
_FINER = 3


@dataclass(frozen=True, slots=True, kw_only=True)
class Theme:
    """Colours of a picture; what must be told apart differs in brightness and form too.

    Attributes
    ----------
    paper, ink, quiet : tuple of int
        Ground, what must be read, what may be passed over.
    band, edge : tuple of int
        The tolerance, and where it is not sure.
    centre, outer : tuple of int
        Centre spike and outer pair.
    white : tuple of int
        Brightest point of a star's picture; the darkest is black.
    """

    paper: Colour
    ink: Colour
    quiet: Colour
    band: Colour
    edge: Colour
    centre: Colour
    outer: Colour
    white: Colour


THEMES: dict[ThemeName, Theme] = {
    "day": Theme(
        paper=(255, 255, 255), ink=(20, 24, 28), quiet=(98, 106, 114), band=(196, 222, 240),
        edge=(228, 240, 248), centre=(176, 64, 0), outer=(60, 104, 150), white=(255, 255, 255),
    ),
    # Red alone, and little of it.
    "red": Theme(
        paper=(0, 0, 0), ink=(214, 0, 0), quiet=(158, 0, 0), band=(76, 0, 0),
        edge=(44, 0, 0), centre=(235, 0, 0), outer=(170, 0, 0), white=(200, 0, 0),
    ),
}  # fmt: skip


class Canvas:
    """Draws in pixels of the finished picture; (0, 0) is its upper left corner."""

    def __init__(self, width: int, height: int, theme: Theme) -> None:
        self.width, self.height, self.theme = width, height, theme
        self._image = Image.new("RGB", (width * _FINER, height * _FINER), theme.paper)
        self._draw = ImageDraw.Draw(self._image)

    def line(self, points: list[_Point], colour: Colour, width: float = 1.5) -> None:
        """Draw a line through points."""
        scaled = [(x * _FINER, y * _FINER) for x, y in points]
        self._draw.line(scaled, fill=colour, width=round(width * _FINER), joint="curve")

    def dashed(self, points: list[_Point], colour: Colour, width: float, dash: float) -> None:
        """Draw a dashed line through points; a gap is half as long as a dash."""
        path = np.array(points)
        travelled = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(path, axis=0).T))])
        for start in np.arange(0, travelled[-1], 1.5 * dash):
            inside = (travelled > start) & (travelled < start + dash)
            at = np.array([start, *travelled[inside], min(start + dash, travelled[-1])])
            x, y = (np.interp(at, travelled, path[:, axis]) for axis in (0, 1))
            self.line(list(zip(x.tolist(), y.tolist(), strict=True)), colour, width)

    def area(self, points: list[_Point], colour: Colour) -> None:
        """Fill a polygon."""
        self._draw.polygon([(x * _FINER, y * _FINER) for x, y in points], fill=colour)

    def box(self, left: float, top: float, right: float, bottom: float, colour: Colour) -> None:
        """Fill a box."""
        self.area([(left, top), (right, top), (right, bottom), (left, bottom)], colour)

    def text(
        self,
        place: _Point,
        words: str,
        size: float,
        colour: Colour,
        *,
        anchor: str = "la",
        bold: bool = False,
    ) -> None:
        """Write one line; `anchor` says which point of the text lies at `place`, as Pillow does."""
        self._draw.text(
            (place[0] * _FINER, place[1] * _FINER),
            words,
            fill=colour,
            font=_font(size),
            anchor=anchor,
            stroke_width=round(size * _FINER / 36) if bold else 0,
            stroke_fill=colour,
        )

    def text_width(self, words: str, size: float) -> float:
        """Width of a line of text, px."""
        return float(self._draw.textlength(words, font=_font(size))) / _FINER

    def wrapped(self, words: str, size: float, room: float) -> list[str]:
        """Break a text into lines that fit into `room` px."""
        lines: list[str] = []
        for word in words.split():
            longer = f"{lines[-1]} {word}" if lines else word
            if lines and self.text_width(longer, size) <= room:
                lines[-1] = longer
            else:
                lines.append(word)
        return lines

    def picture(self, shades: NDArray[np.float64], place: _Point, side: float) -> None:
        """Put a square of shades, 0 black to 1 white, with sharp pixels; row 0 on top."""
        white = np.array(self.theme.white, np.float64)
        colours = np.round(np.clip(shades, 0, 1)[..., None] * white).astype(np.uint8)
        size = (round(side * _FINER), round(side * _FINER))
        small = Image.fromarray(colours).resize(size, Image.Resampling.NEAREST)
        self._image.paste(small, (round(place[0] * _FINER), round(place[1] * _FINER)))

    def save(self, path: Path) -> None:
        """Write the picture as PNG, whole or not at all.

        Raises
        ------
        OutputError
            If it cannot be written.
        """
        size = (self.width, self.height)
        temporary = path.with_name(f".{path.name}.part")
        try:
            self._image.resize(size, Image.Resampling.BOX).save(temporary, format="PNG")
            temporary.replace(path)
        except OSError as error:
            with suppress(OSError):
                temporary.unlink()
            raise OutputError(
                f"{path}: the picture cannot be written here ({error.strerror or error}). Give "
                "another place with --picture."
            ) from error


def _font(size: float) -> ImageFont.FreeTypeFont | ImageFont.ImageFont:
    return ImageFont.load_default(size * _FINER)
