"""A disk that is full, read-only or broken under every command that writes: the old file stays, a sentence says why.

Faults are injected where the operating system would report them (a full disk often does so only when the data are
flushed), and made for real where that needs no administrator: a limit on the size of files, and a file system that
takes none.
"""

from __future__ import annotations

import errno
import os
import resource
import subprocess
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest

from tests.faults.commands import RIG, WRITERS, make_inputs
from tests.faults.conftest import Outcome, left_in

LabkitCommand = Callable[..., Outcome]
OLD = b"what somebody kept here before\n"


def failing(code: int) -> Callable[..., Any]:
    def fail(*arguments: object, **options: object) -> Any:
        raise OSError(code, os.strerror(code))

    return fail


@pytest.fixture(scope="module")
def inputs(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return make_inputs(tmp_path_factory.mktemp("inputs"))


@contextmanager
def small_files_only() -> Iterator[None]:
    """A real limit: no file of this process grows beyond 16 bytes; the write that would, fails.

    Only around a command: the test run itself may be writing its report to a file.
    """
    before = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (16, before[1]))
    try:
        yield
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, before)


def target_of(arguments: list[object]) -> Path:
    option = next(
        name for name in ("--plot", "--touchstone", "--table", "--sheet", "--record", "--output") if name in arguments
    )
    return Path(str(arguments[arguments.index(option) + 1]))


def existing(target: Path, command: str) -> list[str]:
    """Put an old file where the command will write, and return what lets it do so."""
    if command.startswith("blind"):
        return []
    target.write_bytes(OLD)
    return ["--force"]


def assert_untouched(outcome: Outcome, folder: Path, target: Path, command: str) -> None:
    assert outcome.is_one_sentence(), outcome
    if command.startswith("blind"):
        assert left_in(folder) == []
    else:
        assert left_in(folder) == [target.name]
        assert target.read_bytes() == OLD


@pytest.mark.parametrize("command", WRITERS)
def test_a_full_disk_in_the_middle_of_writing_leaves_the_old_file_whole(
    command: str, inputs: Path, tmp_path: Path, labkit: LabkitCommand
) -> None:
    arguments = WRITERS[command](inputs, tmp_path / "written")
    target = target_of(arguments)
    force = existing(target, command)
    if command == "impulse --table":
        arguments = [argument for argument in arguments if argument != "--force"]
        (inputs / "i.wav").unlink(missing_ok=True)
    with small_files_only():
        outcome = labkit(*arguments, *force)
    assert_untouched(outcome, tmp_path, target, command)


@pytest.mark.parametrize(
    ("place", "code"), [("fsync", errno.ENOSPC), ("replace", errno.EIO)], ids=["full when flushed", "broken at the end"]
)
@pytest.mark.parametrize("command", WRITERS)
def test_a_disk_that_fails_at_the_last_step_leaves_the_old_file_whole(
    command: str, place: str, code: int, inputs: Path, tmp_path: Path, labkit: LabkitCommand, monkeypatch: Any
) -> None:
    arguments = WRITERS[command](inputs, tmp_path / "written")
    target = target_of(arguments)
    force = existing(target, command)
    monkeypatch.setattr(os, place, failing(code))
    outcome = labkit(*arguments, *force)
    monkeypatch.undo()
    assert_untouched(outcome, tmp_path, target, command)
    assert os.strerror(code) in outcome.err


@pytest.mark.parametrize("command", WRITERS)
def test_what_was_written_is_named_on_standard_error_alone(
    command: str, inputs: Path, tmp_path: Path, labkit: LabkitCommand
) -> None:
    (inputs / "i.wav").unlink(missing_ok=True)
    arguments = WRITERS[command](inputs, tmp_path / "written")
    outcome = labkit(*arguments)
    assert f"labkit: wrote {target_of(arguments)}\n" in outcome.err
    assert "labkit: wrote" not in outcome.out


@pytest.mark.parametrize("command", WRITERS)
def test_a_new_file_on_a_disk_without_links_is_written_all_the_same(
    command: str, inputs: Path, tmp_path: Path, labkit: LabkitCommand, monkeypatch: Any
) -> None:
    # as on the file systems of memory cards
    monkeypatch.setattr(os, "link", failing(errno.EPERM))
    arguments = WRITERS[command](inputs, tmp_path / "written")
    assert labkit(*arguments).code == 0
    assert left_in(tmp_path) == [target_of(arguments).name]


@pytest.mark.skipif(
    not Path("/sys/kernel").is_dir(), reason="Linux shows a folder here that takes no files from anybody"
)
@pytest.mark.parametrize("command", WRITERS)
def test_a_folder_that_takes_no_files_is_told_in_one_sentence(
    command: str, inputs: Path, labkit: LabkitCommand
) -> None:
    # permissions do not bind the administrator; the kernel's own folder refuses everybody
    outcome = labkit(*WRITERS[command](inputs, Path("/sys/kernel/written")))
    assert outcome.is_one_sentence(), outcome
    assert "/sys/kernel/written" in outcome.err


@pytest.mark.parametrize("command", WRITERS)
def test_a_folder_in_the_place_of_the_file_is_left_as_it_is(
    command: str, inputs: Path, tmp_path: Path, labkit: LabkitCommand
) -> None:
    arguments = WRITERS[command](inputs, tmp_path / "written")
    target = target_of(arguments)
    target.mkdir()
    (target / "kept").write_bytes(OLD)
    for force in [[]] if command.startswith("blind") else [[], ["--force"]]:
        outcome = labkit(*arguments, *force)
        assert outcome.is_one_sentence(), outcome
        assert left_in(tmp_path) == [target.name]
        assert (target / "kept").read_bytes() == OLD


