"""Imports go one way: service to models to structures.

The rules are read from the source, not from what happens to be loaded, so that
an import inside a function counts as well.
"""

from __future__ import annotations

import ast
import subprocess
import sys
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import pytest

REPOSITORY = Path(__file__).resolve().parent.parent

ALLOWED: dict[str, frozenset[str]] = {
    "structures": frozenset({"pawnlore.structures", "chess", "numpy"}),
    "models": frozenset(
        {"pawnlore.structures", "pawnlore.models", "chess", "joblib", "numpy", "scipy", "sklearn"}
    ),
    "service": frozenset(
        {
            "pawnlore.structures",
            "pawnlore.models",
            "pawnlore.service",
            "pawnlore.labelled_demo",
            "alembic",
            "chess",
            "distributed",
            "flask",
            "fsspec",
            "jinja2",
            "joblib",
            "markdown_it",
            "markupsafe",
            "numba",
            "numpy",
            "psycopg",
            "pyarrow",
            "rust_pgn_reader_python_binding",
            "sqlalchemy",
            "tomlkit",
            "tqdm",
            "waitress",
            "werkzeug",
        }
    ),
    "labelled_demo": frozenset(),
}
"""What each folder may import besides the standard library."""

PREDICTION = ("pawnlore.service.commands.classify", "pawnlore.service.commands.tag")
"""Where prediction starts: nothing that these reach may need scikit-learn."""

KEPT_OUT_OF_PREDICTION = frozenset({"sklearn", "scipy", "pickle", "joblib"})


@dataclass(frozen=True)
class Import:
    """One imported module, where, and whether it runs when the file is imported."""

    module: str
    line: int


def imports_of(source: str) -> Iterator[Import]:
    """Every import in a file, those inside functions included."""
    for node in ast.walk(ast.parse(source)):
        if isinstance(node, ast.Import):
            for alias in node.names:
                yield Import(alias.name, node.lineno)
        elif isinstance(node, ast.ImportFrom):
            if node.level:
                # Relative imports would hide the folder that is reached.
                yield Import("." * node.level + (node.module or ""), node.lineno)
            else:
                yield Import(node.module or "", node.lineno)
                for alias in node.names:
                    yield Import(f"{node.module}.{alias.name}", node.lineno)
        elif (
            isinstance(node, ast.Call)
            and ast.unparse(node.func).endswith("import_module")
            and node.args
            and isinstance(node.args[0], ast.Constant)
        ):
            yield Import(str(node.args[0].value), node.lineno)


def broken_rules(folder: str, source: str) -> list[str]:
    """The imports of one file that its folder may not make, each as 'line: module'."""
    bad = []
    for found in imports_of(source):
        if found.module.split(".")[0] in sys.stdlib_module_names:
            continue
        if not any(
            found.module == name or found.module.startswith(name + ".") for name in ALLOWED[folder]
        ):
            bad.append(f"{found.line}: {found.module}")
    return bad


def modules() -> dict[str, Path]:
    """Every module of the project by its import name."""
    found = {}
    for folder in ALLOWED:
        for path in sorted((REPOSITORY / folder).rglob("*.py")):
            parts = path.relative_to(REPOSITORY).with_suffix("").parts
            parts = parts[:-1] if parts[-1] == "__init__" else parts
            found[".".join(("pawnlore", *parts))] = path
    return found


def reach(start: str, all_modules: dict[str, Path]) -> dict[str, list[str]]:
    """Every module that one module leads to, with the way that leads there."""
    ways = {start: [start]}
    queue = [start]
    while queue:
        name = queue.pop()
        path = all_modules.get(name)
        if path is None:
            continue
        for found in imports_of(path.read_text(encoding="utf-8")):
            target = found.module
            # 'from package import name' names a module or something inside one.
            if target.startswith("pawnlore.") and target not in all_modules:
                target = target.rpartition(".")[0]
            if target not in ways:
                ways[target] = [*ways[name], target]
                queue.append(target)
    return ways


@pytest.mark.parametrize("folder", ALLOWED)
def test_a_folder_imports_only_what_it_may(folder: str) -> None:
    broken = [
        f"{path.relative_to(REPOSITORY)}:{bad}"
        for path in sorted((REPOSITORY / folder).rglob("*.py"))
        for bad in broken_rules(folder, path.read_text(encoding="utf-8"))
    ]
    assert not broken, "imports against the rules:\n" + "\n".join(broken)


@pytest.mark.parametrize(
    ("folder", "source"),
    [
        ("structures", "import pawnlore.models.sampling"),
        ("structures", "from pawnlore.service import cli"),
        ("structures", "def f():\n    import sklearn"),
        ("structures", "from importlib import import_module\nimport_module('pawnlore.models')"),
        ("structures", "import tqdm"),
        ("models", "from pawnlore.service.commands import demo"),
        ("models", "from ..service import cli"),
        ("models", "from pawnlore import service"),
        ("labelled_demo", "import numpy"),
    ],
)
def test_a_forbidden_import_is_found(folder: str, source: str) -> None:
    assert broken_rules(folder, source)


@pytest.mark.parametrize("start", PREDICTION)
def test_prediction_never_reaches_scikit_learn(start: str) -> None:
    all_modules = modules()
    assert start in all_modules
    bad = [
        " -> ".join(way)
        for target, way in reach(start, all_modules).items()
        if target.split(".")[0] in KEPT_OUT_OF_PREDICTION
    ]
    assert not bad, "prediction would load what it must not:\n" + "\n".join(bad)


def test_the_walk_follows_imports(tmp_path: Path) -> None:
    one, two = tmp_path / "one.py", tmp_path / "two.py"
    one.write_text("def f():\n    from pawnlore.two import g\n", encoding="utf-8")
    two.write_text("import sklearn.linear_model\n", encoding="utf-8")
    ways = reach("pawnlore.one", {"pawnlore.one": one, "pawnlore.two": two})
    assert ways["sklearn.linear_model"] == ["pawnlore.one", "pawnlore.two", "sklearn.linear_model"]


@pytest.mark.parametrize(
    "arguments",
    [["--help"], ["classify", "--help"], ["classify"]],
    ids=["help", "help of one command", "one position"],
)
def test_the_command_starts_without_scikit_learn(arguments: list[str]) -> None:
    program = (
        "import sys\n"
        "from pawnlore.service.cli import main\n"
        "try:\n"
        "    status = main(sys.argv[1:])\n"
        "except SystemExit as stop:\n"
        "    status = stop.code\n"
        "heavy = {'sklearn', 'scipy', 'joblib'} & set(sys.modules)\n"
        "print(f'{status} {sorted(heavy)}', file=sys.stderr)\n"
    )
    ran = subprocess.run(
        [sys.executable, "-c", program, *arguments],
        input="r1bqk2r/pp3ppp/2n1pn2/8/1b1P4/2N2N2/PP3PPP/R1BQKB1R w KQkq - 0 8\n",
        capture_output=True,
        text=True,
        timeout=120,
        check=False,
    )
    assert ran.stderr.splitlines()[-1:] == ["0 []"], ran.stderr
