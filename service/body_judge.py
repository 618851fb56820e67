"""The judge of bodies: whether a large body is to be taken, told from the head alone.

A caller without right could otherwise fill the disk with a body before anybody
looks at the token. So the guard looks at the head first; what it refuses is
refused then, and the body is not read.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from typing import Any

from flask import Flask, request
from werkzeug.exceptions import RequestEntityTooLarge

from pawnlore.service.access.guard import guard_at_hand

JUDGED = "pawnlore.judged"
"""The name in a request's environment under which a judgement is put down."""


def body_judge(app: Flask) -> Callable[[dict[str, Any], Callable[..., Any]], Iterable[bytes]]:
    """A WSGI application that answers nothing and puts a judgement into the environment.

    It is a pair: the error that the application shall end the request with, or
    none, and the bytes that the body may have.
    """

    def judge(environ: dict[str, Any], _start: Callable[..., Any]) -> Iterable[bytes]:
        environ[JUDGED] = _judged(app, environ)
        return ()

    return judge


def _judged(app: Flask, environ: dict[str, Any]) -> tuple[BaseException | None, int]:
    with app.request_context(environ):
        try:
            guard_at_hand().check()
            if request.routing_exception is not None:
                raise request.routing_exception
            most = request.max_content_length
            assert most is not None
            if (request.content_length or 0) > most:
                raise RequestEntityTooLarge
        # Whatever it is, the application shall tell it as it tells every error.
        except Exception as error:
            return error, 0
        return None, most
