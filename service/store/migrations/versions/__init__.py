"""The versions; each leads from the one before it."""
