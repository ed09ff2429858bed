"""`python -m wearscope.synthetic SAMPLE_FOLDER [CALIBRATION_FOLDER]` draws the sample drawer (and the sample microscope's target)."""

import sys
from pathlib import Path

from wearscope.synthetic.sample_drawer import write_sample_drawer, write_sample_target

__all__ = ["main"]


def main(arguments: list[str]) -> int:
    """Write the folders named; the exit code."""
    if not 1 <= len(arguments) <= 2:
        print("usage: python -m wearscope.synthetic SAMPLE_FOLDER [CALIBRATION_FOLDER]", file=sys.stderr)
        return 2
    written = write_sample_drawer(Path(arguments[0]))
    if len(arguments) == 2:
        written += write_sample_target(Path(arguments[1]))
    for path in written:
        print(path)
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
