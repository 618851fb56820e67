"""How sure a share or a score is: Wilson's interval."""

from __future__ import annotations

import math
from typing import NamedTuple

Z = 1.959963984540054
"""The normal distribution's 97.5 per cent point, for intervals of 95 per cent."""


class Share(NamedTuple):
    """A share of 0 to 1 with the bounds of its 95 per cent interval."""

    value: float
    low: float
    high: float


def share(part: float, whole: float) -> Share:
    """A share with Wilson's interval (E. B. Wilson, 1927, JASA 22, p. 209).

    For a score, ``part`` counts wins and half the draws. The interval is then a
    little too wide, because draws make a score vary less than wins and losses
    alone would; it is never too narrow for that reason.

    >>> [round(bound, 3) for bound in share(5, 10)]
    [0.5, 0.237, 0.763]
    >>> share(0, 0)
    Share(value=nan, low=0.0, high=1.0)
    """
    if whole <= 0:
        return Share(math.nan, 0.0, 1.0)
    p, z2 = part / whole, Z * Z
    middle = (p + z2 / (2 * whole)) / (1 + z2 / whole)
    reach = Z * math.sqrt(p * (1 - p) / whole + z2 / (4 * whole * whole)) / (1 + z2 / whole)
    return Share(p, max(0.0, middle - reach), min(1.0, middle + reach))
