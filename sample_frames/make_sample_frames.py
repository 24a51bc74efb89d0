"""Renders the frames in this folder again: an invented evening of 16 frames, same every time.

Run `python sample_frames/make_sample_frames.py`; a folder may be given to write elsewhere.
"""

import sys
from pathlib import Path

from starwinnow_sim import write_sample_night

FRAMES = 16


def main() -> None:
    """Write the frames and say how many there are and how much room they take."""
    folder = Path(sys.argv[1]) if len(sys.argv) > 1 else Path(__file__).parent
    paths = write_sample_night(folder, frames=FRAMES)
    megabytes = sum(path.stat().st_size for path in paths) / 1e6
    print(f"{len(paths)} frames, {megabytes:.1f} MB, in {folder}")


if __name__ == "__main__":
    main()
