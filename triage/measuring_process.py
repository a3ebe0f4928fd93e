"""A process that measures candidates for `triage.measurers`: asked on its input, told on its output."""

from __future__ import annotations

import os
import sys

from triage.measurers import answer

if __name__ == "__main__":
    with os.fdopen(os.dup(1), "wb") as pipe:
        # Whatever else prints must not come between the answers.
        os.dup2(2, 1)
        answer(sys.stdin.buffer, pipe)
