"""What the tests share."""

import functools
import json
import os
import pathlib
import subprocess
import sys
import tempfile

ROOT = pathlib.Path(__file__).resolve().parents[2]


def program() -> list[str]:
    """The command-line program that numbers are held against: one that was built by itself, where there is one."""
    own = os.environ.get("TAUTPOINT_PROGRAM")
    return [own] if own else [sys.executable, "-m", "tautpoint"]


def run(*arguments, cwd=None, stdin=None, code=0) -> str:
    """Run the program; gives what it prints."""
    done = subprocess.run([*program(), *map(str, arguments)], capture_output=True, text=True, cwd=cwd, input=stdin)
    assert done.returncode == code, (arguments, done.returncode, done.stderr)
    return done.stdout


def run_json(*arguments, **more):
    return json.loads(run(*arguments, "--json", **more))


@functools.cache
def study() -> pathlib.Path:
    """The invented sample study."""
    folder = pathlib.Path(tempfile.mkdtemp()) / "study"
    run("--quiet", "demo", folder)
    return folder
