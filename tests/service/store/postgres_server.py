"""A PostgreSQL server of the tests' own, in a folder that goes with it."""

from __future__ import annotations

import os
import shutil
import socket
import subprocess
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path


def program(name: str) -> str:
    """Where one of the server's programs is; Debian keeps them out of the path."""
    found = sorted(Path("/usr/lib/postgresql").glob(f"*/bin/{name}"))
    return str(found[-1]) if found else str(shutil.which(name))


class PostgresServer:
    """A server on a free port of this machine, for as long as a test run needs it."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.data = folder / "data"
        self.owner = _other_user() if os.getuid() == 0 else None
        if self.owner:
            shutil.chown(folder, self.owner)
        folder.chmod(0o700)
        with socket.socket() as free:
            free.bind(("127.0.0.1", 0))
            self.port = free.getsockname()[1]
        self.run(
            "initdb",
            "-D",
            str(self.data),
            "-U",
            "pawnlore",
            "-A",
            "trust",
            "-E",
            "UTF8",
            "--locale=C",
            "--no-sync",
        )
        self.made = 0

    def run(self, name: str, *arguments: str) -> None:
        # The server refuses to run as root.
        before = ["setpriv", f"--reuid={self.owner}", f"--regid={self.owner}", "--clear-groups"]
        subprocess.run(
            [*(before if self.owner else []), program(name), *arguments],
            check=True,
            cwd=self.folder,
            stdout=subprocess.DEVNULL,
            stdin=subprocess.DEVNULL,
            timeout=120,
            env={"PATH": os.environ["PATH"], "LC_ALL": "C"},
        )

    def start(self) -> None:
        options = (
            f"-p {self.port} -k {self.folder} -c listen_addresses=127.0.0.1 "
            "-c max_connections=50 -c shared_buffers=16MB"
        )
        self.run(
            "pg_ctl",
            "-D",
            str(self.data),
            "-w",
            "-l",
            str(self.data / "log"),
            "-o",
            options,
            "start",
        )

    def stop(self, how: str = "fast") -> None:
        self.run("pg_ctl", "-D", str(self.data), "-w", "-m", how, "stop")

    def url(self, database: str = "postgres") -> str:
        return f"postgresql://pawnlore@127.0.0.1:{self.port}/{database}"

    def new_database(self) -> str:
        """The URL of an empty database."""
        self.made += 1
        name = f"pawnlore{self.made}"
        self.query(f"CREATE DATABASE {name}")
        return self.url(name)

    def query(self, text: str) -> None:
        """Let the server do something, as its owner."""
        self.run(
            "psql",
            "-q",
            "-h",
            "127.0.0.1",
            "-p",
            str(self.port),
            "-U",
            "pawnlore",
            "-c",
            text,
            "postgres",
        )


@contextmanager
def postgres_server() -> Iterator[PostgresServer]:
    """A running server; it is stopped and its folder removed at the end."""
    folder = Path(tempfile.mkdtemp(prefix="pawnlore-postgres-"))
    try:
        server = PostgresServer(folder)
        server.start()
        try:
            yield server
        finally:
            server.stop("immediate")
    finally:
        shutil.rmtree(folder, ignore_errors=True)


def _other_user() -> str:
    import pwd

    names = {entry.pw_name for entry in pwd.getpwall()}
    return "postgres" if "postgres" in names else "nobody"
