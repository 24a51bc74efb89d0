"""Bring what is generated in the documents up to date.

`python docs/refresh_readme.py` fills the marked sections of README.md from runs on the sample
frames and on two rendered frames of a focus mask, and from the tables in benchmarks/tables. It
draws docs/focus.png and writes the command's help to docs/command.md.
"""

import os
import re
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path

import numpy as np
from astropy.io import fits

from starwinnow_sim import Camera, write_frame
from starwinnow_sim.mask_frames import coloured_stars, render_diffracted
from starwinnow_sim.mask_optics import Light
from starwinnow_sim.mask_pupil import Aperture, FocusMask

ROOT = Path(__file__).parents[1]
README = ROOT / "README.md"
COMMAND_PAGE = ROOT / "docs" / "command.md"
FOCUS_PICTURE = ROOT / "docs" / "focus.png"
TABLES = ROOT / "benchmarks" / "tables"

_SCORE = ("score", "sample_frames", "--out", "sample-results", "--all")
_COMMANDS = ((), ("score",), ("watch",), ("sort",), ("mask",), ("report",), ("demo",))
_MASK = ("mask", "before.fits", "after.fits", "--moved", "in:0.25turn", "--picture", "focus.png")
# Focuser travel from focus, um: a quarter turn of a knob of 800 um a turn apart.
_FOCI_UM = {"before.fits": 330.0, "after.fits": 130.0}
_RIG = '[focuser]\num_per_turn = 800\nin_turn = "clockwise"\n'
_BEST, _WORST = 3, 4


def main() -> None:
    """Write README.md and docs/command.md anew."""
    text = README.read_text(encoding="utf-8")
    text = with_section(text, "sample night", f"```text\n{excerpt(sample_run())}```")
    text = with_section(text, "focus mask", f"```text\n{focus_run(FOCUS_PICTURE)}```")
    README.write_text(with_tables(text), encoding="utf-8")
    COMMAND_PAGE.write_text(command_page(), encoding="utf-8")


def with_section(text: str, name: str, body: str) -> str:
    """Put `body` between the marks `<!-- name -->` and `<!-- end of name -->`.

    Raises
    ------
    ValueError
        If the page does not hold these marks once.
    """
    text, count = re.subn(
        rf"(<!-- {name} -->\n).*?(<!-- end of {name} -->)",
        lambda found: f"{found[1]}{body}\n{found[2]}",
        text,
        flags=re.DOTALL,
    )
    if count != 1:
        raise ValueError(f"README.md holds the section '{name}' {count} times, expected once")
    return text


def section(text: str, name: str) -> str:
    """Return what stands between the marks of a section."""
    found = re.search(rf"<!-- {name} -->\n(.*?)<!-- end of {name} -->", text, re.DOTALL)
    if found is None:
        raise ValueError(f"README.md has no section '{name}'")
    return found[1]


def with_tables(text: str) -> str:
    """Put the tables of the benchmarks' pages into the text: of some pages not all."""
    text = with_section(text, "accuracy table", _tables("accuracy")[0])
    as_they_are, _, detail, _ = _tables("stacks")
    text = with_section(text, "stacks table", as_they_are)
    text = with_section(text, "detail table", detail)
    text = with_section(text, "hard skies table", _limited(_tables("hard_skies")[0]))
    text = with_section(text, "live table", "\n".join(_tables("live")))
    text = with_section(text, "damage table", _tables("damage")[0])
    text = with_section(text, "focus mask table", _tables("focus_mask")[0])
    return with_section(text, "speed table", _tables("speed")[0])


def _tables(name: str) -> list[str]:
    page = (TABLES / f"{name}.md").read_text(encoding="utf-8")
    return [f"\n{table}" for table in re.findall(r"(?m)(?:^\|.*\n)+", page)]


def _limited(table: str) -> str:
    """Leave out the rows whose two last cells are empty: figures that have no limit."""
    return re.sub(r"(?m)^.*\|  \|  \|\n", "", table)


def sample_run() -> str:
    """Score a copy of the sample frames, as the README's first command does; give what it shows."""
    with tempfile.TemporaryDirectory() as folder:
        shutil.copytree(ROOT / "sample_frames", Path(folder, "sample_frames"))
        return _printed(_SCORE, Path(folder))


def focus_run(picture: Path | None = None) -> str:
    """Render two frames through a focus mask and learn the direction from them.

    Parameters
    ----------
    picture : Path, optional
        Where to put the picture of the second one.

    Returns
    -------
    str
        What the command shows.
    """
    rng = np.random.default_rng(11)
    aperture = Aperture(mask=FocusMask(centre_deg=63.0))
    camera = Camera(shape=(300, 400))
    star = np.array([[205.4, 148.2, 1.5e6]])
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        (folder / "rig.toml").write_text(_RIG, encoding="utf-8")
        for minute, (file, defocus_um) in enumerate(_FOCI_UM.items()):
            images = coloured_stars(aperture, Light(defocus_um=defocus_um), camera)
            pixels = render_diffracted(images, star, 150.0, camera, rng)
            cards = {
                "DATE-OBS": f"2024-03-09T21:{minute:02d}:00", "EXPTIME": 2.0,
                "FOCALLEN": 480.0, "APTDIA": 80.0, "XPIXSZ": 3.76,
            }  # fmt: skip
            write_frame(folder / file, pixels, fits.Header(cards))
        shown = _printed(_MASK, folder)
        if picture is not None:
            shutil.copyfile(folder / "focus.png", picture)
    return shown


def excerpt(output: str) -> str:
    """Leave out the middle of the ranking."""
    lines = output.splitlines(keepends=True)
    end = lines.index("\n")
    return "".join([*lines[: 1 + _BEST], " ...\n", *lines[end - _WORST :]])


def command_page() -> str:
    """Make the page that holds the help of every command."""
    parts = ["# The command\n\nWritten by `python docs/refresh_readme.py`.\n"]
    for command in _COMMANDS:
        words = " ".join(("starwinnow", *command, "--help"))
        help_text = _printed((*command, "--help"), ROOT)
        parts.append(f"\n## {words}\n\n```text\n{help_text}```\n")
    return "".join(parts)


def _printed(arguments: tuple[str, ...], folder: Path) -> str:
    """Run the command on a terminal of 80 columns in Greenwich; give its standard output."""
    code = "import sys; from starwinnow_cli.main import main; sys.exit(main())"
    surroundings = os.environ | {"TZ": "UTC", "COLUMNS": "80", "PYTHONIOENCODING": "utf-8"}
    done = subprocess.run(
        [sys.executable, "-c", code, *arguments],
        cwd=folder,
        env=surroundings,
        check=True,
        stdout=subprocess.PIPE,
        encoding="utf-8",
    )
    return done.stdout


if __name__ == "__main__":
    main()
