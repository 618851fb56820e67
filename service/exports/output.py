"""Where text goes that leaves the program: standard output or a file."""

from __future__ import annotations

import io
import os
import sys
import tempfile
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from pathlib import Path


def write_output(pages: Iterable[str], path: str | os.PathLike[str] | None) -> None:
    """Write text as UTF-8 with line feeds, to a file or to standard output.

    The file takes its name only when it is complete; what had that name before
    stays until then.
    """
    if path is None:
        if isinstance(sys.stdout, io.TextIOWrapper):
            sys.stdout.reconfigure(encoding="utf-8", errors="surrogateescape", newline="\n")
        sys.stdout.writelines(pages)
        sys.stdout.flush()
        return
    target = Path(path)
    if target.exists() and not target.is_file():
        # A device or a pipe is written to, not replaced.
        with target.open("w", encoding="utf-8", errors="surrogateescape", newline="\n") as device:
            device.writelines(pages)
        return
    with (
        _taking_its_place(target) as part,
        open(part, "w", encoding="utf-8", errors="surrogateescape", newline="\n") as text,
    ):
        text.writelines(pages)


def write_bytes(content: bytes, path: str | os.PathLike[str] | None) -> None:
    """Write bytes as they are, in the same way."""
    if path is None:
        sys.stdout.flush()
        sys.stdout.buffer.write(content)
        sys.stdout.buffer.flush()
        return
    target = Path(path)
    if target.exists() and not target.is_file():
        target.write_bytes(content)
        return
    with _taking_its_place(target) as part, open(part, "wb") as stream:
        stream.write(content)


@contextmanager
def _taking_its_place(target: Path) -> Iterator[int]:
    """A new file, to be opened and closed inside the block, that has the name after it."""
    handle, name = tempfile.mkstemp(dir=target.parent, prefix=f".{target.name}.", suffix=".part")
    try:
        yield handle
        # Only its owner may read a temporary file; this one is as public as others.
        umask = os.umask(0)
        os.umask(umask)
        os.chmod(name, 0o666 & ~umask)
        os.replace(name, target)
    except BaseException:
        Path(name).unlink(missing_ok=True)
        raise
