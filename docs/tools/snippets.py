"""Run what the pages of the documentation tell a reader to type, in order, in a fresh folder.

Blocks of one page share the folder, and its ``python`` blocks one namespace. What is shown in a ``text`` block directly
after an ``sh`` or ``python`` block is what must be printed; ``...`` stands for anything, as in doctest. Comments that a
reader does not see steer the rest, each directly before a block:

``<!-- file: NAME -->``
    The block is written to this file, whose name the text above must mention.
``<!-- exit code: N -->``
    The last command of the block ends with this code instead of 0.
``<!-- not run: REASON -->``
    The block is left alone; `tests/docs/test_snippets.py` says which test covers its commands.

Sybil finds the blocks and runs the Python; what a terminal does is done here, in this process, since starting labkit
anew for each of a hundred commands would take minutes.

`python -m docs.tools.snippets PAGE …` runs pages and writes what was printed into their ``text`` blocks; a block with
``...`` is kept if it still fits.
"""

from __future__ import annotations

import contextlib
import doctest
import io
import os
import re
import shlex
import shutil
import sys
import tempfile
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path

from sybil import Document, Example, Region, Sybil
from sybil.evaluators.python import PythonEvaluator
from sybil.parsers.markdown.lexers import FencedCodeBlockLexer

from labkit.cli.main import main as labkit_main

ROOT = Path(__file__).resolve().parents[2]
IN_A_CLONE = ("labkit/data/demo_sweeps",)
"""What a page may read by its path in a clone; copied into the page's folder."""

_COMMENT = re.compile(r"<!-- (file|exit code|not run): (.+?) -->\s*\Z")
_REFUSED = re.compile(r"[$`*|;&<>]")


class SnippetError(AssertionError):
    """A page says something that does not happen."""


@dataclass
class Page:
    """What the blocks of a page leave behind for the next ones."""

    printed: str | None = None
    before: tuple[int, int] | None = None
    not_run: list[tuple[str, str]] = field(default_factory=list)
    corrections: list[tuple[int, int, str]] = field(default_factory=list)
    correcting: bool = False


def run_page(path: Path, *, correcting: bool = False) -> Page:
    """Run a page in the present folder; with `correcting`, note what was printed instead of comparing it."""
    page = Page(correcting=correcting)
    for example in _read(path).examples():
        example.namespace.setdefault("__name__", "__main__")
        example.namespace["page"] = page
        try:
            example.evaluate()
        except SnippetError as error:
            raise SnippetError(f"{path.name}, line {example.line}: {error}") from None
    return page


def languages(path: Path) -> set[str]:
    """Return the languages of a page's blocks."""
    return {example.region.lexemes["language"] for example in _read(path).examples()}


def _read(path: Path) -> Document:
    return Sybil(parsers=[_blocks]).parse(path)


def _blocks(document: Document) -> Iterator[Region]:
    for region in FencedCodeBlockLexer(language=r"\w+")(document):
        region.parsed = region.lexemes["source"]
        if region.lexemes["language"] == "text":
            start, end = _inside(document.text, region)
            indent = re.match(r"[ \t]*", document.text[region.start :])[0]
            lines = document.text[start:end].splitlines()
            # the lexer takes away what all lines are indented by; in an output that would be part of it
            region.parsed = "".join(f"{line.removeprefix(indent)}\n" for line in lines)
        region.evaluator = _evaluate
        yield region


def _inside(text: str, region: Region) -> tuple[int, int]:
    """Where the lines between the fences begin and end."""
    return text.index("\n", region.start) + 1, text.rindex("\n", region.start, region.end) + 1


def _evaluate(example: Example) -> None:
    page: Page = example.namespace.pop("page")
    region, text = example.region, example.document.text
    language = region.lexemes["language"]
    comment = _COMMENT.search(text[: region.start])
    key, value = comment.groups() if comment else ("", "")
    if key == "not run":
        page.not_run += [(line, value) for line in _commands(example.parsed)]
        page.printed = None
    elif key == "file":
        _write(value, example.parsed, text[: comment.start()])
        page.printed = None
    elif language == "sh":
        page.printed = _run_commands(example.parsed, int(value) if key == "exit code" else 0)
        page.before = (region.start, region.end)
    elif language == "python":
        with _listening() as heard:
            PythonEvaluator()(example)
        page.printed = heard()
        page.before = (region.start, region.end)
    elif language == "text" and page.printed is not None and not text[page.before[1] : region.start].strip():
        _compare(page, example)
        page.printed = None


