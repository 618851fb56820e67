"""The survey: what whole game collections play, in bulk, and how it answers a repertoire."""
