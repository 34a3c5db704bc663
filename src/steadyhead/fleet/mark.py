"""A mark of the program and of the libraries that results hang on, to hold workers to the same ones."""

from __future__ import annotations

import hashlib
from functools import cache
from importlib.metadata import version
from pathlib import Path

import steadyhead

LIBRARIES = ("numpy", "numba", "scipy", "pandas", "pyarrow", "scikit-learn", "statsmodels", "matplotlib")


@cache
def own_mark() -> str:
    """Version, a digest of our files, and one of the versions of the libraries."""
    root = Path(steadyhead.__file__).parent
    files = hashlib.sha256()
    for path in sorted(path for path in root.rglob("*") if path.suffix in (".py", ".json", ".yaml")):
        files.update(path.relative_to(root).as_posix().encode() + b"\0" + path.read_bytes())
    libraries = hashlib.sha256(" ".join(version(name) for name in LIBRARIES).encode())
    return f"{version('steadyhead')}-{files.hexdigest()[:8]}-{libraries.hexdigest()[:8]}"
