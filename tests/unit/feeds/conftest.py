"""Stations and messy files for the feeds' tests."""

import pytest

from steadyhead.config import Station
from steadyhead.feeds.tabular import read_station

TAGS = {
    "outlet": {"tag": "PT2", "unit": "kPa"},
    "inlet": {"tag": "PT1", "unit": "kPa"},
    "flow": {"tag": "FT1", "unit": "L/s"},
}


@pytest.fixture
def read(tmp_path):
    """Write files below a log root and read them as one station."""

    def read_files(files, *, source=None, tags=("outlet",), **station):
        for name, content in files.items():
            path = tmp_path / name
            path.parent.mkdir(parents=True, exist_ok=True)
            path.write_bytes(content if isinstance(content, bytes) else content.encode())
        sources = source if isinstance(source, list) else [{"path": "*", **(source or {})}]
        tags = tags if isinstance(tags, dict) else {role: TAGS[role] for role in tags}
        settings = {"time_zone": "UTC", "step_s": 900, **station}
        return read_station(Station(name="elm_street", tags=tags, sources=sources, **settings), tmp_path)

    return read_files


def refused(log):
    """(file, row, column, text, reason) of every refused value, by row."""
    return sorted(
        (
            (block.file, int(row), block.column, text, block.reason)
            for block in log.rejects.blocks
            for row, text in zip(block.rows, block.texts, strict=True)
        ),
        key=lambda entry: (entry[0], entry[1], entry[2]),
    )


@pytest.fixture(name="refused")
def refused_fixture():
    return refused
