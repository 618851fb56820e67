"""The README's marked command blocks are run, in order, in one empty folder.

A block is marked by a comment on the line before its fence: ``<!-- runs -->``,
or ``<!-- runs: status 1 -->`` where the last command ends with another status.
The blocks that set the project up are marked ``<!-- setup: NAME -->`` and run
by ``.ci/run``.
"""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import sysconfig
from pathlib import Path

import pytest

REPOSITORY = Path(__file__).resolve().parent.parent
README = REPOSITORY / "README.md"
BLOCK = re.compile(
    r"^<!-- runs(?:: status (?P<status>\d))? -->\n```sh\n(?P<body>.*?)^```$", re.M | re.S
)


def _blocks() -> list[tuple[int, int, str]]:
    """Each marked block: the line where it begins, the expected status, its text."""
    text = README.read_text(encoding="utf-8")
    return [
        (text.count("\n", 0, found.start()) + 1, int(found["status"] or 0), found["body"])
        for found in BLOCK.finditer(text)
    ]


def test_every_mark_stands_before_a_block() -> None:
    marks = re.findall(r"^<!-- runs", README.read_text(encoding="utf-8"), re.M)
    assert len(marks) == len(_blocks()) >= 3


@pytest.mark.slow
@pytest.mark.skipif(shutil.which("bash") is None, reason="the blocks are written for bash")
def test_the_marked_blocks_run(tmp_path: Path) -> None:
    scripts = sysconfig.get_path("scripts")
    environment = {
        **os.environ,
        "PATH": scripts + os.pathsep + os.environ.get("PATH", ""),
        "PAWNLORE_HOME": str(tmp_path / "home"),
        "PYTHONIOENCODING": "utf-8",
    }
    work = tmp_path / "work"
    work.mkdir()
    for line, status, body in _blocks():
        ran = subprocess.run(
            ["bash", "-euo", "pipefail", "-c", body],
            cwd=work,
            env=environment,
            stdin=subprocess.DEVNULL,
            capture_output=True,
            text=True,
            encoding="utf-8",
            timeout=900,
            check=False,
        )
        assert ran.returncode == status, f"README.md, line {line}:\n{ran.stdout}{ran.stderr}"
        assert "Traceback" not in ran.stderr, f"README.md, line {line}:\n{ran.stderr}"


@pytest.mark.parametrize("name", ["demo", "tests"])
def test_the_setup_blocks_can_be_found(name: str) -> None:
    text = README.read_text(encoding="utf-8")
    assert len(re.findall(rf"^<!-- setup: {name} -->\n```sh\n", text, re.M)) == 1
