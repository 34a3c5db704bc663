"""Imports flow one way, and the judging part touches no clock, file or socket."""

import ast
from pathlib import Path

import pytest

from .running import ROOT

PACKAGE = ROOT / "src" / "steadyhead"

# From the top: a module imports only from lines above its own, or from its own. The longest match counts.
LINES = (
    ("errors", "types"),
    ("files",),
    ("units", "hydraulics"),
    ("stats",),
    ("config",),
    ("readings",),
    ("feeds",),
    ("conditions",),
    ("profile",),
    ("engine",),
    ("profile.learn",),
    ("alerts",),
    ("diagnosis",),
    ("store",),
    ("report",),
    ("service",),
    ("archive",),
    ("fleet",),
    ("desk",),
    ("weekly",),
    ("access",),
    ("notify",),
    ("outward",),
    ("live",),
    ("api",),
    ("web",),
    ("api.app",),
    ("proving_plant",),
    ("cli",),
    ("__main__",),
)
PLACES = {place: number for number, line in enumerate(LINES) for place in line}

JUDGING = ("stats", "readings", "conditions", "profile", "engine")
MAY_WRITE = ("readings.rejects",)  # writes its list when a command asks it to
TOUCHING = {
    "asyncio", "glob", "http", "io", "logging", "os", "pathlib", "random", "requests", "shutil", "socket",
    "sqlite3", "subprocess", "tempfile", "threading", "time", "urllib", "steadyhead.files",
}  # fmt: skip
TOUCHING_CALLS = {"open", "print", "input", "now", "utcnow", "today", "read_text", "write_text", "read_csv"}


def module_name(path: Path) -> str:
    parts = path.relative_to(PACKAGE).with_suffix("").parts
    return ".".join(parts[:-1] if parts[-1] == "__init__" else parts)


MODULES = {
    module_name(path): path for path in sorted(PACKAGE.rglob("*.py")) if path != PACKAGE / "__init__.py"
}


def place_of(module: str) -> int:
    """Line of a module in the list above, counted from 0 at the top."""
    while module not in PLACES:
        assert "." in module, f"{module} has no line in the layout"
        module = module.rpartition(".")[0]
    return PLACES[module]


def imported(path: Path) -> set[str]:
    found: set[str] = set()
    for node in ast.walk(ast.parse(path.read_text())):
        if isinstance(node, ast.Import):
            found.update(name.name for name in node.names)
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path}: relative import"
            base = node.module or ""
            submodules = {f"{base}.{name.name}" for name in node.names}
            is_ours = {s for s in submodules if s.removeprefix("steadyhead.") in MODULES}
            found.update(is_ours or {base})
    return found


@pytest.mark.parametrize("module", MODULES)
def test_a_module_imports_only_from_above(module):
    own = place_of(module)
    for name in imported(MODULES[module]):
        if name.startswith("steadyhead."):
            other = name.removeprefix("steadyhead.")
            assert place_of(other) <= own, f"{module} imports {other}, which stands below it"


@pytest.mark.parametrize("module", [m for m in MODULES if m.split(".")[0] in JUDGING and m not in MAY_WRITE])
def test_judging_touches_no_clock_file_or_socket(module):
    assert imported(MODULES[module]) & TOUCHING == set()
    for node in ast.walk(ast.parse(MODULES[module].read_text())):
        if isinstance(node, ast.Call):
            called = node.func.id if isinstance(node.func, ast.Name) else getattr(node.func, "attr", "")
            assert called not in TOUCHING_CALLS, f"{module}, line {node.lineno}: {called}()"


def test_the_layout_in_the_docs_has_every_place_in_this_order():
    text = (ROOT / "DEVELOPERS.md").read_text()
    table = text[text.index("| place | what |") : text.index("Beside `src/`")]
    at = []
    for line in LINES[:-1]:
        for place in line:
            path = place.replace(".", "/")
            written = f"`{path}/`" if (PACKAGE / path).is_dir() else f"`{path}.py`"
            assert written in table, written
            at.append(table.index(written))
    assert at == sorted(at)
