# ruff: noqa: E501  whole messages and whole files stand on one line each
"""A log that cannot be read gives one clear line: where, what was met, what to do."""

import gzip
import io

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from steadyhead.config import Tag, parse_registry
from steadyhead.errors import FeedError
from steadyhead.feeds.tabular import TabularFeed

GOOD = "time,PT2\n2024-01-01 00:00,400\n2024-01-01 00:15,401\n"


def parquet():
    buffer = io.BytesIO()
    pd.DataFrame({"time": pd.to_datetime(["2024-01-01"]), "PT2": [1.0]}).to_parquet(buffer)
    return buffer.getvalue()


# Each: files, source, and what the one line must hold.
CASES = {
    "no file": ({"a.csv": GOOD}, {"path": "b.csv"}, ['elm_street: no file matches "b.csv" below', "there: a.csv"]),
    "no match": ({"a.csv": GOOD}, {"path": "*.parquet"}, ['no file matches "*.parquet"', "mend path of this source"]),
    "no folder": ({"a.csv": GOOD}, {"path": "elm/*.csv"}, ["there is no folder", "elm; mend path"]),
    "empty file": ({"a.csv": ""}, {}, ["a.csv is empty or has nothing below its heading; export it again"]),
    "heading only": ({"a.csv": "time,PT2\n\n\n"}, {}, ["a.csv is empty or has nothing below its heading; export it again"]),
    "all files empty": (
        {"a.csv": "", "b.csv": "time,PT2\n"},
        {"path": "*.csv"},
        ["a.csv is empty or has nothing below its heading, and so are the other 1 files of this source"],
    ),
    "empty parquet": ({"a.parquet": b""}, {}, ["a.parquet is empty"]),
    "tag absent": (
        {"a.csv": GOOD.replace("PT2", "PT3")},
        {},
        ['a.csv: has none of the columns "PT2"; it has "time", "PT3"; mend tag or columns', 'did you mean "PT3"?'],
    ),
    "tag absent from a long file": (
        {"a.csv": "time,tag,value\n2024-01-01,PT-2,1\n"},
        {"layout": "long"},
        ['tag "PT2" (outlet) is in none of its files; they hold "PT-2"; mend stations.elm_street.tags.outlet.tag'],
    ),
    "no time column": ({"a.csv": GOOD.replace("time", "Time")}, {}, ['has no column "time"; it has "Time"', '"Time"?']),
    "wrong delimiter": (
        {"a.csv": GOOD.replace(",", "~").replace("time~PT2", "PT2~x")},
        {"columns": {"outlet": "PT2~x"}},
        ['has no column "time"; it has "PT2~x"; mend delimiter or skip_rows of this source'],
    ),
    "delimiter given wrong": (
        {"a.csv": GOOD},
        {"delimiter": ";"},
        ['has none of the columns "PT2"; it has "time,PT2"; mend delimiter (now ";") or skip_rows'],
    ),
    "two columns of that name": ({"a.csv": "time,PT2,PT2\n2024-01-01,1,2\n"}, {}, ['has 2 columns named "PT2"']),
    "all cells empty": ({"a.csv": "time,PT2\n2024-01-01 00:00,\n2024-01-01 00:15,NaN\n"}, {}, [
        'elm_street: tag "PT2" (outlet) has no usable value: all its cells are empty; take the tag out'
    ]),
    "decimal commas not declared": (
        {"a.csv": "time;PT2\n2024-01-01 00:00;4,1\n2024-01-01 00:15;4,2\n"},
        {},
        ['2 were refused, such as "4,1" in a.csv, row 2, which is not a number', 'add decimal: "," to this source'],
    ),
    "wrong time format": (
        {"a.csv": GOOD},
        {"time_format": "%d/%m/%Y %H:%M"},
        ['2 were refused, such as "2024-01-01 00:00" in a.csv, row 2, which is not a time of the declared time_format'],
    ),
    "truncated gzip": ({"a.csv.gz": gzip.compress(GOOD.encode() * 100)[:-20]}, {}, ["a.csv.gz: the gzip file is cut short"]),
    "corrupt gzip": ({"a.csv.gz": b"\x1f\x8bnonsense"}, {}, ["a.csv.gz: the gzip file is cut short or corrupt", "copy it again"]),
    "truncated parquet": ({"a.parquet": parquet()[:-200]}, {}, ["a.parquet: the Parquet file is cut short or corrupt"]),
    "corrupt parquet": (
        {"a.parquet": parquet()[:40] + b"\xff" * 60 + parquet()[100:]},
        {},
        ["a.parquet: the Parquet file is cut short or corrupt", "export or copy it again"],
    ),
    "no parquet at all": ({"a.parquet": GOOD}, {}, ["a.parquet: is not a Parquet file although its name says so"]),
    "spreadsheet": ({"a.xlsx": b"PK\x03\x04rest"}, {}, ["a.xlsx: is a spreadsheet or zip archive; save it as CSV"]),
    "not utf-8": ({"a.csv": b"time,PT2,Dr\xfcck\n1,2,3\n"}, {}, ["a.csv: its heading is not UTF-8 text; add encoding: latin-1 or cp1252"]),
    "wrong encoding": ({"a.csv": GOOD.encode() + b"x"}, {"encoding": "utf-16"}, ["a.csv: is not utf-16 text; say what it is"]),
}  # fmt: skip


