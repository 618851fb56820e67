"""A small sample of the campaign, and what earlier runs of it found.

Hypothesis draws the same inputs in every run; `campaign.py` draws many more.
"""

from __future__ import annotations

import subprocess
import sys
from io import BytesIO
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings

from pawnlore.service.position_lines import LINE_LIMIT, read_position_lines

sys.path.insert(0, str(Path(__file__).resolve().parent))

from hostile_input import (
    MEMORY,
    TARGETS,
    Hunger,
    Usage,
    bounded,
    check_position_line,
    check_position_stream,
)

CAMPAIGN = Path(__file__).resolve().with_name("campaign.py")


@pytest.mark.parametrize("name", TARGETS)
def test_a_sample_of_hostile_input(name: str) -> None:
    target, usage = TARGETS[name], Usage()

    @settings(max_examples=60, suppress_health_check=list(HealthCheck))
    @given(target.inputs)
    def attack(data: Any) -> None:
        target.run(data, usage)

    attack()
    assert usage.inputs >= 60
    assert usage.size > 1000


def test_the_bounds_notice_what_breaks_them() -> None:
    with pytest.raises(Hunger), bounded(1):
        bytearray(2 * sum(MEMORY))


def test_the_campaign_runs_and_repeats_itself() -> None:
    command = [sys.executable, str(CAMPAIGN), "--seed", "3", "--runs", "25", "--target", "fen"]
    first, second = (
        subprocess.run(command, capture_output=True, text=True, check=True).stdout for _ in range(2)
    )
    assert "seed 3, 25 runs a target" in first
    assert "held" in first
    # Sizes repeat, times do not.
    assert first.split(" characters")[0] == second.split(" characters")[0]


# Found by the campaign ---------------------------------------------------------------------


def test_two_counts_in_a_row_are_refused_in_words() -> None:
    check_position_line("K7/8/k7/44/8/8/8/8 w - - 0 1")


@pytest.mark.parametrize("line", [b"8/8/8/8/8/8/8/8 \x1b[31m", b"\x1b[31m" + b"x" * LINE_LIMIT])
def test_no_control_character_comes_through_with_a_line(line: bytes) -> None:
    check_position_stream(line)
    (found,) = read_position_lines(BytesIO(line))
    assert "\x1b" not in found.text


def test_a_position_keeps_its_tabs_and_letters() -> None:
    line = '8/8/8/8/8/8/8/8\tw - - id "Grünfeld–É";'
    (found,) = read_position_lines(BytesIO(line.encode()))
    assert found.text == line
