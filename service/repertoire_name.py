"""What an upload is called where nobody gave it a name."""

from __future__ import annotations

import re
from collections.abc import Sequence

_NUMBER = re.compile(r"^[\d\W_]+")
_JOINTS = re.compile(r"[-_\s]+")


def name_of_files(names: Sequence[str]) -> str:
    """A name from those of the files.

    One file lends its own. Of several, the first is only one part: its number in
    the row goes, and the others are counted.

    >>> name_of_files(["black-french.pgn"])
    'black-french'
    >>> name_of_files(["01-queens-gambit.pgn", "02-slav.pgn", "03-indian.pgn"])
    'Queens gambit and 2 more files'
    >>> name_of_files(["1.pgn", "2.pgn"]), name_of_files([".pgn"])
    ('1 and 1 more file', 'Repertoire')
    """
    first = names[0].removesuffix(".pgn").strip()
    if len(names) == 1 or not first:
        return first or "Repertoire"
    told = _JOINTS.sub(" ", _NUMBER.sub("", first)).strip() or first
    more = len(names) - 1
    return f"{told[:1].upper()}{told[1:]} and {more} more file{'' if more == 1 else 's'}"
