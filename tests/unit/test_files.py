"""Files are written whole or not at all."""

import errno
import os
import resource
import signal
import subprocess
import sys
import textwrap

import pytest

from steadyhead import files
from steadyhead.errors import OutputError


def parts_left(folder):
    return [p.name for p in folder.iterdir() if p.name.endswith(".part")]


@pytest.mark.parametrize("content", [b"new", "new", lambda file: file.write(b"new")])
def test_bytes_text_and_functions_are_written(tmp_path, content):
    path = tmp_path / "made" / "here" / "out.txt"
    files.write_atomically(path, content)
    assert path.read_bytes() == b"new"
    assert not parts_left(path.parent)


def test_a_full_disk_leaves_the_old_file(tmp_path, monkeypatch):
    path = tmp_path / "profile.json"
    path.write_text("old")

    def full(_fd):
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    monkeypatch.setattr(files.os, "fsync", full)
    with pytest.raises(OutputError) as error:
        files.write_atomically(path, "new")
    assert str(error.value) == (
        f"{path}: cannot be written (No space left on device); the older file is unchanged; "
        "free some space there, or choose another folder"
    )
    assert path.read_text() == "old"
    assert not parts_left(tmp_path)


@pytest.mark.skipif(not hasattr(resource, "RLIMIT_FSIZE"), reason="needs file size limits")
def test_a_write_the_system_cuts_short_leaves_the_old_file(tmp_path):
    path = tmp_path / "alerts.jsonl"
    path.write_text("old")
    script = textwrap.dedent(
        f"""
        import resource, signal
        from steadyhead.errors import OutputError
        from steadyhead.files import write_atomically
        signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
        resource.setrlimit(resource.RLIMIT_FSIZE, (4096, 4096))
        try:
            write_atomically({str(path)!r}, b"x" * 100_000)
        except OutputError as exc:
            print(exc)
        """
    )
    done = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, check=True)
    assert "cannot be written (File too large); the older file is unchanged" in done.stdout
    assert path.read_text() == "old"
    assert not parts_left(tmp_path)


def test_a_really_full_file_system_leaves_the_old_file(tmp_path):
    mount = tmp_path / "small"
    mount.mkdir()
    made = subprocess.run(
        ["mount", "-t", "tmpfs", "-o", "size=64k", "tmpfs", str(mount)], capture_output=True, check=False
    )
    if made.returncode:
        pytest.skip("this user may not mount a file system")
    try:
        path = mount / "out.bin"
        files.write_atomically(path, b"old")
        with pytest.raises(OutputError, match="No space left on device"):
            files.write_atomically(path, b"x" * 1_000_000)
        assert path.read_bytes() == b"old"
        assert not parts_left(mount)
    finally:
        subprocess.run(["umount", str(mount)], check=True)


@pytest.fixture
def interrupts():
    """They are ignored in all that a shell has started in the background."""
    before = signal.signal(signal.SIGINT, signal.default_int_handler)
    yield
    signal.signal(signal.SIGINT, before)


def test_an_interrupt_leaves_the_old_file_and_no_part(tmp_path, interrupts):
    path = tmp_path / "out.txt"
    path.write_text("old")

    def interrupted(file):
        file.write(b"half")
        signal.raise_signal(signal.SIGINT)

    with pytest.raises(KeyboardInterrupt):
        files.write_atomically(path, interrupted)
    assert path.read_text() == "old"
    assert not parts_left(tmp_path)


def test_a_folder_in_the_way_is_said(tmp_path):
    with pytest.raises(OutputError, match="give a file name that is not a folder"):
        files.write_atomically(tmp_path, "x")
    (tmp_path / "file").write_text("x")
    with pytest.raises(OutputError, match="give a path whose folders are not files"):
        files.write_atomically(tmp_path / "file" / "below.txt", "x")


def test_an_interrupt_just_after_the_part_was_made_leaves_none(tmp_path, monkeypatch):
    def interrupted(_handle, _mode):
        raise KeyboardInterrupt

    monkeypatch.setattr(files.os, "fdopen", interrupted)
    with pytest.raises(KeyboardInterrupt):
        files.write_atomically(tmp_path / "out.txt", "new")
    assert list(tmp_path.iterdir()) == []


def test_rights_and_links_of_the_old_file_are_kept(tmp_path):
    path, link = tmp_path / "out.txt", tmp_path / "link.txt"
    path.write_text("old")
    path.chmod(0o640)
    link.symlink_to(path)
    files.write_atomically(link, "new")
    assert link.is_symlink()
    assert path.read_text() == "new"
    assert path.stat().st_mode & 0o777 == 0o640


def test_a_new_file_is_readable_as_any_other(tmp_path):
    (tmp_path / "plain").write_text("x")
    files.write_atomically(tmp_path / "ours", "x")
    assert (tmp_path / "ours").stat().st_mode == (tmp_path / "plain").stat().st_mode
