"""Threads that a forked process has lost."""

from __future__ import annotations

import os

from ._errors import RefusedError

_started = False
_lost = False


def _after_fork() -> None:
    global _lost
    _lost = _started


if hasattr(os, "register_at_fork"):
    os.register_at_fork(after_in_child=_after_fork)


def needed() -> None:
    """Say that work on all cores begins; refuse it where its threads stayed behind in the process that was forked.

    Without this the work would wait for them for ever.
    """
    global _started
    if _lost:
        raise RefusedError(
            "this process was forked from one that had already used all cores, and their threads are not in it; start "
            "processes by multiprocessing.get_context('spawn') or 'forkserver', or use threads: nothing holds Python's lock"
        )
    _started = True
