"""Single steps at the file system: nothing is replaced, what cannot be synced is tolerated, the rest is not."""

from __future__ import annotations

import errno
import hashlib
import os

import pytest

from padbank.files.fileops import FileOps, exists, hash_file


def test_a_rename_never_replaces(tmp_path) -> None:
    (tmp_path / "a").write_bytes(b"a")
    (tmp_path / "b").write_bytes(b"b")
    with pytest.raises(FileExistsError):
        FileOps().rename(tmp_path / "a", tmp_path / "b")
    assert (tmp_path / "b").read_bytes() == b"b"
    (tmp_path / "empty").mkdir()
    with pytest.raises(FileExistsError):  # the system itself would replace an empty folder
        FileOps().rename(tmp_path / "a", tmp_path / "empty")


def test_a_new_file_never_replaces(tmp_path) -> None:
    FileOps().write_file(tmp_path / "a", b"a")
    with pytest.raises(FileExistsError):
        FileOps().write_file(tmp_path / "a", b"b")
    assert (tmp_path / "a").read_bytes() == b"a"


def test_bytes_and_files_are_copied_whole(tmp_path) -> None:
    data = os.urandom(2_500_000)
    FileOps().write_file(tmp_path / "a", data)
    FileOps().write_file(tmp_path / "b", tmp_path / "a")
    digest = hashlib.sha256(data).hexdigest()
    assert hash_file(tmp_path / "a") == hash_file(tmp_path / "b", from_disk=True) == digest


@pytest.mark.parametrize("code", [errno.EINVAL, errno.ENOTSUP, errno.EIO])
def test_only_what_cannot_be_synced_is_tolerated(tmp_path, monkeypatch, code) -> None:
    def fsync(handle: int) -> None:
        raise OSError(code, os.strerror(code))

    monkeypatch.setattr(os, "fsync", fsync)
    if code == errno.EIO:
        with pytest.raises(OSError, match=os.strerror(errno.EIO)):
            FileOps().write_file(tmp_path / "a", b"a")
        if os.name != "nt":
            with pytest.raises(OSError, match=os.strerror(errno.EIO)):
                FileOps().sync_folder(tmp_path)
    else:
        FileOps().write_file(tmp_path / "a", b"a")
        FileOps().sync_folder(tmp_path)


def test_a_folder_that_holds_something_stays(tmp_path) -> None:
    (tmp_path / "x" / "y").mkdir(parents=True)
    assert FileOps().remove_folder(tmp_path / "x") is False and exists(tmp_path / "x" / "y")
    assert FileOps().remove_folder(tmp_path / "x" / "y") and FileOps().remove_folder(tmp_path / "x")
    assert FileOps().remove_folder(tmp_path / "x")  # gone already


def test_a_denial_that_lasts_is_raised_after_a_few_tries(tmp_path) -> None:
    slept = []

    class Held(FileOps):
        def step(self, what, path, act):
            raise PermissionError(errno.EACCES, "in use", str(path))

        def sleep(self, time_s):
            slept.append(time_s)

    (tmp_path / "a").write_bytes(b"a")
    with pytest.raises(PermissionError):
        Held().rename(tmp_path / "a", tmp_path / "b")
    assert slept == list(FileOps.waits_s)
