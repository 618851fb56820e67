"""Text that is not UTF-8, or only in part."""

from __future__ import annotations

import random

from pawnlore.service.survey.text_source import as_utf8


def line_by_line(block: bytes) -> bytes:
    """The rule, one line at a time: UTF-8, else Windows-1252, else Latin-1."""
    lines = []
    for line in block.replace(b"\0", b" ").split(b"\n"):
        for encoding in ("utf-8", "cp1252", "latin-1"):
            try:
                lines.append(line.decode(encoding).encode())
                break
            except UnicodeDecodeError:
                continue
    return b"\n".join(lines)


def test_every_line_is_judged_by_itself() -> None:
    dice = random.Random(4)
    atoms = [b"\n", b"\r\n", b"a", "é".encode(), b"\xe9", b"\x81", b"\0", "♞".encode(), b"b c"]
    changed = 0
    for _ in range(3000):
        block = b"".join(dice.choices(atoms, k=dice.randrange(30)))
        text = as_utf8(block)
        assert text == line_by_line(block), block
        text.decode()
        changed += text != block
    assert changed > 1000
