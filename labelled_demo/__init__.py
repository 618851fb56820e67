"""Invented data: a repertoire, labelled positions and plan notes (no code)."""
