"""Colour mosaic: from what the cards state to the pattern at the first pixel read."""

__all__ = ["pattern_at_origin"]

_PATTERNS = ("RGGB", "BGGR", "GRBG", "GBRG")


def pattern_at_origin(
    stated: str, *, x_offset: int, y_offset: int, bottom_up: bool, height_px: int | None
) -> str | None:
    """Colours of the 2x2 cell at pixel (0, 0) of the array as read.

    No standard defines these cards. What follows is common practice, no source: the stated
    pattern (BAYERPAT, COLORTYP) is that of the top-left pixel of the picture as shown, the
    offsets (XBAYROFF, YBAYROFF) move it by whole pixels, and files are stored top row first
    unless ROWORDER says 'BOTTOM-UP'. Stored bottom row first, the array begins `height_px` - 1
    rows below the top: an even height then swaps the rows of the cell (RGGB becomes GBRG), an
    odd one does not.

    Parameters
    ----------
    stated : str
        Four letters, row by row.
    x_offset, y_offset : int
        Columns and rows by which the pattern is moved, px.
    bottom_up : bool
        Whether the first row of the file is the bottom of the picture.
    height_px : int or None
        Rows of the picture; needed when `bottom_up`.

    Returns
    -------
    str or None
        Four letters; None when `stated` is no colour mosaic or the height is needed and unknown.
    """
    stated = stated.strip().upper()
    if stated not in _PATTERNS:
        return None
    if bottom_up:
        if height_px is None:
            return None
        y_offset += height_px - 1
    rows = stated[:2], stated[2:]
    return "".join(rows[(y + y_offset) % 2][(x + x_offset) % 2] for y in (0, 1) for x in (0, 1))
