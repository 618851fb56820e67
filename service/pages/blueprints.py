"""Every family of pages: a module here, a line in `page_blueprints`."""

from __future__ import annotations

from flask import Blueprint

from pawnlore.service.access import pages as access
from pawnlore.service.pages import (
    beside_games,
    changes,
    former_labels,
    front,
    groups,
    lines,
    look_up,
    model,
    note_editor,
    notes,
    owed,
    repertoires,
    static_files,
    structures,
    surveys,
    teach_families,
    teach_labels,
    teach_model,
    teach_next,
    uploads,
)


def page_blueprints() -> tuple[Blueprint, ...]:
    """The blueprints of the pages."""
    return (
        static_files.pages,
        access.pages,
        front.pages,
        look_up.pages,
        repertoires.pages,
        uploads.pages,
        changes.pages,
        groups.pages,
        lines.pages,
        structures.pages,
        surveys.pages,
        beside_games.pages,
        owed.pages,
        notes.pages,
        note_editor.pages,
        model.pages,
        teach_labels.pages,
        former_labels.pages,
        teach_families.pages,
        teach_next.pages,
        teach_model.pages,
    )
