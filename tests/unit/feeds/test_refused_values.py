"""Each refused value is listed with file, row, column, text and reason; the rest goes on."""

import csv
import gzip
import io

import numpy as np
import pandas as pd
import pytest

from steadyhead.config.model import Source
from steadyhead.feeds.tables import open_table
from steadyhead.readings import quality as flag
from steadyhead.readings.rejects import COLUMNS, REASONS


def wide(*rows, heading="time,PT2"):
    return heading + "\n" + "\n".join(rows) + "\n"


def at(minute):
    return f"2024-01-01 00:{minute:02d}"


def test_a_messy_file_gives_a_reason_for_every_refused_value(read, refused):
    log = read(
        {
            "a.csv": wide(
                f"{at(0)},400,20",
                f"{at(1)},Bad,20",  # row 3
                f"{at(2)},-999,20",  # row 4
                "yesterday,402,20",  # row 5
                f"{at(4)},403",  # row 6
                f"{at(5)},,21",
                "",
                f"{at(6)},1500,21",  # row 9
                f"{at(7)},-300,21",  # row 10
                f"{at(8)},1e999,21",  # row 11
                heading="time,PT2,FT1",
            )
        },
        tags={
            "outlet": {"tag": "PT2", "unit": "kPa", "high": 1000},
            "flow": {"tag": "FT1", "unit": "L/s"},
        },
    )
    assert refused(log) == [
        ("a.csv", 3, "PT2", "Bad", "not_a_number"),
        ("a.csv", 4, "PT2", "-999", "sentinel"),
        ("a.csv", 5, "time", "yesterday", "bad_time"),
        ("a.csv", 6, "", f"{at(4)},403", "broken_row"),
        ("a.csv", 9, "PT2", "1500", "out_of_range"),
        ("a.csv", 10, "PT2", "-300", "out_of_range"),  # below vacuum
        ("a.csv", 11, "PT2", "1e999", "not_a_number"),
    ]
    outlet = log.series["outlet"]
    assert outlet.values[0] == 400
    assert np.isnan(outlet.values[1:]).all()
    assert outlet.flags.tolist() == [
        0,
        flag.NOT_A_NUMBER,
        flag.SENTINEL,
        flag.OUT_OF_RANGE,
        flag.OUT_OF_RANGE,
        flag.NOT_A_NUMBER,
    ]
    assert log.series["flow"].values.tolist() == [20, 20, 20, 21, 21, 21, 21]
    assert log.rejects.kept == 8
    assert log.rejects.missing == 1
    assert log.rejects.total == 7


def test_the_quarantine_file_holds_every_row_and_replaces_the_last_run(read, refused, tmp_path):
    log = read({"a.csv": wide(f"{at(0)},1", f'{at(1)},"a;""b"', f"{at(2)},-999")})
    path = log.rejects.write(tmp_path / "rejects")
    with path.open(newline="", encoding="utf-8") as file:
        rows = list(csv.reader(file))
    assert rows[0] == list(COLUMNS)
    assert [(f, int(r), c, t, why) for f, r, c, t, why in rows[1:]] == refused(log)
    assert rows[1][3] == 'a;"b'
    clean = read({"a.csv": wide(f"{at(0)},1")})
    assert clean.rejects.write(tmp_path / "rejects") == path
    assert path.read_text() == ",".join(COLUMNS) + "\n"
    assert clean.rejects.write(tmp_path / "elsewhere") is None
    assert not (tmp_path / "elsewhere").exists()


def test_the_summary_counts_shows_one_and_says_what_to_do(read):
    log = read({"a.csv": wide(f"{at(0)},1", f"{at(1)},Bad", f"{at(2)},Worse", f"{at(3)},-999")})
    assert log.rejects.summary() == [
        (
            'elm_street: 2 of 4 values set aside, such as "Bad" in a.csv, row 3, column PT2, which is not a '
            "number; if the text marks a failed sample, add it to bad_values of this source"
        ),
        'elm_street: 1 value set aside, "-999" in a.csv, row 5, column PT2, which marks a missing value',
    ]
    assert log.rejects.counts == {"not_a_number": 2, "sentinel": 1}


@pytest.mark.parametrize(
    "text", ["-999", "-999.0", "-9999", "9999", "-999.9", "32767", "3.4028235e+38", "-3.4e38"]
)
def test_usual_marks_for_no_value_are_known(read, refused, text):
    log = read({"a.csv": wide(f"{at(0)},1", f"{at(1)},{text}")})
    assert refused(log) == [("a.csv", 3, "PT2", text, "sentinel")]


def test_marks_of_single_float_parquet_are_known(read, tmp_path):
    frame = pd.DataFrame({"time": pd.to_datetime([at(0), at(1)]), "PT2": np.float32([1, -999.9])})
    frame.to_parquet(tmp_path / "a.parquet")
    assert read({}, source={"path": "a.parquet"}).rejects.counts == {"sentinel": 1}


