"""Learned profiles as they lie on the disk."""

from __future__ import annotations

import json
import logging
from typing import Any

from steadyhead.errors import ProfileError
from steadyhead.live.profile_files import ProfileFiles
from steadyhead.profile.model import Profile, to_json
from steadyhead.store.profiles import load_profile, profile_path

from .made import registry
from .stored import a_profile, fits
from .target import Target, folder


def feed(data: bytes) -> None:
    """One file, read as the service reads a profile in use and a replaced one, and as ``scan`` does."""
    logging.disable(logging.WARNING)
    path = profile_path(folder() / "profiles", "elm")
    replaced = path.parent / "replaced" / "elm-2.json"
    replaced.parent.mkdir(parents=True, exist_ok=True)
    path.write_bytes(data)
    replaced.write_bytes(data)
    files = ProfileFiles(path.parent, registry().stations)
    files.in_use("elm")
    files.of_version("elm", "2")
    found = load_profile(path.parent, "elm", 60)
    assert fits(Profile, found)


def corpus() -> list[bytes]:
    """A profile, the same in one line, and one without what may be missing."""
    text = to_json(a_profile())
    short = json.dumps(json.loads(text) | {"novelty": None, "withheld": {}, "remarks": []})
    data = json.loads(text)
    wrong: list[dict[str, Any]] = [
        data | {"set_pressure": data["set_pressure"] | {"source": 5}}, data | {"droop": []}, data | {"kv": None},
        data | {"rhythm": dict.fromkeys(data["rhythm"], 1)}, data | {"step_s": "60"}, data | {"remarks": "x"},
        data | {"thresholds": dict.fromkeys(data["thresholds"], "x")}, data | {"withheld": {"creep": 1}},
        data | {"novelty": data["novelty"] | {"precision": [1.0]}},
    ]  # fmt: skip
    return [
        text.encode(), short.encode(), json.dumps(data).encode(), b"{}", b"null",
        *(json.dumps(one).encode() for one in wrong),
    ]  # fmt: skip


TARGET = Target(
    "profile_json", feed, corpus, (ProfileError,),
    (b'"x"', b"null", b"[]", b"{}", b"1.5", b"1", b"NaN", b"true", b"[[[[[[[[", b"9" * 400, b"\xff"),
)  # fmt: skip
