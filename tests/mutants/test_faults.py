"""The kept list of faults can still be planted, and planting tells what the tests notice and leaves the tree alone."""

from __future__ import annotations

import ast
import re
import subprocess
import sys
from collections import Counter
from pathlib import Path

import pytest

from tests.mutants.planting import Fault, out_of_date, read_faults

FAULTS = read_faults()

SUMS = '''"""Sums."""

SCALE = 2


def doubled(number: int) -> int:
    return SCALE * number


def tripled(number: int) -> int:
    return 3 * number
'''
TESTS = """from pathlib import Path

import shop.sums


def test_doubled():
    assert shop.sums.doubled(2) == 4


def test_tripled():
    assert shop.sums.tripled(0) == 0


def test_the_copy_is_what_is_tested():
    assert not Path(shop.sums.__file__).is_relative_to({root!r})
"""


def test_every_fault_of_the_list_can_be_planted(project_root: Path) -> None:
    assert not out_of_date(FAULTS, project_root)


@pytest.mark.parametrize("area", ["core", "circuit", "pickup", "rig", "bench", "sound", "study", "cases", "app"])
def test_every_area_has_its_faults(area: str) -> None:
    assert any(fault.area == area for fault in FAULTS)


def test_no_fault_is_listed_twice() -> None:
    names = Counter(fault.name for fault in FAULTS)
    changes = Counter((fault.module, fault.before, fault.after) for fault in FAULTS)
    assert [what for what, count in (names | changes).items() if count > 1] == []


def test_every_test_that_a_fault_names_exists(project_root: Path) -> None:
    missing = []
    for test in sorted({test for fault in FAULTS for test in fault.tests}):
        file, _, name = test.partition("::")
        path = project_root / file
        is_there = path.exists()
        if is_there and name:
            called = {
                each.name
                for each in ast.walk(ast.parse(path.read_text(encoding="utf-8")))
                if isinstance(each, ast.FunctionDef | ast.ClassDef)
            }
            is_there = set(re.sub(r"\[.*", "", name).split("::")) <= called
        if not is_there:
            missing.append(test)
    assert missing == []


@pytest.mark.parametrize(
    ("changed", "sentence"),
    [
        ({"module": "shop.products"}, "there is no module shop.products"),
        ({"before": "4 * number"}, "must stand once in shop.sums; it stands there 0 times"),
        ({"before": "number: int"}, "it stands there 2 times"),
        ({"after": "3 *"}, "does not compile"),
        ({"after": "(3 * number)"}, "means the same"),
    ],
)
def test_an_entry_that_is_out_of_date_is_named(tmp_path: Path, changed: dict[str, str], sentence: str) -> None:
    (tmp_path / "shop").mkdir()
    (tmp_path / "shop" / "sums.py").write_text(SUMS, encoding="utf-8")
    kept = {"name": "three is four", "module": "shop.sums", "before": "3 * number", "after": "4 * number"}
    assert out_of_date([Fault(**kept, tests=())], tmp_path) == []
    (told,) = out_of_date([Fault(**{**kept, **changed}, tests=())], tmp_path)
    assert told.startswith("'three is four': ")
    assert sentence in told


@pytest.fixture(scope="module")
def shop(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A tree with one module and its tests, one of which cannot notice anything."""
    root = tmp_path_factory.mktemp("shop")
    for name, text in {
        "shop/__init__.py": "",
        "shop/sums.py": SUMS,
        "tests/__init__.py": "",
        "tests/test_sums.py": TESTS.replace("{root!r}", repr(str(root))),
        "pyproject.toml": "[tool.pytest.ini_options]\n",
    }.items():
        (root / name).parent.mkdir(exist_ok=True)
        (root / name).write_text(text, encoding="utf-8")
    return root


def planted(shop: Path, tmp_path: Path, *faults: str) -> tuple[int, list[str]]:
    """Run the command on a list of faults; return its exit code and what it printed, line by line."""
    path = tmp_path / "faults.toml"
    path.write_text("".join(f'[[fault]]\n{fault}tests = ["tests"]\n' for fault in faults), encoding="utf-8")
    command = [sys.executable, "-m", "tests.mutants", "--list", str(path), "--root", str(shop), "--workers", "1"]
    done = subprocess.run(command, capture_output=True, text=True, check=False, cwd=Path(__file__).parents[2])
    return done.returncode, (done.stdout + done.stderr).splitlines()


KILLED = 'name = "two is three"\nmodule = "shop.sums"\nbefore = "SCALE = 2"\nafter = "SCALE = 3"\n'
ALIVE = 'name = "three is four"\nmodule = "shop.sums"\nbefore = "3 * number"\nafter = "4 * number"\n'
CRASHES = 'name = "no module at all"\nmodule = "shop.sums"\nbefore = "SCALE = 2"\nafter = "SCALE = 2 / 0"\n'


def test_what_the_tests_notice_and_what_they_let_live_is_told_and_the_tree_stays(shop: Path, tmp_path: Path) -> None:
    before = {path: path.read_bytes() for path in shop.rglob("*") if path.is_file()}
    code, printed = planted(shop, tmp_path, KILLED, ALIVE, CRASHES)
    told = "\n".join(printed)
    assert code == 1
    assert re.search(r"^killed +sums +two is three: tests/test_sums.py::test_doubled$", told, re.MULTILINE)
    assert re.search(r"^survived +sums +three is four: none of tests$", told, re.MULTILINE)
    assert re.search(r"^not judged +sums +no module at all: pytest ended with 2:$", told, re.MULTILINE)
    assert printed[-1] == "3 faults planted, 1 killed, 2 survived or not judged"
    assert {path: path.read_bytes() for path in shop.rglob("*") if path.is_file()} == before


def test_nothing_left_alive_is_success(shop: Path, tmp_path: Path) -> None:
    assert planted(shop, tmp_path, KILLED)[0] == 0


def test_a_test_that_fails_without_the_fault_as_well_judges_nothing(shop: Path, tmp_path: Path) -> None:
    (shop / "tests" / "test_broken.py").write_text("def test_broken():\n    assert False\n", encoding="utf-8")
    code, printed = planted(shop, tmp_path, KILLED)
    (shop / "tests" / "test_broken.py").unlink()
    assert code == 1
    assert "tests/test_broken.py::test_broken fails without the fault as well" in printed[-2]
    assert printed[-1] == "1 faults planted, 0 killed, 1 survived or not judged"


def test_an_entry_out_of_date_stops_the_command_before_anything_is_planted(shop: Path, tmp_path: Path) -> None:
    code, printed = planted(shop, tmp_path, KILLED, ALIVE.replace("3 * number", "5 * number"))
    assert code == 1
    assert printed == ["'three is four': the text before must stand once in shop.sums; it stands there 0 times"]
