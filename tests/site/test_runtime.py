"""A distribution goes into a site only whole and as its lock file says."""

from __future__ import annotations

import hashlib
import json

import pytest

from labkit.app.site import runtime as module
from labkit.app.site.runtime import LOCK, known_releases, read_runtime
from labkit.core.errors import InputError


def sha256(content: bytes) -> str:
    return hashlib.sha256(content).hexdigest()


@pytest.fixture
def folder(tmp_path, monkeypatch):
    """A distribution of three files: lock, interpreter, and the one package with one that it needs."""
    contents = {"interpreter.js": b"run()", "numpy.whl": b"arrays", "blas.zip": b"products", "other.whl": b"unasked"}
    packages = {
        "numpy": {"file_name": "numpy.whl", "sha256": sha256(b"arrays"), "depends": ["blas"]},
        "blas": {"file_name": "blas.zip", "sha256": sha256(b"products"), "depends": []},
        "other": {"file_name": "other.whl", "sha256": sha256(b"unasked"), "depends": []},
    }
    lock = json.dumps({"info": {"version": "9.8.7"}, "packages": packages}).encode()
    for name, content in {**contents, LOCK: lock}.items():
        (tmp_path / name).write_bytes(content)
    releases = {"9.8.7": {LOCK: sha256(lock), "interpreter.js": sha256(b"run()")}}
    monkeypatch.setattr(module, "known_releases", lambda: releases)
    return tmp_path


def test_interpreter_and_the_packages_needed_are_taken(folder):
    runtime = read_runtime(folder)
    assert runtime.version == "9.8.7"
    assert set(runtime.files) == {LOCK, "interpreter.js", "numpy.whl", "blas.zip"}


@pytest.mark.parametrize("name", ["interpreter.js", "numpy.whl", "blas.zip"])
def test_a_changed_file_is_refused_by_name(folder, name):
    (folder / name).write_bytes(b"something else")
    with pytest.raises(InputError, match=f"{name}: is not the file of this distribution"):
        read_runtime(folder)


def test_a_lock_file_cannot_be_changed_to_fit_a_changed_package(folder):
    lock = (folder / LOCK).read_text().replace(sha256(b"arrays"), sha256(b"worse"))
    (folder / LOCK).write_text(lock)
    (folder / "numpy.whl").write_bytes(b"worse")
    with pytest.raises(InputError, match=LOCK):
        read_runtime(folder)


def test_a_missing_file_and_a_missing_folder_are_said(folder):
    (folder / "numpy.whl").unlink()
    with pytest.raises(InputError, match=r"numpy\.whl: no such file"):
        read_runtime(folder)
    with pytest.raises(InputError, match="no such folder; --runtime takes a folder"):
        read_runtime(folder / "nowhere")


def test_a_release_that_was_not_tried_is_refused_with_those_that_were(folder, monkeypatch):
    monkeypatch.setattr(module, "known_releases", known_releases)
    with pytest.raises(InputError, match=r"of version 9\.8\.7; the pages were tried with 0\.27\.7"):
        read_runtime(folder)


@pytest.mark.parametrize("text", ["", "[]", '{"info": {"version": "9.8.7"}}', '{"info": 3, "packages": {}}'])
def test_something_else_than_a_lock_file_is_refused_in_one_sentence(folder, text):
    (folder / LOCK).write_text(text)
    with pytest.raises(InputError, match="is not the lock file of a distribution"):
        read_runtime(folder)


def test_no_file_outside_the_folder_is_read(folder, monkeypatch):
    lock = (folder / LOCK).read_bytes().replace(b"numpy.whl", b"../numpy.whl")
    (folder / LOCK).write_bytes(lock)
    releases = {"9.8.7": {LOCK: sha256(lock)}}
    monkeypatch.setattr(module, "known_releases", lambda: releases)
    with pytest.raises(InputError, match="names a file outside its folder"):
        read_runtime(folder)