def long_parquet():
    """As bytes: 140,000 rows of seconds in row groups of 30,000, with what is to be refused at known rows."""
    n = 140_000
    seconds, values = np.arange(n), np.full(n, 400.0)
    values[[0, 65_535, 65_536, 139_999]] = [-999, 1500, -300, -999]
    values[[29_999, 131_071]] = np.nan  # empty cells
    seconds[90_000] = seconds[89_999]  # the same time and value again, in another row group
    seconds[100_000], values[100_000] = seconds[65_539], 401  # late, and of another value than before
    times = pd.Series(pd.to_datetime("2024-01-01") + pd.to_timedelta(seconds, unit="s"))
    times[[30_000, 131_072]] = pd.Timestamp("1970-01-01")
    buffer = io.BytesIO()
    pd.DataFrame({"time": times, "PT2": values}).to_parquet(buffer, row_group_size=30_000)
    return buffer.getvalue()


@pytest.mark.parametrize("packed", [False, True])
def test_a_long_parquet_file_of_several_row_groups_keeps_its_row_numbers(read, refused, packed):
    content = long_parquet()
    log = read(
        {"a.parquet": gzip.compress(content, 1) if packed else content},
        tags={"outlet": {"tag": "PT2", "unit": "kPa", "high": 1000}},
        step_s=1,
    )
    assert refused(log) == [  # a Parquet file has no heading: its rows count from 1
        ("a.parquet", 1, "PT2", "-999.0", "sentinel"),
        ("a.parquet", 30_001, "time", "1970-01-01 00:00:00", "bad_time"),
        ("a.parquet", 65_536, "PT2", "1500.0", "out_of_range"),
        ("a.parquet", 65_537, "PT2", "-300.0", "out_of_range"),
        ("a.parquet", 65_540, "PT2", "400", "conflicting_duplicate"),
        ("a.parquet", 90_000, "PT2", "400", "duplicate"),
        ("a.parquet", 131_073, "time", "1970-01-01 00:00:00", "bad_time"),
        ("a.parquet", 140_000, "PT2", "-999.0", "sentinel"),
    ]
    assert (log.rejects.missing, log.rejects.out_of_order) == (2, 1)
    assert log.rejects.kept == 140_000 - 8 - 2
    outlet = log.series["outlet"]
    gone = [29_999, 30_000, 90_000, 100_000, 131_071, 131_072]
    wanted_s = np.delete(np.arange(140_000), gone) + 1_704_067_200  # 2024-01-01
    np.testing.assert_array_equal(outlet.times_s, wanted_s)
    assert outlet.values[outlet.times_s == 1_704_067_200 + 65_539].tolist() == [401]


def test_a_long_parquet_file_comes_in_small_batches_and_with_a_large_head(tmp_path):
    path = tmp_path / "a.parquet"
    path.write_bytes(long_parquet())
    table = open_table(path, Source(path="a.parquet"))
    sizes = [len(batch["PT2"]) for batch in table.batches(["PT2"])]
    assert sum(sizes) == 140_000
    assert max(sizes) <= 70_000
    assert len(table.head(["PT2"])["PT2"]) == 140_000


def test_own_marks_are_added_and_the_usual_ones_can_be_left_out(read, refused):
    text = wide(f"{at(0)},0", f"{at(1)},No Data", f"{at(2)},-999", f"{at(3)},5")
    log = read(
        {"a.csv": text},
        source={"bad_values": [0, "no data"], "default_bad_values": False},
        tags={"outlet": {"tag": "PT2", "unit": "m", "scale": 0.01}},
    )
    assert [entry[3:] for entry in refused(log)] == [("0", "sentinel"), ("No Data", "sentinel")]
    assert log.series["outlet"].values[2] == pytest.approx(-9.99 * 9.80665)


def test_empty_cells_and_words_for_nothing_are_no_readings(read):
    log = read(
        {"a.csv": wide(f"{at(0)},1", *(f"{at(n + 1)},{w}" for n, w in enumerate(("", "NaN", "null", "N/A"))))}
    )
    assert log.rejects.total == 0
    assert log.rejects.missing == 4
    assert log.series["outlet"].values.tolist() == [1]


def test_a_point_in_a_decimal_comma_file_is_not_guessed_at(read, refused):
    text = f"time;PT2\n{at(0)};1,5\n{at(1)};1.500,0\n{at(2)};+2\n{at(3)};1.5\n"
    log = read({"a.csv": text}, source={"decimal": ","})
    assert [entry[3:] for entry in refused(log)] == [("1.500,0", "not_a_number"), ("1.5", "not_a_number")]
    assert log.series["outlet"].values[[0, 2]].tolist() == [1.5, 2]


def test_rows_out_of_order_are_sorted_and_counted(read):
    log = read({"a.csv": wide(*(f"{at(m)},{m}" for m in (0, 1, 5, 3, 4, 6, 2)))})
    assert log.series["outlet"].values.tolist() == list(range(7))
    assert log.rejects.out_of_order == 3
    assert log.rejects.total == 0
    assert "3 rows were out of order and have been sorted" in log.rejects.summary()[0]


