"""Moves and names in words, for the writers of tables (`pawnlore.structures.line_text`)."""

from pawnlore.structures.line_text import Naming, family_name, line_text, moves_text, numbered

__all__ = ["Naming", "family_name", "line_text", "moves_text", "numbered"]
