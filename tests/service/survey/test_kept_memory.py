"""What is freed is kept: the system's own count of fresh pages tells, in a process of its own."""

from __future__ import annotations

import subprocess
import sys

import pytest

from pawnlore.service.survey.kept_memory import keep_memory

_FRESH_PAGES = """
import resource, sys
from pawnlore.service.survey.kept_memory import keep_memory
if sys.argv[1] == "kept":
    assert keep_memory()
def fill():
    bytearray(b"x" * (48 << 20))
fill()
before = resource.getrusage(resource.RUSAGE_SELF).ru_minflt
for _ in range(4):
    fill()
print(resource.getrusage(resource.RUSAGE_SELF).ru_minflt - before)
"""


def fresh_pages(how: str) -> int:
    ran = subprocess.run(
        [sys.executable, "-c", _FRESH_PAGES, how], capture_output=True, text=True, check=True
    )
    return int(ran.stdout)


def test_memory_is_not_taken_anew_for_each_batch() -> None:
    if not keep_memory():
        pytest.skip("this C library cannot be told")
    assert fresh_pages("kept") * 20 < fresh_pages("as it is")
