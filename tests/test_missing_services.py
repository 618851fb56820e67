"""The lists and the switch of ``conftest.py``, tried on a run of their own."""

from __future__ import annotations

from pathlib import Path

import pytest

CONFTEST = Path(__file__).with_name("conftest.py")
MARKED = """
import pytest

@pytest.mark.{marker}
def test_with_a_need():
    pass

def test_plain():
    pass
"""
# Each thing is taken to be there, or not, whatever this machine has.
PRETEND = """
import dataclasses
for name in NEEDS:
    NEEDS[name] = dataclasses.replace(NEEDS[name], present=lambda: {present})
"""


def _run(
    pytester: pytest.Pytester, marker: str, *, present: bool, options: tuple[str, ...] = ()
) -> pytest.RunResult:
    source = CONFTEST.read_text(encoding="utf-8")
    pytester.makeconftest(source + PRETEND.format(present=present))
    pytester.makeini("[pytest]\nmarkers =\n    browser: b\n    postgres: p\n")
    pytester.makepyfile(MARKED.format(marker=marker))
    return pytester.runpytest_subprocess("-p", "no:cacheprovider", *options)


@pytest.mark.parametrize("marker", ["browser", "postgres"])
def test_a_missing_need_is_skipped_and_listed(
    pytester: pytest.Pytester, monkeypatch: pytest.MonkeyPatch, marker: str
) -> None:
    monkeypatch.delenv("PAWNLORE_REQUIRE_ALL", raising=False)
    result = _run(pytester, marker, present=False)
    result.assert_outcomes(passed=1, skipped=1)
    result.stdout.fnmatch_lines(
        ["*not run on this machine*", f"1 marked '{marker}': *apt-get*", "*::test_with_a_need"]
    )
    assert result.ret == pytest.ExitCode.OK


@pytest.mark.parametrize("marker", ["browser", "postgres"])
def test_the_switch_turns_a_missing_need_into_a_failure(
    pytester: pytest.Pytester, monkeypatch: pytest.MonkeyPatch, marker: str
) -> None:
    monkeypatch.setenv("PAWNLORE_REQUIRE_ALL", "1")
    result = _run(pytester, marker, present=False)
    assert result.ret == pytest.ExitCode.TESTS_FAILED
    result.stdout.fnmatch_lines(["*PAWNLORE_REQUIRE_ALL is set*"])
    assert result.parseoutcomes()["passed"] == 1


def test_nothing_is_listed_where_nothing_is_missing(
    pytester: pytest.Pytester, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("PAWNLORE_REQUIRE_ALL", "1")
    result = _run(pytester, "browser", present=True)
    result.assert_outcomes(passed=2)
    assert "not run on this machine" not in result.stdout.str()