@pytest.mark.parametrize("command", [command for command in WRITERS if not command.startswith("blind")])
def test_a_pipe_in_the_place_of_the_file_is_never_replaced(
    command: str, inputs: Path, tmp_path: Path, labkit: LabkitCommand
) -> None:
    # the same check keeps devices: /dev/null, written to with --force by an administrator, must stay a device
    arguments = WRITERS[command](inputs, tmp_path / "written")
    target = target_of(arguments)
    os.mkfifo(target)
    outcome = labkit(*arguments, *([] if "--force" in arguments else ["--force"]))
    assert outcome.is_one_sentence(), outcome
    assert target.is_fifo()


@pytest.mark.parametrize("length", [250, 300, 5000])
def test_a_name_too_long_for_the_disk_is_told_in_one_sentence(
    length: int, tmp_path: Path, labkit: LabkitCommand
) -> None:
    outcome = labkit("netlist", RIG, "--output", tmp_path / ("n" * length))
    assert outcome.is_one_sentence()
    assert left_in(tmp_path) == []


def test_a_link_is_followed_and_stays_a_link(tmp_path: Path, labkit: LabkitCommand) -> None:
    (tmp_path / "far.cir").write_bytes(OLD)
    (tmp_path / "near.cir").symlink_to("far.cir")
    assert labkit("netlist", RIG, "--output", tmp_path / "near.cir", "--force").code == 0
    assert (tmp_path / "near.cir").is_symlink()
    assert (tmp_path / "far.cir").read_bytes() != OLD


def test_links_that_lead_in_a_circle_are_told_in_one_sentence(tmp_path: Path, labkit: LabkitCommand) -> None:
    (tmp_path / "one.cir").symlink_to("other.cir")
    (tmp_path / "other.cir").symlink_to("one.cir")
    for force in ([], ["--force"]):
        outcome = labkit("netlist", RIG, "--output", tmp_path / "one.cir", *force)
        assert outcome.is_one_sentence()
        assert "cannot be written" in outcome.err


@pytest.mark.parametrize("name", ["sheet.toml", "link.toml", "./sheet.toml"])
@pytest.mark.parametrize("command", ["response", "netlist", "report", "formula"])
def test_a_sheet_is_never_overwritten_by_what_is_made_from_it(
    command: str, name: str, tmp_path: Path, labkit: LabkitCommand, monkeypatch: Any
) -> None:
    from labkit.catalogue import catalogue

    monkeypatch.chdir(tmp_path)
    Path("sheet.toml").write_bytes(catalogue().item("rig", RIG).path.read_bytes())
    Path("link.toml").symlink_to("sheet.toml")
    before = Path("sheet.toml").read_bytes()
    outcome = labkit(command, "sheet.toml", "--output", name, "--force")
    assert outcome.is_one_sentence(), outcome
    assert "this command reads that file" in outcome.err
    assert Path("sheet.toml").read_bytes() == before


def test_a_recording_and_a_sweep_are_never_overwritten_by_what_is_made_from_them(
    inputs: Path, labkit: LabkitCommand
) -> None:
    wav, sweep = inputs / "dry.wav", inputs / "sweep.csv"
    before = wav.read_bytes(), sweep.read_bytes()
    for arguments in (
        ("convert", wav, "--from", RIG, "--set-to", "cable.length=9m", "--output", wav, "--force"),
        ("fit", sweep, "--sheet", sweep, "--force"),
        ("fit", sweep, "--record", sweep, "--force"),
    ):
        assert labkit(*arguments).is_one_sentence()
    assert (wav.read_bytes(), sweep.read_bytes()) == before


def test_two_results_never_share_one_file(tmp_path: Path, labkit: LabkitCommand) -> None:
    file = tmp_path / "both.svg"
    outcome = labkit("response", RIG, "--output", file, "--plot", file)
    assert outcome.is_one_sentence()
    assert left_in(tmp_path) == []


@pytest.fixture
def tiny_disk(tmp_path: Path) -> Iterator[Path]:
    """A real disk of 32 kB; only an administrator who may mount gets one (containers mostly may not)."""
    folder = tmp_path / "disk"
    folder.mkdir()
    command = ["mount", "-t", "tmpfs", "-o", "size=32k", "tmpfs", str(folder)]
    if sys.platform != "linux" or os.geteuid() != 0 or subprocess.run(command, capture_output=True).returncode:
        pytest.skip("a real small disk needs the right to mount one; the injected faults above run everywhere")
    try:
        yield folder
    finally:
        subprocess.run(["umount", str(folder)], check=True, capture_output=True)


@pytest.mark.parametrize("command", ["render --output", "schematic --output", "blind prepare --output"])
def test_a_really_full_disk_keeps_what_was_there(
    command: str, inputs: Path, tiny_disk: Path, labkit: LabkitCommand
) -> None:
    (tiny_disk / "filler").write_bytes(b"0" * 24_000)
    arguments = WRITERS[command](inputs, tiny_disk / "written")
    outcome = labkit(*arguments)
    assert outcome.is_one_sentence(), outcome
    assert left_in(tiny_disk) == ["filler"]
