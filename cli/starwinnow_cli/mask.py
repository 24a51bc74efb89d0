"""`starwinnow mask FRAME...`: is the focus right, and if not, which way and how far to turn."""

import argparse
import json
import re
import sys
from collections.abc import Sequence
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING

from starwinnow.errors import RigError, UnreadableFrameError
from starwinnow_cli.exit_codes import DONE, SOME_UNREADABLE
from starwinnow_cli.progress import ProgressBar
from starwinnow_cli.score import make_ready
from starwinnow_cli.screen import Emphasis, say, show

if TYPE_CHECKING:
    from starwinnow.focus_mask.direction import Move
    from starwinnow.focus_mask.focus_run import FocusRun
    from starwinnow.focus_mask.frame_focus import FrameFocus, MaskedFrame
    from starwinnow.rig import MoveUnit, Rig

__all__ = ["MaskCommand", "moved"]

_UNITS: dict[str, "MoveUnit"] = {
    "turn": "turn",
    "turns": "turn",
    "step": "step",
    "steps": "step",
    "um": "um",
}
_MOVE = re.compile(r"(in|out):\s*(\d+(?:\.\d+)?|\.\d+|\d+/\d+)\s*([a-z]+)", re.IGNORECASE)


class MaskCommand:
    """Reads frames taken through a focus mask."""

    name = "mask"
    keeps_work = False
    summary = "read the focus from frames taken through a focus mask"
    description = (
        "Finds the spikes of a star seen through a focus mask and says whether the focus is "
        "right: how far out, and, once it was learnt from a known move, which way and how far to "
        "turn. Several frames, taken while you focus, are shown as a run. CAUTION: never point a "
        "telescope without a proper solar filter at or near the Sun. Focus on a star, at night; "
        "for solar work follow the rules of the filter's maker."
    )

    @staticmethod
    def add_arguments(parser: argparse.ArgumentParser) -> None:
        """Declare the arguments of this command."""
        parser.add_argument(
            "frames", metavar="FRAME", nargs="+", type=Path, help="FITS files, mask on"
        )
        parser.add_argument(
            "--moved",
            metavar="WAY:AMOUNT",
            type=moved,
            help="the focuser was moved so between two frames: in:0.25turn, out:200um, "
            "in:40steps; in is towards lens or mirror. Direction and scale are learnt from it and "
            "kept in the rig file",
        )
        parser.add_argument(
            "--mark-up",
            action="store_true",
            help="the mask's mark sits where the rig file says: a direction learnt with it holds "
            "though the mask was off in between",
        )
        parser.add_argument(
            "--rig",
            metavar="FILE",
            type=Path,
            help="what headers lack: focal length, aperture, pixel, focuser, mask; default: "
            "rig.toml in this folder, else ~/.config/starwinnow/rig.toml",
        )
        parser.add_argument(
            "--json", action="store_true", help="print the results as JSON to standard output"
        )
        parser.add_argument(
            "--picture",
            metavar="FILE.png",
            type=Path,
            help="draw the last frame's spikes and the run",
        )
        parser.add_argument(
            "--theme",
            choices=("day", "red"),
            default="day",
            help="colours of the picture: by day, or dim red for the dark; default: %(default)s",
        )

    def run(self, options: argparse.Namespace) -> int:
        """Read the frames and answer; returns the exit code."""
        # Numeric libraries take a second to load: only after the arguments are known to be right.
        from starwinnow.focus_mask.frame_focus import answer_frames  # noqa: PLC0415
        from starwinnow.rig import Rig  # noqa: PLC0415
        from starwinnow.rig_file import find_rig, home_rig, read_rig  # noqa: PLC0415

        path = find_rig(options.rig)
        missing = path is None or (options.moved is not None and not path.exists())
        rig = Rig() if path is None or missing else read_rig(path)
        if options.mark_up and rig.mark is None:
            raise RigError(
                "--mark-up needs to know where the mask's mark belongs, and the rig file does not "
                'say. Add to it, under [mask]: mark = "up, at the finder".'
            )
        make_ready(["masks"])
        frames = []
        with ProgressBar(len(options.frames), sys.stderr) as bar:
            for done, frame_path in enumerate(options.frames, start=1):
                frames.append(_read(frame_path, rig, bar))
                bar.update(done)
        if options.moved is not None:
            rig = _learn(frames, options, rig, path or home_rig())
        results = answer_frames(
            frames, rig, mark_up=options.mark_up, just_learnt=options.moved is not None
        )
        if options.json:
            from starwinnow.report.mask_json import mask_json  # noqa: PLC0415

            show(json.dumps(mask_json(results, rig), indent=1, allow_nan=False) + "\n")
        _tell(results, rig, options)
        return SOME_UNREADABLE if any(frame.reading is None for frame in frames) else DONE


