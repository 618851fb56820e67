"""Every kind of resource of the API: a module here, a line in `blueprints`."""

from __future__ import annotations

from flask import Blueprint


def blueprints() -> tuple[Blueprint, ...]:
    """The blueprints of the API, in the order in which they are described."""
    return ()
