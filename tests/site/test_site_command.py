"""``labkit site`` as a person types it."""

from __future__ import annotations

import hashlib
import json

from labkit.app.site import runtime as module
from labkit.cli.main import main


def test_a_folder_is_written_from_a_checked_distribution(tmp_path, monkeypatch, capsys):
    package = b"arrays"
    lock = json.dumps(
        {
            "info": {"version": "9.8.7"},
            "packages": {
                "numpy": {"file_name": "numpy.whl", "sha256": hashlib.sha256(package).hexdigest(), "depends": []}
            },
        }
    ).encode()
    (tmp_path / "numpy.whl").write_bytes(package)
    (tmp_path / module.LOCK).write_bytes(lock)
    monkeypatch.setattr(module, "known_releases", lambda: {"9.8.7": {module.LOCK: hashlib.sha256(lock).hexdigest()}})
    assert main(["site", str(tmp_path / "out"), "--runtime", str(tmp_path)]) == 0
    assert (tmp_path / "out" / "runtime" / "numpy.whl").read_bytes() == package
    assert "open index.html from a web server" in capsys.readouterr().out
    assert main(["site", str(tmp_path / "out"), "--runtime", str(tmp_path)]) == 2
    assert "is not empty" in capsys.readouterr().err


def test_nothing_is_written_where_the_distribution_is_not_whole(tmp_path, capsys):
    assert main(["site", str(tmp_path / "out"), "--runtime", str(tmp_path)]) == 2
    assert "pyodide-lock.json: no such file" in capsys.readouterr().err
    assert not (tmp_path / "out").exists()
