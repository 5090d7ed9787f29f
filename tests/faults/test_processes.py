"""Real processes that are killed while they save, that save the same file at once, and whose reader goes away.

What must hold at every instant: under the name of a file there is the whole old one or the whole new one, and the
catalogue sees nothing else.
"""

from __future__ import annotations

import json
import os
import random
import signal
import subprocess
import sys
import time
import tomllib
from pathlib import Path

import pytest

from labkit.catalogue.catalogue import load_catalogue
from labkit.core.errors import InputError
from labkit.core.sheet import read_sheet
from labkit.plugins.manager import FOLDERS_VARIABLE
from tests.faults.commands import RIG, TAKE
from tests.faults.conftest import ROOT, Outcome, finish, left_in, start

pytestmark = pytest.mark.skipif(os.name != "posix", reason="kills and interrupts by signal")

KILLS = 25
"""Enough that some fall into a saving: the test fails where none of them left anything behind."""

SIZE = 400_000
"""Bytes of a sheet: long enough that a kill mostly comes while it is written."""

SAVER = """
import itertools, sys
from pathlib import Path
from labkit.core.files import write_atomically
path, who, size = Path(sys.argv[1]), sys.argv[2], int(sys.argv[3])
head, note = 'sheet = "wire"\\nformat = 1\\n', who * size
print("ready", flush=True)
for number in itertools.count():
    text = f'{head}name = "{who} {number}"\\nnote = "{note}"\\nend = "{who} {number}"\\n'
    write_atomically(path, text, overwrite=True)
"""


def saver(path: Path, who: str) -> subprocess.Popen[bytes]:
    """A process that saves one sheet over and over, every time with one name at its beginning and its end."""
    command = [sys.executable, "-c", SAVER, str(path), who, str(SIZE)]
    process = subprocess.Popen(command, cwd=ROOT, stdout=subprocess.PIPE)
    assert process.stdout is not None
    assert process.stdout.readline() == b"ready\n"
    return process


def kill(process: subprocess.Popen[bytes]) -> None:
    process.kill()
    process.communicate()


def assert_whole(path: Path, names: str) -> str:
    """Read a sheet and check that its end belongs to its beginning."""
    sheet = read_sheet(path)
    name, note, end = sheet.text("name"), sheet.text("note"), sheet.text("end")
    assert name == end
    assert name[0] in names
    assert note == name[0] * SIZE
    return name


def catalogue_names(folder: Path, monkeypatch: pytest.MonkeyPatch) -> list[str]:
    monkeypatch.setenv(FOLDERS_VARIABLE, str(folder))
    found = load_catalogue()
    assert not [problem for problem in found.problems if str(folder) in problem]
    return [item.path.name for item in found.items.values() if item.path.is_relative_to(folder)]


