"""A real disk with little room: a file system in memory, which only root may mount."""

from __future__ import annotations

import os
import shutil
import subprocess
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest


class SmallDisk:
    """A mounted folder; nothing is told to the database, it finds out by itself."""

    def __init__(self, place: Path) -> None:
        self.place = place

    def room(self) -> int:
        """Bytes that are left."""
        return shutil.disk_usage(self.place).free

    def fill(self, but: int = 0) -> None:
        """Take all the room but some bytes."""
        with (self.place / "filler").open("ab") as filler:
            while (left := self.room() - but) > 0:
                try:
                    filler.write(bytes(min(left, 1 << 16)))
                    filler.flush()
                except OSError:
                    return

    def free(self) -> None:
        """Give the room back."""
        (self.place / "filler").unlink()


@contextmanager
def small_disk(place: Path, kibibytes: int, owner: str | None = None) -> Iterator[SmallDisk]:
    """Mount one; skips the test where that is not allowed."""
    place.mkdir()
    mount = shutil.which("mount")
    if os.name != "posix" or mount is None or os.getuid() != 0:
        pytest.skip("a small disk can only be mounted by root; a full one is simulated elsewhere")
    done = subprocess.run(
        [mount, "-t", "tmpfs", "-o", f"size={kibibytes}k,mode=0700", "tmpfs", str(place)],
        capture_output=True,
        text=True,
        timeout=60,
    )
    if done.returncode:
        pytest.skip(f"no disk can be mounted here: {done.stderr.strip()}")
    try:
        if owner:
            shutil.chown(place, owner)
        yield SmallDisk(place)
    finally:
        subprocess.run(["umount", "--lazy", str(place)], check=True, timeout=60)
