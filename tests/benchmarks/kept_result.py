"""Keeps what a benchmark found in a file of ``results/``, with how busy the machine was."""

from __future__ import annotations

import os
import platform
from collections.abc import Sequence
from datetime import UTC, datetime
from pathlib import Path

RESULTS = Path(__file__).resolve().parent / "results"


def keep_result(name: str, title: str, words: str, lines: Sequence[str], load: str) -> None:
    """Write one result; ``load`` is `machine_load` from before the run."""
    RESULTS.mkdir(exist_ok=True)
    text = [f"# {title}", "", words, "", *(f"- {line}" for line in lines), ""]
    text += [
        f"Measured on {datetime.now(UTC):%Y-%m-%d} with Python {platform.python_version()} on "
        f"{os.cpu_count()} cores; load average over 1, 5 and 15 minutes {load} before and "
        f"{machine_load()} after.",
        "",
    ]
    (RESULTS / f"{name}.md").write_text("\n".join(text), encoding="utf-8")


def machine_load() -> str:
    """The load averages, where the system tells them."""
    try:
        return ", ".join(f"{load:.1f}" for load in os.getloadavg())
    except (AttributeError, OSError):
        return "not known"
