"""What the documentation tells a reader to type works as printed, page by page."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from docs.tools import snippets

ROOT = Path(__file__).resolve().parents[2]

RUN_ELSEWHERE = {
    "docs/plugins/first_plugin.md": "tests/plugins/test_reference.py::test_the_first_plugin_works_as_it_is_printed",
    "docs/plugins/testing.md": "tests/plugins/test_reference.py",
    "docs/plugins/hooks.md": "tests/plugins/test_reference.py",
}
"""Pages whose blocks are files of a package or signatures, and the tests that hold them."""

_RECORDED = "tests/bench/test_sweep_commands.py::"
_LIFTED = "tests/bench/test_shim_command.py::"
_CLUSTER = "tests/study/test_cluster.py::"
NOT_RUN = {
    'labkit fit source.wav open.wav shorted.wav pickup.wav "open again.wav" again.wav --series "220k ± 0.5 %"': (
        f"{_RECORDED}test_the_pickup_off_once_more_is_taken_by_its_name"
    ),
    'labkit sweep record pickup.wav --device "bench box" --inputs 1,2': (
        f"{_RECORDED}test_five_takes_recorded_on_this_machine_become_the_pickup"
    ),
    "labkit sweep check source.wav open.wav shorted.wav pickup.wav again.wav": (
        f"{_RECORDED}test_check_names_what_is_wrong_and_ends_with_one"
    ),
    "labkit sweep calibrate source.wav open.wav shorted.wav again.wav --series 220k --name box --output box.toml": (
        f"{_RECORDED}test_a_kept_calibration_serves_the_next_pickup"
    ),
    "labkit fit neck.wav again.wav --interface box.toml": f"{_RECORDED}test_a_kept_calibration_serves_the_next_pickup",
    "labkit fit source.wav open.wav shorted.wav driven.wav --series 220k --kind exciter --resistance 6.2k": (
        f"{_RECORDED}test_an_exciter_with_its_current_sensed_gives_the_same_coil"
    ),
    'labkit shim E4.wav --string E4 --shim "1 mm ± 0.02 mm" --full-scale "1.9 V ± 1 %"': (
        f"{_LIFTED}test_volts_per_velocity_come_out_with_their_interval"
    ),
    'labkit shim E4.wav --string E4 --shim "1 mm ± 0.02 mm" --full-scale "1.9 V ± 1 %" --pulses 8': (
        f"{_LIFTED}test_volts_per_velocity_come_out_with_their_interval"
    ),
    "labkit sweep calibrate source.wav open.wav shorted.wav --series 220k --name box "
    '--full-scale "1.91 V ± 1 %" --output box.toml': f"{_LIFTED}test_full_scale_may_come_from_a_kept_calibration",
    "labkit shim E4.wav G3.wav E2.wav --string E4 --string G3 --string E2 "
    '--shim "1 mm ± 0.02 mm" --full-scale "1.9 V ± 1 %" --against build.toml --height "2 mm" --sheet shop_steel.toml': (
        f"{_LIFTED}test_lifted_strings_narrow_what_a_build_predicts"
    ),
    "labkit pickup build.toml --set string_steel=shop_steel.toml": (
        f"{_LIFTED}test_lifted_strings_narrow_what_a_build_predicts"
    ),
    "labkit site saltmarsh-lane --runtime browser_runtime": (
        "tests/site/test_site_command.py::test_a_folder_is_written_from_a_checked_distribution"
    ),
    "python -m http.server --directory saltmarsh-lane": (
        "tests/site/test_site_in_browser.py::test_two_tasks_are_done_without_a_network_after_the_first_visit"
    ),
    "dask scheduler --host 127.0.0.1 --port 8786": (
        f"{_CLUSTER}test_two_processes_one_of_them_killed_give_the_digits_of_one"
    ),
    "dask worker tcp://127.0.0.1:8786 --nworkers auto": (
        f"{_CLUSTER}test_two_processes_one_of_them_killed_give_the_digits_of_one"
    ),
    'labkit tolerance "Saltmarsh Lane, narrow single coil" --count 1000000 '
    "--scheduler tcp://127.0.0.1:8786 --record study.npz": (
        f"{_CLUSTER}test_the_commands_give_the_same_answers_by_a_scheduler"
    ),
    "make lab": "tests/setup/test_make.py::test_make_lab_creates_installs_and_opens",
    ". .venv/bin/activate": "tests/setup/test_make.py::test_make_lab_creates_installs_and_opens",
    "make test": "tests/setup/test_make.py::test_make_test_alone_creates_what_it_needs_and_runs_every_check",
    "make mutants": "tests/setup/test_make.py::test_make_mutants_plants_the_list_of_faults",
    "python3 -m venv .venv && .venv/bin/pip install -c constraints.txt .": (
        "tests/setup/test_installed.py::test_installed_labkit_finds_its_demo_data_and_gives_the_same_numbers"
    ),
    ".venv/bin/labkit open": (
        "tests/setup/test_installed.py::test_installed_lab_serves_its_start_page_and_a_page_with_controls"
    ),
}
"""The only commands that pages may leave unrun, and the test that runs each."""

PAGES = [
    page
    for page in [ROOT / "README.md", ROOT / "DEVELOPERS.md", *sorted((ROOT / "docs").glob("**/*.md"))]
    if page.relative_to(ROOT).as_posix() not in RUN_ELSEWHERE and snippets.languages(page) & {"sh", "python"}
]


def name_of(page: Path) -> str:
    return page.relative_to(ROOT).as_posix()


@pytest.mark.parametrize("page", PAGES, ids=name_of)
def test_a_page_can_be_followed_to_the_letter(page):
    home = Path.home()
    with snippets.fresh_folder():
        assert Path.home() != home, "a page must not see the reader's own files"
        not_run = snippets.run_page(page).not_run
    for command, _reason in not_run:
        assert command in NOT_RUN, f"'{command}' is run by no test: run it, or name the test that does in NOT_RUN"


def test_commands_that_pages_leave_unrun_are_run_by_other_tests():
    for covered in [*NOT_RUN.values(), *RUN_ELSEWHERE.values()]:
        file, _, test = covered.partition("::")
        assert f"def {test}(" in (ROOT / file).read_text(encoding="utf-8") if test else (ROOT / file).is_file(), covered


FOLLOWED = """Save as `lead.toml`:

