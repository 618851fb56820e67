"""Progress bars: on standard error, and only where somebody watches."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager


@contextmanager
def progress_bar(label: str, total: int | None, unit: str = "B") -> Iterator[Callable[[int], None]]:
    """A bar for the length of a ``with`` block; what it gives is told of progress.

    ``total`` is the amount of work in ``unit``s, or none where nobody knows.
    Where standard error is no terminal, nothing is shown.

    >>> with progress_bar("reading", 10) as advance:
    ...     advance(10)
    """
    if not sys.stderr.isatty():
        yield lambda amount: None
        return
    from tqdm import tqdm

    with tqdm(
        desc=label, total=total, unit=unit, unit_scale=True, file=sys.stderr, leave=False
    ) as bar:

        def advance(amount: int) -> None:
            bar.update(amount)

        yield advance
