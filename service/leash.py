"""Runs a program at low priority, and ends it when whoever asked for it is gone: then its own input closes.

python -m service.leash PROGRAM ARGUMENT...
"""

from __future__ import annotations

import os
import subprocess
import sys
import threading

NICENESS = 15


def main(arguments: list[str]) -> int:
    """Run the program; its exit status, or 1 where a signal ended it."""
    os.nice(NICENESS)
    with subprocess.Popen(arguments, stdin=subprocess.DEVNULL) as program:
        threading.Thread(target=_end_with_input, args=(program,), daemon=True).start()
        status = program.wait()
    return status if status >= 0 else 1


def _end_with_input(program: subprocess.Popen[bytes]) -> None:
    # The file itself, not the buffer, which the end of this process would wait for.
    while os.read(sys.stdin.fileno(), 4096):
        pass
    program.kill()


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
