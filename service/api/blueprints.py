"""Every kind of resource of the API: a module here, a line in `blueprints`."""

from __future__ import annotations

from flask import Blueprint

from pawnlore.service.api import (
    classify,
    diagram,
    jobs,
    labels,
    model,
    notes,
    openapi,
    plans,
    positions,
    repertoire_exports,
    repertoire_tables,
    repertoires,
    structures,
    surveys,
    teaching,
)


def blueprints() -> tuple[Blueprint, ...]:
    """The blueprints of the API, in the order in which they are described."""
    return (
        classify.resources,
        plans.resources,
        positions.resources,
        structures.resources,
        diagram.resources,
        notes.resources,
        labels.resources,
        teaching.resources,
        repertoires.resources,
        repertoire_tables.resources,
        repertoire_exports.resources,
        surveys.resources,
        jobs.resources,
        model.resources,
        openapi.resources,
    )
