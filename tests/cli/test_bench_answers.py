"""Short answers at the command line, completion, colour and whole sentences of help."""

from __future__ import annotations

import io
import json
import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from labkit import load_built
from labkit.cli.main import COMMANDS, coloured, main

BUILD = "narrow single coil, built"
COIL = (
    *("--straight-length", "52 mm ± 0.52 mm", "--end-radius", "2.5 mm", "--winding-height", "11 mm"),
    *("--build-up", "4.2 mm", "--bare-diameter", "63 um", "--overall-diameter", "71 um", "--wire-mass", "32 g"),
)


def data(capsys, *arguments: str) -> dict:
    assert main([*arguments, "--json"]) == 0
    return json.loads(capsys.readouterr().out)


def test_so_many_turns_have_the_resistance_that_was_wanted(capsys):
    found = data(capsys, "turns", BUILD, "7.2k")["turns"]
    for turns, end in ((found["value"], "value"), (found["low"], "high"), (found["high"], "low")):
        coil = load_built(BUILD, {"coil.main.turns": f"{round(turns)}"}).coils["main"]
        # one turn of ten thousand, and the interval's own small change with the turns
        assert getattr(coil.resistance, end) == pytest.approx(7200, rel=2e-3)
    assert found["low"] < found["value"] < found["high"]


def test_a_warm_coil_needs_fewer_turns(capsys):
    cold, warm = (
        data(capsys, "turns", BUILD, "7.2k", "--temperature", t)["turns"]["value"] for t in ("20 °C", "40 °C")
    )
    # copper gains 0.393 % a kelvin, and turns fall a little slower as outer turns are longer
    assert 0.925 < warm / cold < 0.95


def test_an_open_coil_is_what_its_size_and_weight_say(capsys):
    found = data(capsys, "open-coil", *COIL)
    assert found["turns"]["low"] < found["by_route"]["size"]["high"]
    assert set(found["by_route"]) == {"size", "weight"}
    heavier = data(capsys, "open-coil", *COIL[:-1], "36 g")
    # by weight alone turns would rise by 12.5 %
    assert 1.05 < heavier["turns"]["value"] / found["turns"]["value"] < 1.125


def test_hum_cancels_where_the_middle_pickup_is_reversed(capsys):
    found = data(capsys, "hum", "Saltmarsh Lane, three pickups")
    hum = {row["position"]: row["hum"] for row in found["positions"]}
    assert hum["neck and middle"].startswith("cancels")
    assert hum["bridge"] == "as one coil"
    assert data(capsys, "hum", "Saltmarsh Lane, three pickups", "--set", "selector=bridge")[
        "level_db"
    ] == pytest.approx(0)


def test_a_set_is_in_balance_within_the_limit(capsys):
    found = data(capsys, "balance", "neck=0", "middle=-0.6", "bridge=−2.4 dB")
    assert found["spread_db"] == pytest.approx(2.4)
    assert not found["is_balanced"]
    assert found["advice"]
    assert data(capsys, "balance", "neck=0", "bridge=-2.4", "--within", "3 dB")["is_balanced"]


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (("turns", BUILD, "7.2 nF"), "a resistance is due"),
        (("turns", "narrow single coil", "7k"), "has no coil described by its build"),
        (("turns", "two-coil, built", "4k"), "name one with --coil"),
        (("turns", BUILD, "7k", "--coil", "mian"), "no built coil 'mian'"),
        (("turns", BUILD, "0 Ω"), "above 0 Ω"),
        (("balance", "neck=0"), "at least two"),
        (("balance", "neck=0", "neck=1"), "two levels"),
        (("balance", "neck=0", "bridge: "), "bridge: "),
        (("balance", "neck=0", "bridge=1", "--within", "0 dB"), "--within"),
        (("open-coil", *COIL[:-1], "32 mm"), "--wire-mass"),
        (("cases", "air_coil"), "Did you mean 'air_coils'"),
        (("completion", "csh"), "csh"),
    ],
)
def test_bad_input_is_one_sentence(capsys, arguments, words):
    assert main(list(arguments)) == 2
    said = capsys.readouterr()
    assert said.out == ""
    assert said.err.count("\n") == 1
    assert words in said.err


def test_cases_of_a_file_run_by_its_name(capsys):
    shown = [row["id"] for row in json.loads(_out(capsys, "cases", "blind_test", "--json"))]
    named = [row["id"] for row in json.loads(_out(capsys, "cases", "blind_test.toml", shown[0], "--json"))]
    assert shown
    assert named == shown


def _out(capsys, *arguments: str) -> str:
    assert main(list(arguments)) == 0
    return capsys.readouterr().out


def test_help_says_every_sentence_whole(capsys):
    for group in ([], ["book"], ["sweep"], ["blind"]):
        shown = _out(capsys, *group, "--help")
        assert "..." not in shown.partition("Commands:")[2]
    assert all(f"  {name} " in _out(capsys, "--help") for name in COMMANDS)


class _Terminal:
    def isatty(self) -> bool:
        return True


def test_colour_is_for_terminals_alone(monkeypatch, capsys):
    monkeypatch.delenv("NO_COLOR", raising=False)
    monkeypatch.setenv("TERM", "xterm")
    assert "\x1b[32m" in coloured("within", "green", _Terminal())
    assert coloured("within", "green", io.StringIO()) == "within"
    monkeypatch.setenv("NO_COLOR", "1")
    assert coloured("within", "green", _Terminal()) == "within"
    assert "\x1b" not in _out(capsys, "cases", "blind_test")


@pytest.mark.parametrize("shell", ["bash", "zsh", "fish"])
def test_a_shell_is_given_its_script(capsys, shell):
    script = _out(capsys, "completion", shell)
    assert f"_LABKIT_COMPLETE={shell}_complete" in script
    if shutil.which(shell):
        done = subprocess.run([shell, "-n"], input=script, text=True, capture_output=True)
        assert done.returncode == 0, done.stderr


@pytest.mark.skipif(not shutil.which("bash"), reason="bash is not installed")
@pytest.mark.parametrize(
    ("begun", "expected"),
    [
        ("(labkit open-c)", ["open-coil"]),
        (r"(labkit response 'Saltmarsh\ Lane,\ na')", [r"Saltmarsh\ Lane,\ narrow\ single\ coil"]),
        (r"(labkit turns 'narrow\ single\ coil,\ b')", [r"narrow\ single\ coil,\ built"]),
    ],
)
def test_bash_completes_commands_and_names_with_their_blanks(begun, expected):
    script = (
        f'eval "$(labkit completion bash)"; COMP_WORDS={begun}; COMP_CWORD=$((${{#COMP_WORDS[@]}} - 1)); '
        'compopt() { :; }; _labkit_completion labkit; printf "%s\\n" "${COMPREPLY[@]}"'
    )
    path = f"{Path(sys.executable).parent}{os.pathsep}{os.environ['PATH']}"
    done = subprocess.run(
        ["bash", "-c", script], env={**os.environ, "PATH": path}, capture_output=True, text=True, check=True
    )
    assert done.stdout.splitlines() == expected, done.stderr