def _compare(page: Page, example: Example) -> None:
    printed, expected = _trimmed(page.printed), _trimmed(example.parsed)
    if doctest.OutputChecker().check_output(expected, printed, doctest.ELLIPSIS):
        return
    if page.correcting:
        page.corrections.append((*_inside(example.document.text, example.region), printed))
        return
    difference = doctest.OutputChecker().output_difference(
        doctest.Example("", expected), printed, doctest.ELLIPSIS | doctest.REPORT_UDIFF
    )
    raise SnippetError(f"prints something else\n{difference}")


def _trimmed(text: str) -> str:
    """Return text without spaces at the ends of lines, which no reader sees and every editor removes."""
    return "".join(f"{line.rstrip()}\n" for line in text.rstrip().splitlines())


def _write(name: str, content: str, above: str) -> None:
    if f"`{name}`" not in above:
        raise SnippetError(f"the text above the block must tell the reader to save it as `{name}`")
    Path(name).parent.mkdir(parents=True, exist_ok=True)
    Path(name).write_text(content, encoding="utf-8")


def _commands(source: str) -> list[str]:
    """Return the commands of a block: one a line, joined where a line ends with a backslash, without comments."""
    lines = (re.sub(r"(^|\s)#.*", "", line) for line in source.replace("\\\n", " ").splitlines())
    return [" ".join(line.split()) for line in lines if line.strip()]


def _run_commands(source: str, last_code: int) -> str:
    commands = _commands(source)
    printed = ""
    for number, command in enumerate(commands, start=1):
        if _REFUSED.search(command):
            raise SnippetError(f"'{command}' needs a shell; a page uses plain commands")
        words = shlex.split(command)
        with _listening() as heard:
            code = _run(words)
        printed += heard()
        expected = last_code if number == len(commands) else 0
        if code != expected:
            raise SnippetError(f"'{command}' ends with {code} instead of {expected}:\n{heard()}")
    return printed


def _run(words: Sequence[str]) -> int:
    variables = [word for word in words if re.match(r"[A-Z_]+=", word)]
    name, *arguments = words[len(variables) :]
    before = dict(os.environ)
    os.environ.update(dict(word.split("=", 1) for word in variables))
    try:
        if name == "labkit":
            return labkit_main(arguments)
        if name == "cat":
            for argument in arguments:
                sys.stdout.write(Path(argument).read_text(encoding="utf-8"))
        elif name == "cp":
            *sources, target = arguments
            for argument in sources:
                shutil.copy(argument, target)
        elif name == "mkdir":
            Path(arguments[-1]).mkdir(parents="-p" in arguments)
        elif name == "cd":
            os.chdir(arguments[0])
        else:
            raise SnippetError(f"'{name}' is not run here; mark the block <!-- not run: reason -->")
    finally:
        os.environ.clear()
        os.environ.update(before)
    return 0


@contextlib.contextmanager
def _listening() -> Iterator:
    """Collect what is printed, on standard output and standard error together, as a terminal shows it."""
    heard = io.TextIOWrapper(io.BytesIO(), encoding="utf-8", write_through=True, newline="")
    with contextlib.redirect_stdout(heard), contextlib.redirect_stderr(heard):
        yield lambda: heard.buffer.getvalue().decode("utf-8")


@contextlib.contextmanager
def fresh_folder() -> Iterator[Path]:
    """Work in a new folder that looks like a clone, with a home and user folders of its own."""
    kept, folder_before = dict(os.environ), Path.cwd()
    with tempfile.TemporaryDirectory(prefix="labkit-page-") as name:
        clone, home = Path(name) / "clone", Path(name) / "home"
        home.mkdir()
        for part in IN_A_CLONE:
            shutil.copytree(ROOT / part, clone / part)
        for variable in [variable for variable in os.environ if variable.startswith("LABKIT_")]:
            del os.environ[variable]
        os.environ["HOME"] = str(home)
        for variable in ("XDG_CONFIG_HOME", "XDG_DATA_HOME", "XDG_CACHE_HOME", "XDG_STATE_HOME"):
            os.environ[variable] = str(home / variable.lower())
        os.chdir(clone)
        try:
            yield clone
        finally:
            os.chdir(folder_before)
            os.environ.clear()
            os.environ.update(kept)


def correct(path: Path) -> int:
    """Write what is printed today into the ``text`` blocks of a page, and return how many changed."""
    path = path.resolve()
    text = path.read_text(encoding="utf-8")
    with fresh_folder():
        page = run_page(path, correcting=True)
    for start, end, printed in reversed(page.corrections):
        text = text[:start] + printed + text[end:]
    path.write_text(text, encoding="utf-8")
    return len(page.corrections)


if __name__ == "__main__":
    for argument in sys.argv[1:]:
        print(f"{argument}: {correct(Path(argument))} blocks corrected")
