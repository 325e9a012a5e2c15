"""The latch file under every kind of damage."""

from __future__ import annotations

import errno
import hashlib
import json
import os
import subprocess
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bottomheat.errors import LatchError
from bottomheat.ports import Latch
from bottomheat_drivers import sealed_file
from bottomheat_drivers.latch_file import LatchFile, begin_clear

LATCHES = {
    "north-bench": Latch("north-bench", "its probe reads 61.0 °C", 1_760_000_000_000),
    "south-bench": Latch("south-bench", "the latch file was missing", 0),
}


@pytest.fixture
def file(tmp_path):
    return LatchFile(tmp_path / "keeper-latch.json")


def path_of(tmp_path) -> Path:
    return tmp_path / "keeper-latch.json"


@pytest.mark.parametrize("latches", [{}, LATCHES])
def test_every_flipped_bit_is_noticed(tmp_path, file, latches):
    file.save(latches)
    path = path_of(tmp_path)
    good = path.read_bytes()
    for position in range(len(good)):
        for bit in range(8):
            spoilt = bytearray(good)
            spoilt[position] ^= 1 << bit
            path.write_bytes(spoilt)
            with pytest.raises(LatchError):
                file.load()
    path.write_bytes(good)
    assert file.load() == latches


def test_every_truncation_and_any_longer_file_is_noticed(tmp_path, file):
    file.save(LATCHES)
    path = path_of(tmp_path)
    good = path.read_bytes()
    for length in range(len(good)):
        path.write_bytes(good[:length])
        with pytest.raises(LatchError):
            file.load()
    for tail in (b"\n", b" ", b"\0", good, b"x" * sealed_file.MAX_BYTES):
        path.write_bytes(good + tail)
        with pytest.raises(LatchError):
            file.load()


@settings(max_examples=200, deadline=None)
@given(content=st.one_of(st.binary(max_size=300), st.just(b"[" * 5000), st.just(b"[1e999]")))
def test_foreign_content_is_noticed(tmp_path_factory, content):
    path = tmp_path_factory.mktemp("foreign") / "keeper-latch.json"
    path.write_bytes(content)
    with pytest.raises(LatchError):
        LatchFile(path).load()


@pytest.mark.parametrize(
    ("payload", "form", "version"),
    [
        ({}, "bottomheat keeper wiring", 1),
        ({}, "bottomheat latches", 2),
        ([], "bottomheat latches", 1),
        ({"north-bench": {"cause": "hot"}}, "bottomheat latches", 1),
        ({"north-bench": {"cause": 1, "wall_ms": 1}}, "bottomheat latches", 1),
        ({"north-bench": {"cause": "", "wall_ms": 1, "more": 1}}, "bottomheat latches", 1),
    ],
)
def test_a_sealed_file_of_another_kind_is_refused(tmp_path, file, payload, form, version):
    sealed_file.write_sealed(path_of(tmp_path), payload, form, version)
    with pytest.raises(LatchError):
        file.load()


def test_the_message_is_one_sentence_with_what_where_and_what_to_do(tmp_path, file):
    with pytest.raises(LatchError) as caught:
        file.load()
    text = str(caught.value)
    assert str(path_of(tmp_path)) in text
    assert "missing" in text
    assert "reset" in text
    assert "\n" not in text


def test_only_its_user_and_group_may_read_it_and_nothing_is_left_beside_it(tmp_path, file):
    file.save(LATCHES)
    assert path_of(tmp_path).stat().st_mode & 0o007 == 0
    assert [entry.name for entry in tmp_path.iterdir()] == ["keeper-latch.json"]


def test_latches_begin_clear_only_in_a_folder_that_holds_nothing(tmp_path, file):
    assert begin_clear(tmp_path)
    assert file.load() == {}
    assert LatchFile(tmp_path / "daemon-latch.json").load() == {}
    file.save(LATCHES)
    assert not begin_clear(tmp_path)
    assert file.load() == LATCHES
    for path in tmp_path.iterdir():
        path.unlink()
    (tmp_path / "log.sqlite").touch()
    assert not begin_clear(tmp_path)
    with pytest.raises(LatchError):
        file.load()
    with pytest.raises(LatchError, match="make it"):
        begin_clear(tmp_path / "nowhere")


def test_two_that_start_at_once_in_an_empty_folder_both_find_clear_files(tmp_path):
    for number in range(30):
        folder = tmp_path / str(number)
        folder.mkdir()
        with ThreadPoolExecutor(2) as pool:
            made = list(pool.map(begin_clear, [folder, folder]))
        assert sorted(made) == [False, True]
        for name in ("daemon-latch.json", "keeper-latch.json"):
            assert LatchFile(folder / name).load() == {}


def test_a_withdrawn_file_latches_and_a_later_save_brings_it_back(tmp_path, file):
    file.save({})
    file.withdraw()
    file.withdraw()
    with pytest.raises(LatchError, match="missing"):
        file.load()
    file.save(LATCHES)
    assert file.load() == LATCHES


def test_an_error_at_any_step_leaves_the_old_file(tmp_path, file, monkeypatch):
    """Each step of a save fails in turn; what is read afterwards is whole."""
    new = {"north-bench": Latch("north-bench", "new", 5)}
    for name in ("fsync", "replace", "open"):
        path_of(tmp_path).unlink(missing_ok=True)
        file.save(LATCHES)

        def fail(*_arguments, **_keywords):
            raise OSError(errno.EIO, os.strerror(errno.EIO))

        with monkeypatch.context() as patch:
            patch.setattr(sealed_file.os, name, fail)
            with pytest.raises(LatchError, match="no heat"):
                file.save(new)
        assert file.load() == LATCHES
        assert [entry.name for entry in tmp_path.iterdir()] == ["keeper-latch.json"]


@pytest.fixture
def small_disk(tmp_path):
    """A file system of 64 kB that can be filled and made read-only."""
    folder = tmp_path / "small"
    folder.mkdir()
    if os.geteuid() != 0:
        pytest.skip("mounting a small file system needs root")
    mount = ["mount", "-t", "tmpfs", "-o", "size=64k,mode=755", "bottomheat-test", str(folder)]
    done = subprocess.run(mount, capture_output=True, check=False)
    if done.returncode != 0:
        pytest.skip(f"cannot mount here: {done.stderr.decode().strip()}")
    yield folder
    subprocess.run(["umount", str(folder)], check=True)


def test_full_disk(small_disk):
    file = LatchFile(small_disk / "keeper-latch.json")
    file.save(LATCHES)
    with pytest.raises(OSError, match="No space"):
        (small_disk / "ballast").write_bytes(bytes(128 * 1024))
    with pytest.raises(LatchError, match="No space left"):
        file.save({})
    assert file.load() == LATCHES
    (small_disk / "ballast").unlink()
    file.save({})
    assert file.load() == {}


def test_read_only_disk(small_disk):
    file = LatchFile(small_disk / "keeper-latch.json")
    file.save(LATCHES)
    subprocess.run(["mount", "-o", "remount,ro", str(small_disk)], check=True)
    with pytest.raises(LatchError, match="Read-only"):
        file.save({})
    assert file.load() == LATCHES


def test_the_checksum_is_sha_256_of_the_rest(tmp_path, file):
    """Against the standard library, which the file's own code goes round."""
    file.save(LATCHES)
    document = json.loads(path_of(tmp_path).read_bytes())
    digest = document.pop("sha256")
    text = json.dumps(document, sort_keys=True, separators=(",", ":"))
    assert digest == hashlib.sha256(text.encode()).hexdigest()
