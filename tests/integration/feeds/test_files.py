"""Parquet and CSV by fsspec: files on the disk and in its store of memory."""

import random
import secrets
import time
from datetime import UTC, datetime

import fsspec
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
import yaml
from moto.server import ThreadedMotoServer

from steadyhead.errors import FeedError
from steadyhead.feeds.opening import open_connector
from steadyhead.feeds.settings import FilesSettings

from .feed_bench import START_S, FeedService, rows, until, wanted


def stamp(at):
    return datetime.fromtimestamp(at, UTC).strftime("%Y-%m-%dT%H:%M:%SZ")


def write_parquet(file, made):
    at, tag, value = zip(*made, strict=True)
    table = pa.table({"time": pa.array(at, pa.timestamp("s", "UTC")), "tag": tag, "value": value})
    pq.write_table(table, file)


def as_csv(made):
    return "time,tag,value\n" + "".join(f"{stamp(at)},{tag},{value}\n" for at, tag, value in made)


def block(path, **more):
    lines = "".join(f"{key}: {value}\n" for key, value in more.items())
    return f'kind: files\npath: "{path}"\npoll_s: 0.2\nbackfill_from: 2025-07-01\n{lines}'


@pytest.mark.parametrize("kind", ["parquet", "csv"])
def test_files_come_in_once_and_unchanged_and_new_ones_follow(tmp_path, kind):
    made = list(rows(3000))
    store = fsspec.filesystem("file")
    (tmp_path / "store").mkdir()

    def put(name, part):
        with store.open(f"{tmp_path}/store/{name}.{kind}", "wb") as file:
            write_parquet(file, part) if kind == "parquet" else file.write(as_csv(part).encode())

    put("day_1", made[:9000])
    service = FeedService(tmp_path / "s", block(f"file://{tmp_path}/store/*.{kind}"))
    service.open()
    try:
        service.wait_for(9000)
        put("day_2", made[9000:15000])
        service.wait_for(15000)
        put("day_2", made[9000:])  # written anew, longer
        service.wait_for(len(made))
        time.sleep(0.6)
    finally:
        service.close()
    assert service.journal() == wanted(made)


def test_a_kill_between_files_loses_and_repeats_nothing(tmp_path):
    made = list(rows(6000))
    (tmp_path / "store").mkdir()
    for n in range(30):
        write_parquet(tmp_path / "store" / f"part_{n}.parquet", made[n * 1200 : (n + 1) * 1200])
    service = FeedService(tmp_path / "s", block(f"{tmp_path}/store/*.parquet"))
    luck = random.Random(3)
    for _ in range(20):
        if service.accepted() == len(made):
            break
        service.spawn()
        goal = min(service.accepted() + luck.randrange(6_000, 14_000), len(made))
        until(lambda: service.accepted() >= goal, 60)  # noqa: B023
        service.kill()
    assert service.journal() == wanted(made)


