"""How often a structure stands as games go on, as a small plot for a book's column (SVG)."""

from __future__ import annotations

import math
from collections.abc import Sequence

from pawnlore.service.diagram_grid import GREY, INK, PAPER
from pawnlore.service.html_text import html_text
from pawnlore.service.survey.intervals import Share

_FONT = "font-family=\"Palatino, 'Palatino Linotype', 'Book Antiqua', Georgia, serif\""
_WIDTH, _HEIGHT = 340, 196
_LEFT, _RIGHT, _TOP, _BOTTOM = 38, 6, 30, 42
_STEPS = (0.001, 0.002, 0.005, 0.01, 0.02, 0.05, 0.1, 0.2, 0.25)


def frequency_plot(title: str, by_ply: Sequence[tuple[int, Share]]) -> str:
    """Bars with their intervals, one for each half-move, in games of a hundred.

    Drawn in ink on paper, with the classes of `pawnlore.service.diagram`; the
    description says in words what the bars show.

    >>> plot = frequency_plot("Isolani", [(8, Share(0.1, 0.05, 0.2)), (20, Share(0.3, 0.2, 0.4))])
    >>> "after move 4: 10.0 of 100 games (5.0 to 20.0)" in plot
    True
    """
    most = max([0.002, *(one.high for _, one in by_ply)])
    step = next((s for s in _STEPS if most / s <= 4), _STEPS[-1])
    end = math.ceil(most / step - 1e-9) * step
    bottom = _HEIGHT - _BOTTOM
    slot = (_WIDTH - _LEFT - _RIGHT) / max(1, len(by_ply))

    def y(value: float) -> float:
        return round(bottom - (bottom - _TOP) * min(value, end) / end, 1)

    out = [
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {_WIDTH} {_HEIGHT}" '
        f'width="{_WIDTH}" height="{_HEIGHT}" role="img" {_FONT} font-size="13">',
        f"<title>{html_text(title)}</title>",
        "<desc>" + html_text("; ".join(_told(ply, one) for ply, one in by_ply)) + "</desc>",
        f'<rect class="pl-paper" width="{_WIDTH}" height="{_HEIGHT}" fill="{PAPER}"/>',
        _text(2, 15, "of 100 games", "start"),
    ]
    for count in range(round(end / step) + 1):
        mark = count * step
        out.append(
            f'<path class="pl-edge" d="M{_LEFT} {y(mark)}H{_WIDTH - _RIGHT}" stroke="{GREY}" '
            f'stroke-width="{1 if mark else 0}" stroke-dasharray="1 3" fill="none"/>'
            + _text(_LEFT - 6, y(mark) + 4, f"{100 * mark:.4g}", "end")
        )
    for place, (ply, one) in enumerate(by_ply):
        middle = round(_LEFT + slot * (place + 0.5), 1)
        if not math.isnan(one.value):
            left, top = round(middle - 0.3 * slot, 1), y(one.value)
            out.append(
                f'<rect class="pl-edge" x="{left}" y="{top}" width="{round(0.6 * slot, 1)}" '
                f'height="{round(bottom - top, 1)}" fill="{GREY}" stroke="{INK}" '
                'stroke-width="0.8"/>'
                f'<path class="pl-edge" d="M{middle} {y(one.low)}V{y(one.high)}'
                f'M{middle - 3} {y(one.low)}h6M{middle - 3} {y(one.high)}h6" stroke="{INK}" '
                'stroke-width="1.2" fill="none"/>'
            )
        out.append(_text(middle, bottom + 16, str(ply // 2), "middle"))
    out.append(
        f'<path class="pl-edge" d="M{_LEFT} {bottom}H{_WIDTH - _RIGHT}" stroke="{INK}" '
        'stroke-width="1.2" fill="none"/>'
    )
    out.append(_text(_WIDTH - _RIGHT, bottom + 34, "after move", "end") + "</svg>\n")
    return "\n".join(out)


def _text(x: float, y: float, text: str, anchor: str) -> str:
    return (
        f'<text class="pl-ink" x="{x}" y="{y}" fill="{INK}" text-anchor="{anchor}">'
        f"{html_text(text)}</text>"
    )


def _told(ply: int, one: Share) -> str:
    if math.isnan(one.value):
        return f"after move {ply // 2}: no game is so long"
    return (
        f"after move {ply // 2}: {100 * one.value:.1f} of 100 games "
        f"({100 * one.low:.1f} to {100 * one.high:.1f})"
    )
