"""Where a survey is kept: a folder of this machine, or any store that fsspec knows.

A file is there whole or not at all: on this machine it is written under
another name, brought to the disk and renamed; elsewhere the store's own write
puts it there when it is complete.
"""

from __future__ import annotations

import contextlib
import errno
import os
import tempfile
from dataclasses import dataclass
from pathlib import Path
from typing import Any


class NoRoom(Exception):
    """The disk is full; the message is for people. Nothing that was finished is lost."""


@dataclass(frozen=True)
class Place:
    """A folder by its path or address."""

    address: str

    def _split(self) -> tuple[Any, str]:
        import fsspec

        fs, root = fsspec.core.url_to_fs(self.address)
        return fs, str(root).rstrip("/")

    @property
    def local(self) -> Path | None:
        """The folder as a path of this machine, or none."""
        fs, root = self._split()
        protocol = fs.protocol if isinstance(fs.protocol, str) else fs.protocol[0]
        return Path(root) if protocol in ("file", "local") else None

    def write(self, name: str, data: bytes | memoryview) -> None:
        """Write one file; raises `NoRoom` where the disk is full, else `OSError`."""
        folder = self.local
        if folder is None:
            fs, root = self._split()
            parent = f"{root}/{name}".rpartition("/")[0]
            with contextlib.suppress(FileExistsError):
                fs.makedirs(parent, exist_ok=True)
            fs.pipe_file(f"{root}/{name}", bytes(data))
            return
        try:
            _write_whole(folder / name, data)
        except OSError as error:
            if error.errno in (errno.ENOSPC, errno.EDQUOT):
                raise NoRoom(
                    f"no room left to write {folder / name}; make room and run the same "
                    "command again: it goes on from where it was"
                ) from None
            raise

    def read(self, name: str) -> bytes:
        """One file's bytes; raises `FileNotFoundError`."""
        fs, root = self._split()
        return bytes(fs.cat_file(f"{root}/{name}"))

    def open(self, name: str) -> Any:
        """One file, open for reading."""
        fs, root = self._split()
        return fs.open(f"{root}/{name}", "rb")

    def names(self, folder: str, ending: str) -> list[str]:
        """The files of a folder with this ending, sorted, without the folder."""
        fs, root = self._split()
        path = f"{root}/{folder}"
        if not fs.exists(path):
            return []
        fs.invalidate_cache(path)
        found = (str(entry).rpartition("/")[2] for entry in fs.ls(path, detail=False))
        return sorted(name for name in found if name.endswith(ending) and name[0] != ".")

    def exists(self, name: str) -> bool:
        """Whether a file is there."""
        fs, root = self._split()
        return bool(fs.exists(f"{root}/{name}"))

    def remove(self, name: str) -> None:
        """Remove a file or a folder with all that is in it, where it is there."""
        fs, root = self._split()
        with contextlib.suppress(FileNotFoundError):
            fs.rm(f"{root}/{name}", recursive=True)


def _write_whole(path: Path, data: bytes | memoryview) -> None:
    path.parent.mkdir(parents=True, exist_ok=True)
    handle, name = tempfile.mkstemp(dir=path.parent, prefix=".", suffix=".part")
    try:
        with open(handle, "wb") as part:
            part.write(data)
            part.flush()
            os.fsync(part.fileno())
        umask = os.umask(0)
        os.umask(umask)
        os.chmod(name, 0o666 & ~umask)
        os.replace(name, path)
    except BaseException:
        Path(name).unlink(missing_ok=True)
        raise
    # The new name itself must be on the disk too before anybody relies on it.
    if hasattr(os, "O_DIRECTORY"):
        folder = os.open(path.parent, os.O_RDONLY | os.O_DIRECTORY)
        try:
            os.fsync(folder)
        finally:
            os.close(folder)
