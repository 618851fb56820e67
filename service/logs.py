"""Structured logs: one JSON object a line on standard error.

No note text, no token and no query string gets there. A request is told by the
pattern of its address and not by the address, which may hold a student link's
secret; a fault by its type and the places in the code, because messages of
errors quote what was being worked on.
"""

from __future__ import annotations

import json
import logging
import re
import sys
import time
import traceback
import uuid
from datetime import UTC, datetime
from typing import IO

from flask import Flask, Response, g, request

# Any word can be sent as a method, a secret too; only these are told.
_METHODS = frozenset(("GET", "HEAD", "POST", "PUT", "PATCH", "DELETE", "OPTIONS", "TRACE"))

_SECRET = re.compile(r"pl[ts]_[A-Za-z0-9_-]+")

requests_log = logging.getLogger("pawnlore.requests")
service_log = logging.getLogger("pawnlore.service")


class JsonLines(logging.Formatter):
    """Writes a record as one JSON object."""

    def format(self, record: logging.LogRecord) -> str:
        """The record's time (UTC), level, logger, message and the fields given with it.

        >>> record = logging.LogRecord("pawnlore.service", 20, "", 0, "started", None, None)
        >>> record.fields = {"port": 8719}
        >>> JsonLines().format(record).partition(", ")[2]
        '"level": "info", "logger": "pawnlore.service", "event": "started", "port": 8719}'
        """
        line: dict[str, object] = {
            "time": datetime.fromtimestamp(record.created, UTC).isoformat(timespec="milliseconds"),
            "level": record.levelname.lower(),
            "logger": record.name,
            "event": _SECRET.sub("(secret)", record.getMessage()),
        }
        line.update(getattr(record, "fields", {}))
        if record.exc_info and record.exc_info[1] is not None:
            line.update(_told(record.exc_info[1]))
        return json.dumps(line, ensure_ascii=True, default=str)


def _told(error: BaseException) -> dict[str, object]:
    """An error without its message."""
    chain: list[dict[str, object]] = []
    seen: BaseException | None = error
    while seen is not None and len(chain) < 5:
        frames = traceback.extract_tb(seen.__traceback__)[-12:]
        places = [f"{frame.filename}:{frame.lineno} {frame.name}" for frame in frames]
        chain.append({"error": f"{type(seen).__module__}.{type(seen).__qualname__}", "at": places})
        seen = seen.__cause__ or seen.__context__
    return {"errors": chain}


def start_logs(stream: IO[str] | None = None) -> None:
    """Let everything that is logged come out as JSON lines, by default on standard error."""
    handler = logging.StreamHandler(stream or sys.stderr)
    handler.setFormatter(JsonLines())
    root = logging.getLogger()
    root.handlers[:] = [handler]
    root.setLevel(logging.INFO)
    # It warns of every request that has to wait a moment for a free thread.
    logging.getLogger("waitress.queue").setLevel(logging.ERROR)


def tell(event: str, **fields: object) -> None:
    """Log something about the service itself."""
    service_log.info(event, extra={"fields": fields})


def register_request_log(app: Flask) -> None:
    """Log every request of an application when its answer has been given in full."""
    app.before_request(_begin)
    app.after_request(_log_at_end)


def _begin() -> None:
    g.request_id = str(uuid.uuid4())
    g.began = time.perf_counter()


def _log_at_end(response: Response) -> Response:
    began: float = g.get("began", time.perf_counter())
    fields: dict[str, object] = {
        "id": g.get("request_id", ""),
        "method": request.method if request.method in _METHODS else "?",
        "route": request.url_rule.rule if request.url_rule is not None else None,
        "status": response.status_code,
        "caller": getattr(g.get("caller"), "name", "nobody"),
        "peer": request.remote_addr,
    }

    def log() -> None:
        spent = time.perf_counter() - began
        told = {**fields, "ms": round(1000 * spent, 1)}
        requests_log.info("request", extra={"fields": told})

    response.call_on_close(log)
    return response
