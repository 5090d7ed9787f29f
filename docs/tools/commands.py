"""Generates the page of commands from the commands themselves: usage, arguments, options and exit codes.

python -m docs.tools.commands
"""

from __future__ import annotations

import inspect
import re
from pathlib import Path

import click

from docs.tools.tables import table, with_options_as_code
from labkit.cli.main import BAD_INPUT, BUG, CHECK_FAILED, COMMANDS, DONE, INTERRUPTED, labkit
from labkit.study.questions.question import Question
from labkit.study.questions.ready import QUESTIONS

PAGE = Path(__file__).resolve().parents[1] / "reference" / "commands.md"

EXIT_CODES = {
    DONE: "done",
    CHECK_FAILED: "done, and a check failed: the sentence says which",
    BAD_INPUT: "bad input: one readable line on standard error, nothing written",
    INTERRUPTED: "stopped from the keyboard; long studies keep what they have with `--record`",
    BUG: "a fault of labkit itself: run it again with `LABKIT_DEBUG=1` and report what it prints",
}

FAILS = {
    "sweep check": "a recording cannot be used",
    "book check": "the file is damaged",
    "book judge": "a coil is likely to be faulty",
    "diagnose": "a reading does not fit the plan",
    "tolerance": "fewer variants than `--least-share` keep the windows",
    "search": "the goal was understood and nothing meets it",
    "cases": "a reference case lies outside its tolerance, or could not be run",
    "catalogue": "with `--check`: a sheet cannot be used",
}
"""Commands that can end with exit code 1, and when."""

HEAD = """# Commands

Generated from the commands by `python -m docs.tools.commands`; `labkit COMMAND --help` says the same in the terminal.

SHEET is always the path of a [sheet](sheets.md) or a name in the [catalogue](catalogue.md). Quantities are text with a
unit (`47n`, `4k7`, `5 m`, `10 %`). `--json` prints SI numbers with the unit in the [key](json.md). An existing file is
overwritten only with `--force`, and a command that fails leaves no file half-written.

## Exit codes
"""


def generate() -> str:
    """Return the text of the page."""
    codes = table(("code", "meaning"), ((str(code), meaning) for code, meaning in EXIT_CODES.items()))
    ones = "\n".join(f"- `labkit {name}`: {when}." for name, when in FAILS.items())
    parts = [HEAD, codes, "", "Code 1 comes from:", "", ones, ""]
    context = click.Context(labkit, info_name="labkit")
    for name in COMMANDS:
        command = labkit.get_command(context, name)
        assert command is not None
        parts += _section(command, context, name)
    return "\n".join(parts).rstrip() + "\n"


def _section(command: click.Command, parent: click.Context, name: str, level: int = 2) -> list[str]:
    context = click.Context(command, parent=parent, info_name=name)
    usage = " ".join(context.command.collect_usage_pieces(context))
    lines = [f"{'#' * level} `{context.command_path.removeprefix('labkit ')}`", ""]
    lines += ["```text", f"{context.command_path} {usage}", "```", "", *_words(command.help or ""), ""]
    options = [parameter for parameter in command.params if isinstance(parameter, click.Option)]
    rows = [_option(option, context) for option in options]
    if rows:
        lines += [table(("option", "what it does"), rows), ""]
    if name == "search":
        heads = ("ready question", "asks", "takes", "rests on")
        lines += [table(heads, map(_question, QUESTIONS.values())), ""]
    if isinstance(command, click.Group):
        for sub in command.list_commands(context):
            found = command.get_command(context, sub)
            assert found is not None
            lines += _section(found, context, sub, level + 1)
    return lines


def _question(question: Question) -> tuple[str, ...]:
    takes = "; ".join(f"`--{each.name}` {each.terms}".strip() for each in question.inputs)
    return f"`{question.name}`", question.asks, takes, question.rests_on


def _words(text: str) -> list[str]:
    """The help text: paragraphs joined into lines, blocks that keep their lines as preformatted text."""
    lines = []
    for paragraph in inspect.cleandoc(text).split("\n\n"):
        if paragraph.startswith("\b"):
            lines += ["```text", paragraph.lstrip("\b\n"), "```", ""]
        else:
            words = " ".join(paragraph.split())
            lines += [with_options_as_code(words), ""]
    return lines[:-1]


def _option(option: click.Option, context: click.Context) -> tuple[str, str]:
    record = option.get_help_record(context)
    assert record is not None
    written = re.sub(r"INTEGER RANGE|FLOAT RANGE|INTEGER", "NUMBER", record[0])
    words, bracket, extra = record[1].rpartition("  [")
    if not bracket:
        return f"`{written}`", with_options_as_code(record[1])
    remarks = "; ".join(map(_remark, extra.removesuffix("]").split("; ")))
    return f"`{written}`", f"{with_options_as_code(words)} ({remarks})"


def _remark(text: str) -> str:
    """What click puts in brackets behind a help text: a default, a range, "required"."""
    if match := re.fullmatch(r"(.+)<=x<=(.+)", text):
        return f"{match[1]} to {match[2]}"
    if match := re.fullmatch(r"x>=(.+)", text):
        return f"{match[1]} or more"
    if text.startswith("default: "):
        return f"default `{text.removeprefix('default: ')}`"
    return text


if __name__ == "__main__":
    PAGE.write_text(generate(), encoding="utf-8")
