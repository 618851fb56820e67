"""The plot of a calibration: how sure the verdicts are, against how often they are right.

Drawn like the figures of a printed book: ink on paper, told by shape and place
alone. The disc of a bin is as large as it has verdicts, and the line through it
is the 95 per cent interval of its share.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence

from markupsafe import Markup

from pawnlore.models.exam_figures import CalibrationBin
from pawnlore.service.survey.intervals import share

SIZE = 320
_LEFT, _TOP, _RIGHT, _BOTTOM = 46, 12, 14, 44
_TICKS = (0.0, 0.2, 0.4, 0.6, 0.8, 1.0)
_SMALLEST, _LARGEST = 2.6, 9.0


def calibration_plot(bins: Sequence[CalibrationBin]) -> Markup:
    """The plot as SVG, with its content in words for who cannot see it.

    >>> drawn = calibration_plot([CalibrationBin(0.8, 0.9, 40, 0.85, 0.8)])
    >>> drawn.count("<circle"), "80 to 90 %: 40 verdicts, 80 % right" in drawn
    (1, True)
    """
    width, height = _LEFT + SIZE + _RIGHT, _TOP + SIZE + _BOTTOM
    parts = [
        f'<svg class="plot" viewBox="0 0 {width} {height}" role="img" aria-label="{_words(bins)}">',
        *_frame(),
        *_bins(bins),
        "</svg>",
    ]
    return Markup("".join(parts))


def _words(bins: Sequence[CalibrationBin]) -> str:
    told = "; ".join(
        f"{100 * b.low:.0f} to {100 * b.high:.0f} %: {b.count} verdicts, "
        f"{100 * b.right:.0f} % right"
        for b in bins
    )
    return f"How often verdicts are right, by how sure they are. {told or 'No verdicts'}."


def _x(value: float) -> str:
    return f"{_LEFT + SIZE * value:.1f}"


def _y(value: float) -> str:
    return f"{_TOP + SIZE * (1 - value):.1f}"


def _frame() -> Iterator[str]:
    bottom, left = _TOP + SIZE, _LEFT
    for tick in _TICKS[1:-1]:
        across = f"M{_x(tick)} {_TOP}V{bottom}M{left} {_y(tick)}H{left + SIZE}"
        yield f'<path class="plot-hair" d="{across}"/>'
    yield f'<path class="plot-even" d="M{_x(0)} {_y(0)}L{_x(1)} {_y(1)}"/>'
    yield f'<rect class="plot-frame" x="{left}" y="{_TOP}" width="{SIZE}" height="{SIZE}"/>'
    for tick in _TICKS:
        told = f"{100 * tick:.0f}"
        yield f'<text x="{_x(tick)}" y="{bottom + 16}" text-anchor="middle">{told}</text>'
        y = float(_y(tick)) + 4
        yield f'<text x="{left - 7}" y="{y:.1f}" text-anchor="end">{told}</text>'
    middle = left + SIZE / 2
    yield f'<text x="{middle}" y="{bottom + 37}" text-anchor="middle">how sure, per cent</text>'
    y = _TOP + SIZE / 2
    yield (
        f'<text x="12" y="{y}" text-anchor="middle" transform="rotate(-90 12 {y})">'
        "right, per cent</text>"
    )


def _bins(bins: Sequence[CalibrationBin]) -> Iterator[str]:
    most = max((b.count for b in bins), default=1)
    for b in bins:
        _, low, high = share(b.right * b.count, b.count)
        x = _x(b.mean)
        yield f'<path class="plot-reach" d="M{x} {_y(low)}V{_y(high)}"/>'
        radius = _SMALLEST + (_LARGEST - _SMALLEST) * math.sqrt(b.count / most)
        yield f'<circle class="plot-disc" cx="{x}" cy="{_y(b.right)}" r="{radius:.1f}"/>'