<!-- file: lead.toml -->
```toml
sheet = "cable"
```

```sh
cat lead.toml    # a comment
```

```text
sheet = ...
```

```python
turns = 8000
```

```python
print(f"  {turns}")
```

```text
  8000
```

<!-- exit code: 2 -->
```sh
labkit pickup "no such"
```

<!-- not run: opens the lab -->
```sh
make lab
```
"""

FAULTS = {
    "an output that differs": ("text\n  8000", "text\n8000", "prints something else"),
    "an exit code that differs": ("exit code: 2", "exit code: 1", "ends with 2 instead of 1"),
    "a file the reader is not told of": ("Save as `lead.toml`", "Save it", "tell the reader to save it"),
    "a command that needs a shell": ("cat lead.toml ", "cat lead.toml | less", "needs a shell"),
    "a command that is not known": ("<!-- not run: opens the lab -->", "", "'make' is not run here"),
    "a file that is not there": ("cat lead.toml", "cat led.toml", "No such file"),
}


@pytest.fixture
def page(tmp_path):
    def write(text: str) -> Path:
        path = tmp_path / "page.md"
        path.write_text(text, encoding="utf-8")
        return path

    return write


def test_files_outputs_exit_codes_and_names_carry_through_a_page(page):
    with snippets.fresh_folder():
        assert snippets.run_page(page(FOLLOWED)).not_run == [("make lab", "opens the lab")]


@pytest.mark.parametrize("fault", FAULTS)
def test_a_page_that_lies_is_found_out(page, fault):
    right, wrong, message = FAULTS[fault]
    assert right in FOLLOWED
    path = page(FOLLOWED.replace(right, wrong))
    with snippets.fresh_folder(), pytest.raises((AssertionError, OSError), match=message):
        snippets.run_page(path)


def test_correcting_a_page_writes_what_is_printed_and_keeps_what_fits(page):
    path = page(FOLLOWED.replace("  8000\n```\n\n<!-- exit", "one\ntwo\n```\n\n<!-- exit"))
    assert snippets.correct(path) == 1
    assert path.read_text(encoding="utf-8") == FOLLOWED


def test_a_page_leaves_folder_and_environment_as_they_were():
    folder, environment = Path.cwd(), dict(os.environ)
    with snippets.fresh_folder() as fresh:
        os.environ["LABKIT_CATALOGUE"] = "elsewhere"
        assert Path.cwd() == fresh.resolve()
    assert (Path.cwd(), dict(os.environ)) == (folder, environment)
    assert not fresh.exists()
