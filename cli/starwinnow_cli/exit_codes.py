"""What the command's exit code says."""

__all__ = ["DONE", "INTERRUPTED", "NOTHING_DONE", "SOME_UNREADABLE"]

DONE = 0
SOME_UNREADABLE = 1
# Also argparse's code for wrong use.
NOTHING_DONE = 2
# What shells report for a process stopped by Ctrl-C: 128 + SIGINT.
INTERRUPTED = 130
