"""Where text goes that leaves the program: standard output or a file."""

from __future__ import annotations

import io
import os
import sys
import tempfile
from collections.abc import Iterable
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
    handle, name = tempfile.mkstemp(dir=target.parent, prefix=f".{target.name}.", suffix=".part")
    try:
        with open(handle, "w", encoding="utf-8", errors="surrogateescape", newline="\n") as part:
            part.writelines(pages)
        # Only its owner may read a temporary file; this one is as public as others.
        umask = os.umask(0)
        os.umask(umask)
        os.chmod(name, 0o666 & ~umask)
        os.replace(name, target)
    except BaseException:
        Path(name).unlink(missing_ok=True)
        raise
