"""The command-line program: `tautpoint` and `python -m tautpoint`."""

from __future__ import annotations

import signal
import sys

from . import _native


def main() -> int:
    """Run the program with the arguments of this process; gives its exit code."""
    # The program ends on Ctrl-C by itself, and Python's own handler would only run once it has ended.
    signal.signal(signal.SIGINT, signal.SIG_DFL)
    return _native.run(["tautpoint", *sys.argv[1:]])


if __name__ == "__main__":
    sys.exit(main())