@pytest.mark.parametrize(("files", "source", "said"), CASES.values(), ids=CASES.keys())
def test_one_clear_line(read, files, source, said):
    with pytest.raises(FeedError) as error:
        read(files, source=source)
    text = str(error.value)
    assert "\n" not in text
    assert "elm_street" in text or "/a." in text
    for part in said:
        assert part in text


def test_a_log_root_that_is_no_folder_is_said(tmp_path, read):
    log = read({"a.csv": GOOD})
    assert log.series
    with pytest.raises(FeedError, match="which is no folder; give the folder of the logs"):
        TabularFeed(tmp_path / "nowhere").read(_station())


def _station():
    text = (
        "stations: {a: {time_zone: UTC, step_s: 60, tags: {outlet: {tag: p, unit: m}}, sources: [{path: x}]}}"
    )
    return parse_registry(text).stations["a"]


def test_one_empty_file_among_others_is_a_note_not_an_error(read):
    log = read({"a.csv": GOOD, "b.csv": "time,PT2\n"}, source={"path": "*.csv"})
    assert log.rejects.notes == ["1 of 2 files are empty: b.csv"]
    assert log.series["outlet"].values.tolist() == [400, 401]


def test_a_file_without_one_of_the_tags_is_read_for_the_others(read):
    files = {"a.csv": "time,PT2,FT1\n2024-01-01,1,2\n", "b.csv": "time,PT2\n2024-01-02,3\n"}
    log = read(files, source={"path": "*.csv"}, tags=("outlet", "flow"))
    assert log.series["outlet"].values.tolist() == [1, 3]
    assert log.series["flow"].values.tolist() == [2]


@given(
    content=st.sampled_from([GOOD.encode(), gzip.compress(GOOD.encode()), parquet(), GOOD.encode("utf-16")]),
    edits=st.lists(
        st.tuples(st.floats(0, 1), st.integers(0, 40), st.binary(max_size=12)), min_size=1, max_size=4
    ),
)
def test_whatever_is_in_a_file_it_is_read_or_refused_with_one_line(tmp_path_factory, content, edits):
    for place, length, new in edits:
        first = int(place * len(content))
        content = content[:first] + new + content[first + length :]
    folder = tmp_path_factory.getbasetemp() / "fuzz"
    folder.mkdir(exist_ok=True)
    (folder / "x").write_bytes(content)
    one = _station().model_copy(update={"tags": {"outlet": Tag(tag="PT2", unit="m")}})
    try:
        log = TabularFeed(folder).read(one)
    except FeedError as error:
        said = str(error)
    else:
        said = ""
        assert (np.diff(log.series["outlet"].times_s) >= 0).all()
    assert "\n" not in said
