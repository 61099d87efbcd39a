"""The whole command line without a program's start for every question: in the test's own process, or in one that stays.

The first is for questions that need no process of their own; the second, where the environment counts.
"""

import contextlib
import io
import json
import os
import select
import subprocess
import sys
import tempfile
from dataclasses import dataclass
from functools import partialmethod
from pathlib import Path
from unittest import mock

from lensbench.cli.main import run
from lensbench.sweep import Running

ROOT = Path(__file__).resolve().parent.parent.parent
LIMIT_S = 120.0


@dataclass(frozen=True)
class Answered:
    """What a command left: the status, and the text on its two streams."""

    returncode: int
    stdout: str
    stderr: str


def lensbench(*words, at="."):
    """Ask the program as from a folder's prompt; photographs are measured here, not by workers."""
    out, messages, status = io.StringIO(), io.StringIO(), None
    here = partialmethod(Running.__init__, in_process=True)
    with (
        contextlib.chdir(at),
        contextlib.redirect_stdout(out),
        contextlib.redirect_stderr(messages),
        mock.patch.object(sys, "argv", ["lensbench", *map(str, words)]),
        mock.patch.object(Running, "__init__", here),
    ):
        try:
            run()
        except SystemExit as end:
            status = end.code
    return Answered(returncode=status or 0, stdout=out.getvalue(), stderr=messages.getvalue())


STAYS = """
import json, os, sys, traceback
from lensbench.cli.main import run
questions, answers = os.fdopen(os.dup(0), "rb"), os.fdopen(os.dup(1), "wb")
for question in iter(questions.readline, b""):
    sys.argv[1:] = [os.fsdecode(bytes.fromhex(word)) for word in json.loads(question)]
    for stream, name in ((1, "out"), (2, "messages")):
        file = os.open(os.environ["ANSWERS_IN"] + "/" + name, os.O_WRONLY | os.O_CREAT | os.O_TRUNC)
        os.dup2(file, stream)
        os.close(file)
    status = 1
    try:
        run()
    except SystemExit as end:
        status = end.code or 0
    except BaseException:
        traceback.print_exc()
    sys.stdout.flush()
    answers.write(b"%d\\n" % status)
    answers.flush()
"""


class Staying:
    """A program of its own environment that answers one command line after the other, in real streams."""

    def __init__(self, variables):
        self._folder = tempfile.TemporaryDirectory()
        self._process = subprocess.Popen(
            [sys.executable, "-c", STAYS],
            cwd=ROOT, stdin=subprocess.PIPE, stdout=subprocess.PIPE,
            env=os.environ | variables | {"ANSWERS_IN": self._folder.name},
        )  # fmt: skip

    def ask(self, *words):
        """Status, and what stands on standard output and on standard error, in bytes."""
        question = json.dumps([os.fsencode(word).hex() for word in words])
        self._process.stdin.write(question.encode() + b"\n")
        self._process.stdin.flush()
        assert select.select([self._process.stdout], [], [], LIMIT_S)[0], "no end"
        status = int(self._process.stdout.readline())
        out, messages = (Path(self._folder.name, name).read_bytes() for name in ("out", "messages"))
        return status, out, messages

    def close(self):
        """End it."""
        self._process.stdin.close()
        self._process.stdout.close()
        self._process.wait(LIMIT_S)
        self._folder.cleanup()
