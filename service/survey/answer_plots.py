"""Plots of answers as in a printed book: bars of ink on paper, with their intervals (SVG).

Everything is drawn with presentation attributes and the classes of
`pawnlore.service.diagram`, so that a plot fits a page or a booklet beside the
diagrams. The text says everything that the bars show.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import NamedTuple

from pawnlore.service.diagram_grid import GREY, INK, PAPER
from pawnlore.service.html_text import html_text

_FONT = "font-family=\"Palatino, 'Palatino Linotype', 'Book Antiqua', Georgia, serif\""
_TOP, _BOTTOM = 40, 34


class _Layout(NamedTuple):
    """Where a bar begins, how long it can be, what follows, a row's height, the bar's top."""

    left: int
    bars: int
    after: int
    row: int
    bar: int
    signs: int


_WIDE = _Layout(320, 330, 130, 22, 3, 50)
_NARROW = _Layout(4, 222, 134, 38, 19, 46)


class Bar(NamedTuple):
    """One bar: its label, its value with the interval's bounds, and what stands behind it."""

    label: str
    value: float
    low: float
    high: float
    note: str = ""


def bar_plot(
    title: str,
    bars: Sequence[Bar],
    *,
    axis: str,
    middle: float | None = None,
    narrow: bool = False,
) -> str:
    """Bars for shares of 0 to 1, told in per cent; ``middle`` draws a line there.

    ``narrow`` sets each label above its bar, so that a phone shows all of it.

    >>> plot = bar_plot("Scores", [Bar("isolani", 0.5, 0.4, 0.6, "9 games")], axis="score")
    >>> plot.startswith("<svg"), "isolani: 50.0 % (40.0 to 60.0), 9 games" in plot
    (True, True)
    """
    most = max([0.05, *(bar.high for bar in bars), *([middle] if middle else [])])
    step = next(s for s in (0.02, 0.05, 0.1, 0.2, 0.5) if most / s <= 6 or s == 0.5)
    end = min(1.0, math.ceil(most / step - 1e-9) * step)
    at = _NARROW if narrow else _WIDE
    width, height = at.left + at.bars + at.after, _TOP + at.row * len(bars) + _BOTTOM
    bottom = _TOP + at.row * len(bars)

    def x(value: float) -> float:
        return round(at.left + at.bars * min(value, end) / end, 1)

    def upright(value: float) -> str:
        """A line across the bars, with room for labels that stand above them."""
        if not narrow:
            return f"M{x(value)} {_TOP - 6}V{bottom}"
        tops = (_TOP + at.row * row + at.bar - 2 for row in range(len(bars)))
        return "".join(f"M{x(value)} {top}v16" for top in tops) or f"M{x(value)} {bottom}v0"

    out = [
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {width} {height}" '
        f'width="{width}" height="{height}" role="img" {_FONT} font-size="13">',
        f"<title>{html_text(title)}</title>",
        "<desc>" + html_text("; ".join(_told(bar) for bar in bars)) + "</desc>",
        f'<rect class="pl-paper" width="{width}" height="{height}" fill="{PAPER}"/>',
        f'<text class="pl-ink" x="{at.left}" y="20" fill="{INK}" font-size="15" '
        f'font-style="italic">{html_text(title)}</text>',
    ]
    mark = 0.0
    while mark <= end + 1e-9:
        out.append(
            f'<path class="pl-edge" d="{upright(mark)}" stroke="{INK}" stroke-opacity="0.35" '
            'stroke-width="0.6"/>'
            f'<text class="pl-ink" x="{x(mark)}" y="{bottom + 14}" fill="{INK}" '
            f'text-anchor="middle" font-size="11">{mark * 100:.0f}</text>'
        )
        mark += step
    if middle is not None:
        out.append(
            f'<path class="pl-edge" d="{upright(middle)}" stroke="{INK}" '
            'stroke-width="0.9" stroke-dasharray="3 3"/>'
        )
    for row, bar in enumerate(bars):
        top = _TOP + at.row * row
        line = top + at.bar + 6
        place = (at.left, "start") if narrow else (at.left - 8, "end")
        out.append(
            f'<text class="pl-ink" x="{place[0]}" y="{top + 13}" fill="{INK}" '
            f'text-anchor="{place[1]}">{html_text(_short(bar.label, at.signs))}</text>'
        )
        if not math.isnan(bar.value):
            out.append(
                f'<rect class="pl-edge" x="{at.left}" y="{top + at.bar}" '
                f'width="{max(0.0, round(x(bar.value) - at.left, 1))}" height="12" fill="{GREY}" '
                f'stroke="{INK}" stroke-width="0.8"/>'
                f'<path class="pl-edge" d="M{x(bar.low)} {line}H{x(bar.high)}'
                f'M{x(bar.low)} {line - 4}v8M{x(bar.high)} {line - 4}v8" '
                f'stroke="{INK}" stroke-width="1.4" fill="none"/>'
            )
        value = "–" if math.isnan(bar.value) else f"{bar.value * 100:.1f}"
        note = f" · {bar.note}" if bar.note else ""
        out.append(
            f'<text class="pl-ink" x="{at.left + at.bars + 8}" y="{line + 4}" fill="{INK}" '
            f'font-size="12">{html_text(value + note)}</text>'
        )
    out.append(
        f'<text class="pl-ink" x="{at.left if narrow else at.left + at.bars}" y="{bottom + 28}" '
        f'fill="{INK}" text-anchor="{"start" if narrow else "end"}" font-size="11">'
        f"{html_text(axis)}, per cent</text></svg>\n"
    )
    return "\n".join(out)


def _told(bar: Bar) -> str:
    if math.isnan(bar.value):
        return f"{bar.label}: nothing is known"
    note = f", {bar.note}" if bar.note else ""
    return (
        f"{bar.label}: {bar.value * 100:.1f} % ({bar.low * 100:.1f} to {bar.high * 100:.1f}){note}"
    )


def _short(text: str, most: int) -> str:
    return text if len(text) <= most else text[: most - 1] + "…"
