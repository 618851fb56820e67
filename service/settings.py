"""What the HTTP service is started with: where it listens, where its data is, and its limits."""

from __future__ import annotations

import ipaddress
import os
import re
import sys
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path

PORT = 8719
"""The port where none is named."""

MEBI = 1 << 20

_NAME = re.compile(r"(?=.{1,253}\Z)[a-z0-9_]([a-z0-9_-]{0,61}[a-z0-9_])?(\.[a-z0-9_-]{1,63})*")


@dataclass(frozen=True)
class ServiceLimits:
    """What one request may bring; more is answered with a problem that says so.

    ``body_bytes`` holds for every request but an upload of PGN, for which
    ``pgn_bytes`` does. ``json_depth`` counts lists and objects inside one
    another, ``json_values`` all values of a body. ``batch_rows`` is what one
    batch may hold, ``nodes`` and ``depth`` what one PGN upload may. ``seconds``
    is how long a request may take to arrive, and a job be worked on,
    ``work_seconds`` how long the answer to a request may be. Teaching may take
    ``teaching_seconds``: each own family is learnt six times over.
    """

    body_bytes: int = MEBI
    pgn_bytes: int = 128 * MEBI
    json_depth: int = 16
    json_values: int = 100_000
    batch_rows: int = 10_000
    nodes: int = 1_000_000
    depth: int = 200
    seconds: float = 300.0
    work_seconds: float = 60.0
    teaching_seconds: float = 3600.0


@dataclass(frozen=True)
class Settings:
    """Everything that is decided before the service starts.

    ``names`` are the host names under which others reach the service.
    ``trusted_proxy`` is the address of the reverse proxy in front of it, empty
    where there is none. ``sign_in`` asks for a sign-in even where none is needed.
    """

    home: Path
    database: str
    host: str = "127.0.0.1"
    port: int = PORT
    names: tuple[str, ...] = ()
    trusted_proxy: str = ""
    sign_in: bool = False
    limits: ServiceLimits = field(default_factory=ServiceLimits)

    @property
    def needs_sign_in(self) -> bool:
        """Whether callers must say who they are.

        Only a single author on the very machine needs not: the service listens
        on loopback, and neither a proxy nor a public name opens it to others.
        """
        open_to_others = bool(self.trusted_proxy or self.names or not is_loopback(self.host))
        return self.sign_in or open_to_others


def is_loopback(host: str) -> bool:
    """Whether an address or name reaches this machine only.

    >>> [is_loopback(host) for host in ("127.0.0.1", "::1", "localhost", "0.0.0.0")]
    [True, True, True, False]
    """
    if host.lower().rstrip(".") == "localhost":
        return True
    try:
        return ipaddress.ip_address(host.strip("[]")).is_loopback
    except ValueError:
        return False


def is_host_name(name: str) -> bool:
    """Whether a text can be a host name: no port, no scheme, no path.

    >>> is_host_name("study.example"), is_host_name("https://study.example")
    (True, False)
    """
    return _NAME.fullmatch(name.lower()) is not None


def data_folder(environment: Mapping[str, str] | None = None) -> Path:
    """The user's data folder, or ``PAWNLORE_HOME`` where set; it may not exist yet.

    >>> data_folder({"PAWNLORE_HOME": "/srv/pawnlore"}).as_posix()
    '/srv/pawnlore'
    """
    given = os.environ if environment is None else environment
    if given.get("PAWNLORE_HOME"):
        return Path(given["PAWNLORE_HOME"])
    if sys.platform == "win32":
        base = Path(given.get("LOCALAPPDATA") or Path.home() / "AppData" / "Local")
    elif sys.platform == "darwin":
        base = Path.home() / "Library" / "Application Support"
    else:
        # XDG Base Directory Specification: a relative path there is to be ignored.
        named = Path(given.get("XDG_DATA_HOME") or "")
        base = named if named.is_absolute() else Path.home() / ".local" / "share"
    return base / "pawnlore"


def database_url(home: Path, environment: Mapping[str, str] | None = None) -> str:
    """The store's URL: ``PAWNLORE_DATABASE`` where set, else a SQLite file in the data folder.

    >>> database_url(Path("/srv/pawnlore"), {})
    'sqlite:////srv/pawnlore/pawnlore.sqlite'
    """
    given = os.environ if environment is None else environment
    return given.get("PAWNLORE_DATABASE") or f"sqlite:///{home / 'pawnlore.sqlite'}"


def settings_from_environment(environment: Mapping[str, str] | None = None) -> Settings:
    """The settings where nothing but the environment says otherwise."""
    home = data_folder(environment)
    return Settings(home=home, database=database_url(home, environment))
