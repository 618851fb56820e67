"""The key that sign-in cookies are signed with.

It lies in the data folder and not in the store, so that a copy of the database
alone lets nobody in.
"""

from __future__ import annotations

import os
import secrets
from pathlib import Path

NAME = "cookie.key"
_BYTES = 32


def signing_key(home: Path) -> bytes:
    """The key of this data folder; it is made where there is none.

    Raises `OSError` where the file can be neither read nor made.
    """
    path = home / NAME
    for _ in range(2):
        try:
            key = path.read_bytes()
        except FileNotFoundError:
            _make(path)
            continue
        if len(key) == _BYTES:
            return key
        # Cut short when it was made: nobody holds a cookie that is worth keeping.
        path.unlink()
        _make(path)
    return path.read_bytes()


def _make(path: Path) -> None:
    path.parent.mkdir(parents=True, exist_ok=True)
    # Written whole under another name first, so that two services that start at
    # once read one and the same whole key.
    draft = path.with_name(f".{NAME}.{secrets.token_hex(8)}")
    with open(os.open(draft, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600), "wb") as stream:
        stream.write(secrets.token_bytes(_BYTES))
    try:
        os.link(draft, path)
    except FileExistsError:
        pass
    except OSError:
        # A file system without links: the last one to start wins.
        os.replace(draft, path)
        return
    draft.unlink()
