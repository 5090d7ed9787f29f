"""The lab's server: every setting explicit, closed to other hosts, nothing from outside in what it sends."""

from __future__ import annotations

import json
import re
import socket
import subprocess
import sys
from pathlib import Path

import pytest
from click.testing import CliRunner

from labkit.app.server.server import (
    CONTENT_POLICY,
    HOST,
    Lab,
    OwnKernels,
    ServerError,
    dashboard_folder,
    data_folder,
    list_pages,
    serve,
    server_config,
)
from labkit.cli.open_command import open_lab

TEXT_ENDINGS = (".js", ".css", ".html", ".j2", ".svg", ".json")


def test_only_this_machine_can_reach_the_lab_and_on_the_port_that_was_asked_for():
    config = server_config(port=8123)
    assert config.Voila.ip == HOST == "127.0.0.1"
    assert config.Voila.port == 8123
    assert config.Voila.port_retries == 0


def test_code_and_tracebacks_stay_inside_unless_debugging():
    config = server_config(port=1)
    assert config.VoilaConfiguration.strip_sources is True
    assert config.VoilaConfiguration.show_tracebacks is False
    assert server_config(port=1, debug=True).VoilaConfiguration.show_tracebacks is True


def test_kernels_without_a_browser_end_after_two_minutes():
    config = server_config(port=1).MappingKernelManager
    assert config.cull_idle_timeout == 120
    assert config.cull_connected is False


def test_nothing_in_an_address_chooses_another_template():
    config = server_config(port=1).VoilaConfiguration
    assert (config.allow_template_override, config.allow_theme_override) == ("NO", "NO")


def test_extensions_of_a_notebook_installation_are_left_out_by_name():
    config = server_config(port=1).VoilaConfiguration
    assert "extension_allowlist" not in config
    assert "anywidget" not in config.extension_denylist
    assert "@jupyter-widgets/jupyterlab-manager" not in config.extension_denylist


def test_no_configuration_file_of_the_machine_is_read():
    assert Lab().config_file_paths == []


def test_kernels_run_the_python_that_serves_the_lab(tmp_path, monkeypatch):
    # a kernel that somebody else installed under the same name must not be taken
    foreign = tmp_path / "kernels" / "python3"
    foreign.mkdir(parents=True)
    (foreign / "kernel.json").write_text(
        json.dumps({"argv": ["/bin/false"], "display_name": "x", "language": "python"})
    )
    monkeypatch.setenv("JUPYTER_PATH", str(tmp_path))
    assert "/bin/false" not in OwnKernels().get_kernel_spec("python3").argv


def test_the_content_policy_names_no_host():
    assert "http" not in CONTENT_POLICY
    assert "*" not in CONTENT_POLICY
    assert "default-src 'none'" in CONTENT_POLICY


def test_no_script_of_a_page_itself_runs_and_no_text_becomes_a_script():
    scripts = next(part for part in CONTENT_POLICY.split("; ") if part.startswith("script-src"))
    assert "unsafe" not in scripts
    templates = data_folder() / "voila" / "templates"
    for path in [*templates.rglob("*.html"), *templates.rglob("*.j2")]:
        for tag in re.findall(r"<script[^>]*>", path.read_text(encoding="utf-8")):
            assert "src=" in tag or "application/json" in tag, path.name


def test_what_the_lab_sends_asks_no_other_host():
    folder = data_folder() / "voila"
    files = [path for path in folder.rglob("*") if path.suffix in TEXT_ENDINGS]
    assert len(files) > 10
    for path in files:
        found = set(re.findall(r"(?:https?:)?//[\w.-]+\.\w+[^\s\"')]*", path.read_text(encoding="utf-8")))
        # the name of the SVG vocabulary is no address that anything fetches
        assert {url for url in found if "www.w3.org/2000/svg" not in url} == set(), path.name


def test_every_font_of_the_style_sheet_is_there_with_its_licence():
    fonts = data_folder() / "fonts"
    sheet = (data_folder() / "voila" / "web" / "page.css").read_text(encoding="utf-8")
    named = re.findall(r"url\(\.\./fonts/([^)]+)\)", sheet)
    assert named
    assert {path.name for path in fonts.glob("*.woff2")} == set(named)
    licences = [path.read_text(encoding="utf-8") for path in fonts.glob("OFL-*.txt")]
    assert len(licences) == 2
    assert all("SIL Open Font License" in text for text in licences)


def test_pages_are_thin_and_without_outputs():
    pages = list(dashboard_folder().glob("*.ipynb"))
    assert pages
    for path in pages:
        book = json.loads(path.read_text(encoding="utf-8"))
        code = [line for cell in book["cells"] for line in cell["source"] if line.strip()]
        assert len(code) <= 12, f"{path.name} is not thin: {len(code)} lines"
        assert all(cell.get("outputs", []) == [] for cell in book["cells"])
        assert book["metadata"]["labkit"]["file"] == path.name
        assert book["metadata"]["title"].endswith("labkit")


def test_pages_come_in_their_own_order(tmp_path):
    for name, order in (("b", 1), ("a", 2)):
        metadata = {"labkit": {"title": name.upper(), "order": order}}
        (tmp_path / f"{name}.ipynb").write_text(json.dumps({"metadata": metadata}))
    assert [page["title"] for page in list_pages(tmp_path)] == ["B", "A"]


def test_a_taken_port_is_told_in_one_sentence():
    with socket.socket() as taken:
        taken.bind((HOST, 0))
        taken.listen()
        port = taken.getsockname()[1]
        with pytest.raises(ServerError, match=f"port {port} .* choose another with --port"):
            serve(port=port, open_browser=False)


def test_a_port_that_is_none_is_refused():
    result = CliRunner().invoke(open_lab, ["--port", "70000"])
    assert result.exit_code == 2
    assert "70000" in result.output


def test_dashboards_are_found_beside_the_installed_package():
    assert (dashboard_folder() / "rig.ipynb").is_file()
    assert isinstance(dashboard_folder(), Path)


def test_opening_the_lab_leaves_out_the_slow_grammar_and_leaves_no_trace_of_that():
    code = (
        "import sys\n"
        "import labkit.cli.open_command as command\n"
        "with command._left_out('rfc3987_syntax'):\n"
        "    import labkit.app.server.server\n"
        "print('jsonschema' in sys.modules, 'lark' in sys.modules, 'rfc3987_syntax' in sys.modules)"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.split() == ["True", "False", "False"]