def test_of_two_readings_of_one_time_the_later_row_stays(read, refused):
    log = read(
        {
            "1.csv": wide(f"{at(0)},1", f"{at(1)},2", f"{at(1)},2", f"{at(2)},3"),
            "2.csv": wide(f"{at(2)},30", f"{at(3)},4", f"{at(1)},2"),
        }
    )
    assert refused(log) == [
        ("1.csv", 3, "PT2", "2", "duplicate"),
        ("1.csv", 4, "PT2", "2", "duplicate"),
        ("1.csv", 5, "PT2", "3", "conflicting_duplicate"),
    ]
    outlet = log.series["outlet"]
    assert outlet.values.tolist() == [1, 2, 30, 4]
    assert outlet.flags.tolist() == [0, 0, flag.CONFLICT, 0]


def test_a_refused_value_does_not_push_out_a_good_one_of_the_same_time(read, refused):
    log = read({"a.csv": wide(f"{at(0)},1", f"{at(1)},2", f"{at(1)},Bad", f"{at(2)},3")})
    assert log.series["outlet"].values.tolist() == [1, 2, 3]
    assert [entry[4] for entry in refused(log)] == ["not_a_number"]


def test_stamps_of_a_clock_that_lost_its_time_are_refused(read, refused):
    log = read({"a.csv": wide("1970-01-01 00:00,1", "2199-01-01,2", f"{at(0)},3", "31/02/2024,4")})
    assert [entry[4] for entry in refused(log)] == ["bad_time"] * 3
    assert log.series["outlet"].values.tolist() == [3]


def test_an_impossible_date_does_not_slip_into_the_next_month(read, refused):
    log = read(
        {"a.csv": wide("31/02/2024 00:00,1", "02/03/2024 00:00,2", "2/3/2024 00:01,3")},
        source={"time_format": "%d/%m/%Y %H:%M"},
    )
    assert refused(log) == [("a.csv", 2, "time", "31/02/2024 00:00", "bad_time")]
    assert log.series["outlet"].values.tolist() == [2, 3]


def test_rejects_of_a_long_file_name_tag_and_row(read, refused):
    text = (
        "time,tag,value,quality\n"
        f"{at(0)},PT2,400,192\n{at(0)},FT1,5,192\n{at(1)},FT1,6,0\nbroken\n"
        f"{at(1)},PT2,401,Uncertain\n{at(2)},PT2,402,what\nnever,PT2,1,192\n{at(3)},FT1,7,\n{at(4)},,1,192\n"
    )
    log = read(
        {"a.csv": text}, source={"layout": "long", "quality_column": "quality"}, tags=("outlet", "flow")
    )
    assert refused(log) == [
        ("a.csv", 4, "FT1", "6", "bad_quality"),
        ("a.csv", 5, "", "broken", "broken_row"),
        ("a.csv", 6, "PT2", "401", "uncertain_quality"),
        ("a.csv", 7, "PT2", "402", "unknown_quality"),
        ("a.csv", 8, "time", "never", "bad_time"),
        ("a.csv", 9, "FT1", "7", "unknown_quality"),
    ]
    assert log.rejects.kept == 2


def test_quality_may_stand_beside_each_tag(read, refused):
    text = wide(
        f"{at(0)},1,Good,5,Bad", f"{at(1)},2,bad,6,GOOD", f"{at(2)},3,Good,,Bad", f"{at(3)},4,Good,,",
        heading="time,PT2,PT2.q,FT1,FT1.q",
    )  # fmt: skip
    log = read({"a.csv": text}, source={"quality_suffix": ".q"}, tags=("outlet", "flow"))
    assert refused(log) == [
        ("a.csv", 2, "FT1", "5", "bad_quality"),
        ("a.csv", 3, "PT2", "2", "bad_quality"),
        ("a.csv", 4, "FT1", "", "bad_quality"),
    ]
    assert log.rejects.missing == 1  # no value and no quality is no reading


def test_uncertain_values_can_be_kept_and_are_flagged(read):
    text = wide(f"{at(0)},1,64", f"{at(1)},2,192", heading="time,PT2,q")
    log = read({"a.csv": text}, source={"quality_column": "q", "quality": {"accept_uncertain": True}})
    assert log.series["outlet"].values.tolist() == [1, 2]
    assert log.series["outlet"].flags.tolist() == [flag.DOUBTFUL, 0]


def test_every_reason_there_is_can_be_written():
    assert all(text and not text.endswith(".") for text in REASONS.values())


def test_a_garbled_byte_spoils_its_cell_not_the_file(read, refused):
    text = wide(f"{at(0)},1", f"{at(1)},4#0", f"{at(2)},3", "#,#,#").encode().replace(b"#", b"\xff")
    log = read({"a.csv": text})
    assert refused(log) == [
        ("a.csv", 3, "PT2", "4\ufffd0", "not_a_number"),
        ("a.csv", 5, "", "\ufffd,\ufffd,\ufffd", "broken_row"),
    ]
    assert log.series["outlet"].times_s.shape == (3,)


def test_a_text_in_a_message_is_short_and_on_one_line(read):
    log = read({"a.csv": wide(f"{at(0)},1", f'{at(1)},"two\nlines {"x" * 80}"')})
    assert f'"two lines {"x" * 50}..." in a.csv, row 3' in log.rejects.summary()[0]
    assert len(log.rejects.summary()) == 1