def moved(text: str) -> "Move":
    """Read a move such as 'in:0.25turn'.

    Raises
    ------
    argparse.ArgumentTypeError
        If it is none.
    """
    from starwinnow.focus_mask.direction import Move  # noqa: PLC0415

    match = _MOVE.fullmatch(text.strip())
    unit = _UNITS.get(match[3].lower()) if match else None
    if match is None or unit is None:
        raise argparse.ArgumentTypeError(
            f"{text!r}: expected in: or out:, a number, and turn, um or steps, such as in:0.25turn"
        )
    above, _, below = match[2].partition("/")
    amount = float(above) / float(below or 1) if float(below or 1) else 0.0
    if amount == 0:
        raise argparse.ArgumentTypeError(f"{text!r}: expected a move of more than nothing")
    return Move(way="in" if match[1].lower() == "in" else "out", amount=amount, unit=unit)


def _read(path: Path, rig: "Rig", bar: ProgressBar) -> "MaskedFrame":
    """Read one file; a reason takes the place of a reading where it cannot be."""
    from starwinnow.focus_mask import read_mask  # noqa: PLC0415
    from starwinnow.focus_mask.frame_focus import MaskedFrame  # noqa: PLC0415
    from starwinnow.focus_mask.optics import completed  # noqa: PLC0415
    from starwinnow.readers import read_frame  # noqa: PLC0415

    try:
        frame = read_frame(path)
    except UnreadableFrameError as error:
        bar.clear()
        say(f"Not read: {error}")
        reason = str(error).removeprefix(f"{path.name}: ")
        return MaskedFrame(path=path, unreadable=reason)
    # What is known of the optics tells how wide spikes are.
    frame = replace(frame, capture=completed(frame.capture, rig))
    return MaskedFrame(path=path, capture=frame.capture, reading=read_mask(frame))


def _learn(
    frames: Sequence["MaskedFrame"], options: argparse.Namespace, rig: "Rig", path: Path
) -> "Rig":
    """Learn the direction from the move, keep it in the rig file, say so."""
    from starwinnow.focus_mask.frame_focus import learn_from_move  # noqa: PLC0415
    from starwinnow.rig_file import keep_learnt  # noqa: PLC0415

    learnt = learn_from_move(frames, options.moved, rig, mark_up=options.mark_up)
    keep_learnt(path, learnt)
    say(
        f"Learnt: moving out by 1 {learnt.unit} shifts the centre spike by "
        f"{learnt.px_per_unit:+.3g} ± {learnt.px_per_unit_err:.2g} px. Kept in {path}."
    )
    return replace(rig, learnt=learnt)


def _tell(results: Sequence["FrameFocus"], rig: "Rig", options: argparse.Namespace) -> None:
    """Show the lines, unless JSON was asked for, and draw the picture if one was."""
    from starwinnow.focus_mask.focus_run import focus_run  # noqa: PLC0415
    from starwinnow_cli.focus_lines import focus_lines  # noqa: PLC0415

    ordered = _in_time_order(results)
    run = None
    if len(ordered) > 1:
        positions = [result.frame.capture.focuser_position for result in ordered]
        run = focus_run([result.answer for result in ordered], positions)
    if not options.json:
        show("\n".join(focus_lines(ordered, run, rig, Emphasis(sys.stdout))) + "\n")
    if options.picture is not None:
        _draw(ordered[-1], run, rig, options)


def _in_time_order(results: Sequence["FrameFocus"]) -> list["FrameFocus"]:
    """By start of exposure where every frame that was read tells it, else as given."""
    captures = [result.frame.capture for result in results if result.frame.reading is not None]
    if any(capture.start_utc is None or capture.date_only for capture in captures):
        return list(results)
    early = datetime.min.replace(tzinfo=UTC)
    return sorted(results, key=lambda result: result.frame.capture.start_utc or early)


def _draw(
    last: "FrameFocus", run: "FocusRun | None", rig: "Rig", options: argparse.Namespace
) -> None:
    from starwinnow.focus_mask.wording import sentence  # noqa: PLC0415
    from starwinnow.readers import read_frame  # noqa: PLC0415
    from starwinnow.report.mask_picture import PictureText, write_mask_picture  # noqa: PLC0415
    from starwinnow_cli.focus_lines import advice  # noqa: PLC0415

    step, rests_on = advice(last, run, rig)
    notes = tuple(filter(None, (rests_on, sentence(last.answer.reason), sentence(last.note))))
    text = PictureText(title=last.frame.file, step=step, notes=notes)
    # Read again: a long run's frames need not all stay in memory.
    frame = read_frame(last.frame.path) if last.frame.reading is not None else None
    write_mask_picture(options.picture, last, frame, text, run, options.theme)
