"""Every kind of resource of the API: a module here, a line in `blueprints`."""

from __future__ import annotations

from flask import Blueprint

from pawnlore.service.api import classify, model, notes, openapi, plans, structures


def blueprints() -> tuple[Blueprint, ...]:
    """The blueprints of the API, in the order in which they are described."""
    return (
        classify.resources,
        plans.resources,
        structures.resources,
        notes.resources,
        model.resources,
        openapi.resources,
    )