def test_a_sheet_whose_saving_is_killed_is_the_old_or_the_new_one(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "wire.toml"
    chance = random.Random(1)
    seen, left = set(), 0
    for _ in range(KILLS):
        process = saver(path, "a")
        time.sleep(chance.uniform(0.0, 0.03))
        kill(process)
        if path.exists():
            seen.add(assert_whole(path, "a"))
        hidden = [name for name in left_in(tmp_path) if name != path.name]
        # what a kill leaves is hidden and no sheet, so that neither a person nor the catalogue takes it for one
        assert all(name.startswith(".") and not name.endswith(".toml") for name in hidden)
        left += len(hidden)
        assert not path.exists() or catalogue_names(tmp_path, monkeypatch) == ["wire.toml"]
        for name in hidden:
            (tmp_path / name).unlink()
    assert len(seen) > 1, "no kill came after a saving: the test saw nothing"
    assert left, "no kill came during a saving: the test saw nothing"


def test_two_processes_that_save_one_sheet_never_mix_it(tmp_path: Path) -> None:
    path = tmp_path / "wire.toml"
    one, other = saver(path, "a"), saver(path, "b")
    try:
        seen: list[str] = []
        until = time.monotonic() + 60
        while len(set(seen)) < 40 or len({name[0] for name in seen}) < 2:
            assert time.monotonic() < until, f"only {len(set(seen))} savings were seen"
            if path.exists():
                seen.append(assert_whole(path, "ab"))
    finally:
        kill(one)
        kill(other)
    assert_whole(path, "ab")


def test_of_two_commands_that_write_one_new_file_one_is_refused(tmp_path: Path) -> None:
    for round_number in range(4):
        target = tmp_path / f"deck {round_number}.cir"
        both = [start("netlist", RIG, "--set", f"volume={knob}", "--output", target) for knob in (3, 7)]
        outcomes = [finish(process) for process in both]
        assert sorted(outcome.code for outcome in outcomes) == [0, 2]
        assert all(outcome.code == 0 or outcome.is_one_sentence() for outcome in outcomes)
        assert target.read_text().rstrip().endswith(".end")
    assert len(left_in(tmp_path)) == 4


def test_a_killed_blind_test_leaves_no_folder_of_its_name(tmp_path: Path) -> None:
    (tmp_path / "take.toml").write_text(TAKE)
    arguments = ["blind", "prepare", RIG, "--set-second", "cable.length=9m", "--trials", "40"]
    process = start(*arguments, "--take", tmp_path / "take.toml", "--output", tmp_path / "test")
    try:
        until = time.monotonic() + 60
        while len(left_in(tmp_path)) == 1:
            assert process.poll() is None, "the test was written before it could be killed"
            assert time.monotonic() < until
    finally:
        kill(process)
    assert "test" not in left_in(tmp_path)
    outcome = finish(start(*arguments, "--take", tmp_path / "take.toml", "--output", tmp_path / "test"))
    assert outcome.code == 0, outcome
    assert (tmp_path / "test" / "sealed-key.txt").is_file()


def test_an_interrupted_blind_test_leaves_nothing(tmp_path: Path) -> None:
    (tmp_path / "take.toml").write_text(TAKE)
    arguments = ["blind", "prepare", RIG, "--set-second", "cable.length=9m", "--trials", "40"]
    process = start(*arguments, "--take", tmp_path / "take.toml", "--output", tmp_path / "test")
    try:
        until = time.monotonic() + 60
        while len(left_in(tmp_path)) == 1:
            assert process.poll() is None, "the test was written before it could be interrupted"
            assert time.monotonic() < until
        process.send_signal(signal.SIGINT)
    finally:
        outcome = finish(process)
    assert outcome.code == 130
    assert "Traceback" not in outcome.err
    assert left_in(tmp_path) == ["take.toml"]


SEARCH = """
import sys
import time
import tomllib
from labkit.study.work import reduction
reduction.EVERY_S = 0.0
save = reduction.Checkpoint.save
def slow_save(self, *arguments):
    save(self, *arguments)
    time.sleep(0.3)  # a pause in which the signal can come
reduction.Checkpoint.save = slow_save
from labkit.cli.main import main
if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
"""

GOAL = """
sheet = "goal"
format = 1
name = "many trims"
[rig]
name = "single coil with load trims"
harness = "one volume with load trims"
[rig.pickups]
bridge = "narrow single coil"
[[rig.chain]]
kind = "cable"
use = "typical cable"
length = "5 m"
[[rig.chain]]
kind = "input"
use = "1 MΩ amplifier input"
[target]
resonance = "2.8 kHz"
resonance_within = "5 %"
[[vary]]
part = "load_capacitor"
series = "E24"
from = "100 pF"
to = "2.2 nF"
[[vary]]
part = "load_resistor"
series = "E24"
from = "100 kΩ"
to = "1 MΩ"
[[vary]]
part = "volume.value"
choices = ["250 kΩ", "300 kΩ", "500 kΩ", "1 MΩ"]
[[vary]]
part = "cable.length"
choices = ["3 m", "5 m", "6 m", "9 m"]
"""


@pytest.fixture
def goal(tmp_path: Path) -> Path:
    path = tmp_path / "goal.toml"
    path.write_text(GOAL)
    return path


def search(goal: Path, *arguments: object) -> subprocess.Popen[bytes]:
    command = [sys.executable, "-c", SEARCH, "search", str(goal), "--json", *(str(argument) for argument in arguments)]
    return subprocess.Popen(command, cwd=ROOT, stdout=subprocess.PIPE, stderr=subprocess.PIPE, start_new_session=True)


def test_a_search_interrupted_from_the_keyboard_is_taken_up_with_the_same_digits(goal: Path, tmp_path: Path) -> None:
    record = tmp_path / "search.npz"
    process = search(goal, "--record", record)
    try:
        until = time.monotonic() + 60
        while not record.exists():
            assert process.poll() is None, "the search ended before it could be interrupted"
            assert time.monotonic() < until
            time.sleep(0.005)
        os.killpg(process.pid, signal.SIGINT)
    finally:
        stopped = finish(process)
    assert stopped.code == 130, stopped
    assert "Traceback" not in stopped.err
    assert record.exists()
    assert left_in(tmp_path) == ["goal.toml", "search.npz"]
    resumed, plain = finish(search(goal, "--record", record)), finish(search(goal))
    assert (resumed.code, plain.code) == (0, 0)
    assert without_times(resumed) == without_times(plain)


def without_times(outcome: Outcome) -> object:
    """The result without what says how long it took."""
    data = json.loads(outcome.out)
    return {key: value for key, value in data.items() if "second" not in key and not key.endswith("_s")}


def test_a_search_whose_record_meets_a_full_disk_keeps_the_last_one(goal: Path, tmp_path: Path) -> None:
    record = tmp_path / "search.npz"
    process = search(goal, "--record", record)
    try:
        while not record.exists():
            assert process.poll() is None
            time.sleep(0.005)
    finally:
        kill(process)
    before = record.read_bytes()
    limited = [
        *(sys.executable, "-c", f"import resource; resource.setrlimit(resource.RLIMIT_FSIZE, (64, 64))\n{SEARCH}"),
        *("search", str(goal), "--record", str(record)),
    ]
    outcome = finish(subprocess.Popen(limited, cwd=ROOT, stdout=subprocess.PIPE, stderr=subprocess.PIPE))
    assert outcome.code == 2, outcome
    assert "cannot be written (File too large)" in outcome.err
    assert "Traceback" not in outcome.err
    assert record.read_bytes() == before


@pytest.mark.parametrize(
    "arguments",
    [
        ("response", RIG, "--csv"),
        ("netlist", RIG),
        ("catalogue",),
        ("cases", "--help"),
        ("pickup", "narrow single coil"),
    ],
    ids=["response", "netlist", "catalogue", "help", "pickup"],
)
def test_a_reader_that_goes_away_is_no_fault(arguments: tuple[str, ...]) -> None:
    # as in `labkit response … | head -1`; 1 would say that a check failed
    process = start(*arguments)
    assert process.stdout is not None
    process.stdout.close()
    assert process.wait(60) == 0
    assert process.stderr is not None
    assert process.stderr.read() == b""
    process.stderr.close()


@pytest.mark.skipif(not Path("/dev/full").is_char_device(), reason="Linux offers a full disk as a device")
@pytest.mark.parametrize("arguments", [("response", RIG), ("catalogue",)], ids=["response", "catalogue"])
def test_a_full_disk_behind_standard_output_is_told_in_one_sentence(arguments: tuple[str, ...]) -> None:
    with open("/dev/full", "wb") as full:
        outcome = finish(start(*arguments, stdout=full))
    assert outcome.is_one_sentence(), outcome
    assert "No space left on device" in outcome.err


def test_nowhere_to_complain_still_gives_the_code_of_bad_input() -> None:
    with open("/dev/full", "wb") as full:
        assert finish(start("response", "nothing of that name", stderr=full)).code == 2


def test_a_sheet_that_vanishes_or_changes_while_it_is_read_is_read_whole_or_refused(tmp_path: Path) -> None:
    path = tmp_path / "wire.toml"
    process = saver(path, "a")
    read = refused = 0
    until = time.monotonic() + 3
    try:
        while time.monotonic() < until and (read < 20 or refused < 5):
            refusal = ""
            try:
                assert_whole(path, "a")
            except InputError as error:
                refusal = str(error)
            assert not refusal or "no such file" in refusal
            read, refused = read + (not refusal), refused + bool(refusal)
            path.unlink(missing_ok=True)
    finally:
        kill(process)
    assert read
    assert refused


INTERRUPTED = """
import os, signal, sys
from importlib.abc import MetaPathFinder
class Interrupting(MetaPathFinder):
    def find_spec(self, name, path=None, target=None):
        if name == {module!r}:
            os.kill(os.getpid(), signal.SIGINT)
sys.meta_path.insert(0, Interrupting())
sys.argv = ["labkit", *{arguments!r}]
from labkit.cli import run
sys.exit(run())
"""


@pytest.mark.parametrize(
    ("module", "arguments"),
    [
        ("labkit.cli.main", ["response", RIG]),
        ("click", ["response", RIG]),
        ("labkit.core.errors", ["response", RIG]),
        ("labkit.cli.response_command", ["response", RIG]),
        ("numpy", ["response", RIG]),
        ("numpy.linalg", ["response", RIG]),
        ("labkit.app.server.door", ["open", "--no-browser", "--port", "0"]),
        ("tornado.web", ["open", "--no-browser", "--port", "0"]),
        ("voila.app", ["open", "--no-browser", "--port", "0"]),
        ("labkit.app.kit.panels", ["open", "--no-browser", "--port", "0"]),
    ],
)
def test_a_command_interrupted_while_its_modules_are_read_in_ends_quietly(module: str, arguments: list[str]) -> None:
    command = [sys.executable, "-c", INTERRUPTED.format(module=module, arguments=arguments)]
    outcome = finish(subprocess.Popen(command, cwd=ROOT, stdout=subprocess.PIPE, stderr=subprocess.PIPE))
    assert (outcome.code, outcome.out, outcome.err.strip()) == (130, "", "labkit: stopped")


def test_the_installed_command_is_the_one_that_ends_quietly() -> None:
    project = tomllib.loads((ROOT / "pyproject.toml").read_text("utf-8"))["project"]
    assert project["scripts"] == {"labkit": "labkit.cli:run"}