def test_a_store_that_is_no_disk():
    store = fsspec.filesystem("memory")
    with store.open("/plant/one.csv", "wb") as file:
        file.write(as_csv(rows(4)).encode())
    settings = FilesSettings.model_validate({"kind": "files", "mapping": "m", "path": "memory://plant/*.csv"})
    points = open_connector("store", settings).sample(1)
    assert sorted(zip((points.tags[n] for n in points.which), (points.us // 1_000_000).tolist(), points.values.tolist(), strict=True)) == sorted((tag, at, value) for at, tag, value in rows(4))  # noqa: E501  # fmt: skip


@pytest.fixture
def s3(tmp_path):
    """A server of S3 in this process, with a bucket, and the options of a client of it."""
    server = ThreadedMotoServer(ip_address="127.0.0.1", port=0, verbose=False)
    server.start()
    host, port = server.get_host_and_port()
    options = {"key": "reader", "secret": "hush", "endpoint_url": f"http://{host}:{port}"}
    store = fsspec.filesystem("s3", **options, skip_instance_cache=True)
    store.mkdir(bucket := f"works-{secrets.token_hex(4)}")
    (tmp_path / "s3.yaml").write_text(yaml.safe_dump(options))
    yield store, bucket
    server.stop()


def test_an_object_store_by_s3_killed_in_the_middle_and_added_to(s3, tmp_path):
    store, bucket = s3
    made = list(rows(3000))
    for n in range(10):
        with store.open(f"{bucket}/readings/part_{n}.parquet", "wb") as file:
            write_parquet(file, made[n * 1500 : (n + 1) * 1500])
    path = f"s3://{bucket}/readings/*.parquet"
    service = FeedService(tmp_path / "s", block(path, options_file=tmp_path / "s3.yaml"))
    service.spawn()
    until(lambda: service.accepted() >= 3000, 60)
    service.kill()
    assert service.accepted() < 15_000
    service.spawn()
    until(lambda: service.accepted() == 15_000, 60)
    with store.open(f"{bucket}/readings/part_10.parquet", "wb") as file:
        write_parquet(file, made[15_000:])
    until(lambda: service.accepted() == len(made), 60)
    service.kill()
    assert service.journal() == wanted(made)


def test_a_bucket_that_is_not_there_and_a_server_that_is_not_there(s3, tmp_path):
    settings = {"kind": "files", "mapping": "m", "options_file": str(tmp_path / "s3.yaml")}

    def said(**more):
        with pytest.raises(FeedError) as met:
            open_connector("store", FilesSettings.model_validate({**settings, **more})).sample(1)
        return str(met.value)

    assert "no file matches; mend path" in said(path="s3://nowhere/*.csv")
    gone = {"key": "reader", "secret": "hush-4711", "endpoint_url": "http://127.0.0.1:1"}
    (tmp_path / "s3.yaml").write_text(
        yaml.safe_dump({**gone, "config_kwargs": {"retries": {"max_attempts": 0}}})
    )
    answer = said(path=f"s3://{s3[1]}/*.csv")
    assert "cannot be listed" in answer
    assert "127.0.0.1:1" in answer
    assert "hush-4711" not in answer


def test_a_wide_file_with_local_times_and_texts(tmp_path):
    (tmp_path / "a.csv").write_text("t;A;B\n01.07.2025 02:00;6,25;\n01.07.2025 02:01;I/O;4,5\n")
    settings = FilesSettings.model_validate(
        {"kind": "files", "mapping": "m", "path": f"{tmp_path}/*.csv", "layout": "wide", "time_column": "t",
         "time_format": "%d.%m.%Y %H:%M", "time_zone": "Europe/Oslo", "decimal": ","}
    )  # fmt: skip
    points = open_connector("store", settings).sample(1)
    found = {
        (points.tags[n], us // 1_000_000): i
        for i, (n, us) in enumerate(zip(points.which, points.us, strict=True))
    }
    assert set(found) == {("A", START_S), ("A", START_S + 60), ("B", START_S + 60)}
    assert points.values[found["A", START_S]] == 6.25
    assert points.texts == {found["A", START_S + 60]: "I/O"}


@pytest.mark.parametrize(
    ("files", "more", "said"),
    [
        ({}, {}, "no file matches; mend path"),
        ({"a.csv": "when,tag,value\n1,A,2\n"}, {}, 'has no column "time"; it has when, tag, value'),
        ({"a.csv": "time,tag,value\nnever,A,2\n"}, {}, "no time can be read"),
        ({"a.parquet": "PAR1 rubbish"}, {}, "a.parquet"),
        ({}, {"path": "nothing://x/*.csv"}, "cannot be opened"),
        ({}, {"options_file": "/nowhere"}, "mend options_file"),
    ],
)
def test_what_is_wrong_is_said(tmp_path, files, more, said):
    for name, text in files.items():
        (tmp_path / name).write_text(text)
    settings = {"kind": "files", "mapping": "m", "path": f"{tmp_path}/a.*", **more}
    with pytest.raises(FeedError, match=said) as met:
        open_connector("store", FilesSettings.model_validate(settings)).sample(1)
    assert str(met.value).startswith(("store: ", "/nowhere"))
