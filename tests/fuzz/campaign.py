"""A long run of hostile input through the readers.

    python tests/fuzz/campaign.py [--seed 1] [--runs 20000] [--target pgn …]
    python tests/fuzz/campaign.py --coverage-guided --target pgn [--seed 1] [--runs 200000]

The first form draws at random, the same inputs for the same seed. The second
lets Atheris choose inputs that reach new code; it needs the package 'atheris',
one target and a few thousand runs to be worth it. The status is 1 where an
input broke a reader; the smallest such input is shown.
"""

from __future__ import annotations

import argparse
import logging
import resource
import sys
import time
from pathlib import Path
from typing import Any

ADDRESS_SPACE = 4 << 30
"""Bytes for the whole process, so that a reader gone wild ends itself, not the machine."""


def drawn(name: str, seed: int, runs: int) -> bool:
    """Run one target on so many drawn inputs; whether it held."""
    from hostile_input import TARGETS, Usage
    from hypothesis import HealthCheck, given, settings
    from hypothesis import seed as seeded

    target, usage = TARGETS[name], Usage()

    @seeded(seed)
    @settings(
        max_examples=runs,
        database=None,
        deadline=None,
        derandomize=False,
        suppress_health_check=list(HealthCheck),
        print_blob=False,
    )
    @given(target.inputs)
    def attack(data: Any) -> None:
        target.run(data, usage)

    begun = time.monotonic()
    held = True
    try:
        attack()
    except BaseException:
        held = False
        logging.exception("%s: an input broke the reader", name)
    print(
        f"{name}: {usage.inputs:,} inputs of at most {usage.size:,} characters in "
        f"{time.monotonic() - begun:.0f} s; at most {usage.seconds:.2f} s and "
        f"{usage.memory / 2**20:.1f} MiB for one; {'held' if held else 'BROKEN'}",
        flush=True,
    )
    return held


def coverage_guided(name: str, seed: int, runs: int) -> None:
    """Let Atheris lead one target; it ends the process itself."""
    try:
        import atheris
    except ImportError:
        raise SystemExit("this needs the package 'atheris': pip install atheris") from None
    with atheris.instrument_imports(include=["pawnlore", "chess"]):
        from hostile_input import TARGETS
    from hypothesis import HealthCheck, given, settings

    target = TARGETS[name]

    @settings(database=None, deadline=None, suppress_health_check=list(HealthCheck))
    @given(target.inputs)
    def attack(data: Any) -> None:
        target.run(data)

    # Short inputs stay short: 4 KiB of choices describe the longest text that is drawn.
    options = [
        sys.argv[0],
        f"-seed={seed}",
        f"-runs={runs}",
        "-max_len=4096",
        "-len_control=0",
        "-timeout=60",
    ]
    atheris.Setup(options, attack.hypothesis.fuzz_one_input)  # type: ignore[attr-defined]
    atheris.Fuzz()


def main() -> int:
    """Run the campaign that the options describe."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--seed", type=int, default=1, help="what the draws start from")
    parser.add_argument("--runs", type=int, default=20_000, help="inputs for each target")
    parser.add_argument("--target", nargs="+", help="names of targets; all by default")
    parser.add_argument("--coverage-guided", action="store_true", help="let Atheris lead")
    asked = parser.parse_args()
    sys.path.insert(0, str(Path(__file__).resolve().parent))
    if asked.coverage_guided:
        if not asked.target or len(asked.target) != 1:
            parser.error("--coverage-guided takes one --target")
        coverage_guided(asked.target[0], asked.seed, asked.runs)
        return 0
    resource.setrlimit(resource.RLIMIT_AS, (ADDRESS_SPACE, ADDRESS_SPACE))
    from hostile_input import TARGETS

    names = asked.target or list(TARGETS)
    if unknown := sorted(set(names) - set(TARGETS)):
        parser.error(f"no target is called {', '.join(unknown)}; there are {', '.join(TARGETS)}")
    print(f"seed {asked.seed}, {asked.runs:,} runs a target")
    results = [drawn(name, asked.seed, asked.runs) for name in names]
    return 0 if all(results) else 1


if __name__ == "__main__":
    sys.exit(main())
