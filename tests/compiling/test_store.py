"""Files that only their user can write, and that are nothing where anything is wrong."""

import os
import stat
import subprocess
import sys
import time

import pytest

from drape.compiling import store

KEY, OTHER = b"k" * 32, b"o" * 32
POSIX = pytest.mark.skipif(os.name != "posix", reason="modes and owners are POSIX's")


@pytest.fixture
def file(tmp_path):
    path = tmp_path / "kernels-1.bin"
    store.write(path, KEY, b"machine code")
    return path


def test_what_was_written_is_read(file):
    assert store.read(file, KEY) == b"machine code"
    assert [p.name for p in file.parent.iterdir()] == [file.name]


def test_a_file_for_another_key_is_none(file):
    assert store.read(file, OTHER) is None


def test_a_file_that_isnt_there_is_none(tmp_path):
    assert store.read(tmp_path / "none", KEY) is None


def test_a_file_cut_short_anywhere_is_none(file):
    data = file.read_bytes()
    for length in range(len(data)):
        file.write_bytes(data[:length])
        assert store.read(file, KEY) is None, length


def test_a_file_with_any_byte_changed_is_none(file):
    data = file.read_bytes()
    for k in range(len(data)):
        file.write_bytes(data[:k] + bytes([data[k] ^ 1]) + data[k + 1 :])
        assert store.read(file, KEY) is None, k


@POSIX
def test_a_file_that_others_can_write_is_none(file):
    file.chmod(0o666)
    assert store.read(file, KEY) is None


@POSIX
def test_a_link_is_none(file, tmp_path):
    link = tmp_path / "link"
    link.symlink_to(file)
    assert store.read(link, KEY) is None


@POSIX
def test_the_folder_is_its_users_alone(tmp_path):
    folder = store.private_folder(tmp_path)
    assert stat.S_IMODE(folder.stat().st_mode) == 0o700


@POSIX
def test_a_folder_open_to_others_is_closed_and_a_link_refused(tmp_path):
    (tmp_path / "plywright").mkdir(mode=0o777)
    (tmp_path / "plywright").chmod(0o777)
    assert stat.S_IMODE(store.private_folder(tmp_path).stat().st_mode) == 0o700
    elsewhere = tmp_path / "elsewhere"
    elsewhere.mkdir()
    (elsewhere / "target").mkdir(mode=0o700)
    (elsewhere / "plywright").symlink_to(elsewhere / "target")
    assert store.private_folder(elsewhere) is None


@POSIX
def test_another_users_folder_is_refused(tmp_path, monkeypatch):
    store.private_folder(tmp_path)
    monkeypatch.setattr(os, "getuid", lambda: 12345)
    assert store.private_folder(tmp_path) is None


def test_no_folder_where_none_can_be_made(tmp_path):
    (tmp_path / "file").write_text("in the way")
    assert store.private_folder(tmp_path / "file") is None


@POSIX
def test_the_cache_place_follows_the_environment(monkeypatch, tmp_path):
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path))
    assert store.cache_place() == tmp_path


def test_the_newest_three_are_kept_and_old_beginnings_go(tmp_path):
    now = time.time()
    for k in range(5):
        path = tmp_path / f"kernels-{k}.bin"
        store.write(path, KEY, b"code")
        os.utime(path, (now + k, now + k))
    begun = tmp_path / ".begun-old"
    begun.touch()
    os.utime(begun, (now - 2 * store.STALE,) * 2)
    (tmp_path / ".begun-new").touch()
    store.prune(tmp_path, "kernels-*.bin")
    names = sorted(p.name for p in tmp_path.iterdir())
    assert names == [".begun-new", "kernels-2.bin", "kernels-3.bin", "kernels-4.bin"]


def test_a_writer_that_is_killed_leaves_the_old_file_or_the_new_one(file):
    """Over and over, whatever it was doing."""
    code = (
        "import sys; from pathlib import Path; from drape.compiling import store\n"
        "print(flush=True)\n"
        "while True: store.write(Path(sys.argv[1]), b'k' * 32, b'new code' * 500000)\n"
    )
    for delay in (0.0, 0.003, 0.01, 0.02, 0.05):
        process = subprocess.Popen([sys.executable, "-c", code, str(file)], stdout=subprocess.PIPE)
        process.stdout.readline()
        time.sleep(delay)
        process.kill()
        process.communicate()
        assert store.read(file, KEY) in (b"machine code", b"new code" * 500000)
