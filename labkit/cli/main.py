"""The ``labkit`` command: loads a command's module when it is used, and turns errors into one readable line."""

from __future__ import annotations

import contextlib
import os
import sys
from importlib import import_module
from typing import Any, TextIO

import click

from labkit import __version__
from labkit.core.errors import LabkitError, did_you_mean

DONE, CHECK_FAILED, BAD_INPUT, INTERRUPTED, BUG = 0, 1, 2, 130, 70

COMMANDS: dict[str, str] = {
    "open": "labkit.cli.open_command:open_lab",
    "site": "labkit.cli.site_command:site",
    "response": "labkit.cli.response_command:response",
    "pickup": "labkit.cli.pickup_command:pickup",
    "formula": "labkit.cli.formula_command:formula",
    "netlist": "labkit.cli.formula_command:netlist",
    "schematic": "labkit.cli.schematic_command:schematic",
    "wiring": "labkit.cli.wiring_command:wiring",
    "own-wiring": "labkit.cli.wiring_command:own_wiring_command",
    "render": "labkit.cli.sound_commands:render",
    "convert": "labkit.cli.sound_commands:convert",
    "impulse": "labkit.cli.sound_commands:impulse",
    "blind": "labkit.cli.sound_commands:blind",
    "sweep": "labkit.cli.sweep_commands:sweep",
    "shim": "labkit.cli.shim_command:shim",
    "fit": "labkit.cli.bench_commands:fit",
    "diagnose": "labkit.cli.bench_commands:diagnose",
    "reproduce": "labkit.cli.bench_commands:reproduce",
    "turns": "labkit.cli.bench_answers:turns",
    "open-coil": "labkit.cli.bench_answers:open_coil",
    "hum": "labkit.cli.bench_answers:hum",
    "balance": "labkit.cli.bench_answers:balance",
    "book": "labkit.cli.book_command:book",
    "tolerance": "labkit.cli.study_commands:tolerance",
    "search": "labkit.cli.study_commands:search",
    "report": "labkit.cli.report_command:report",
    "cases": "labkit.cli.cases_command:cases",
    "catalogue": "labkit.cli.catalogue_command:catalogue",
    "schema": "labkit.cli.schema_command:schema",
    "completion": "labkit.cli.completion_command:completion",
}
"""Where each command lives; the order is that of a pickup's life and of ``labkit --help``."""


class _ReaderGoneError(Exception):
    """Whoever read the output has had enough, as `head` has."""


def coloured(text: str, colour: str, stream: TextIO | None = None) -> str:
    """Return a text in a colour where the stream, standard output by default, is a terminal and NO_COLOR is not set."""
    is_plain = os.environ.get("NO_COLOR") or os.environ.get("TERM") == "dumb"
    return text if is_plain or not (stream or sys.stdout).isatty() else click.style(text, fg=colour)


class WholeHelpGroup(click.Group):
    """Commands listed with their whole first sentence, which click would cut at the width of a line."""

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        found = [(name, self.get_command(ctx, name)) for name in self.list_commands(ctx)]
        with formatter.section("Commands"):
            formatter.write_dl([(name, one.get_short_help_str(limit=1000)) for name, one in found if one is not None])

    def resolve_command(
        self, ctx: click.Context, args: list[str]
    ) -> tuple[str | None, click.Command | None, list[str]]:
        known = self.list_commands(ctx)
        if args and args[0] not in known and not args[0].startswith("-"):
            raise click.UsageError(f"no command is named '{args[0]}'.{did_you_mean(args[0], known)}")
        return super().resolve_command(ctx, args)


class _LazyGroup(WholeHelpGroup):
    def invoke(self, ctx: click.Context) -> Any:
        try:
            return super().invoke(ctx)
        except BrokenPipeError:  # click's own answer is 1, which here means that a check failed
            raise _ReaderGoneError from None

    def list_commands(self, ctx: click.Context) -> list[str]:
        return list(COMMANDS)

    def get_command(self, ctx: click.Context, name: str) -> click.Command | None:
        if name not in COMMANDS:
            return None
        module, _, attribute = COMMANDS[name].partition(":")
        command: click.Command = getattr(import_module(module), attribute)
        return command


def _say_version(ctx: click.Context, _: click.Parameter, wanted: bool) -> None:
    if not wanted or ctx.resilient_parsing:
        return
    from labkit.circuit.solve.fast import version_line

    click.echo(f"labkit, version {__version__}\n{version_line()}")
    ctx.exit()


@click.group(cls=_LazyGroup, context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100})
@click.option(
    "--version",
    is_flag=True,
    expose_value=False,
    is_eager=True,
    callback=_say_version,
    help="Show the version and exit.",
)
def labkit() -> None:
    """Predict, hear, measure and compare electric-guitar pickups in a real rig."""


def _usage_sentence(error: click.ClickException) -> str:
    """Return what is wrong with the words of a command; where one is missing or one too many, with what it takes."""
    said = (
        error.format_message().replace("a valid integer range", "a whole number").replace("a valid float", "a number")
    )
    if isinstance(error, click.MissingParameter) and isinstance(error.param, click.Option):
        return f"{said.rstrip('.')}: {error.param.help}"
    is_missing = isinstance(error, click.MissingParameter)
    if isinstance(error, click.UsageError) and error.ctx and (is_missing or "unexpected extra argument" in said):
        words = (error.ctx.command_path, *error.ctx.command.collect_usage_pieces(error.ctx))
        return f"{said.rstrip('.')}; write: {' '.join(words)}"
    return said


def main(arguments: list[str] | None = None) -> int:
    """Run the command line and return its exit code: 0 done, 1 a check failed, 2 bad input."""
    _use_utf8()
    if "_LABKIT_COMPLETE" in os.environ:
        import_module("labkit.cli.completion_command")  # says how each shell takes a completion
    try:
        result = labkit.main(args=arguments, prog_name="labkit", standalone_mode=False)
        code = result if isinstance(result, int) else DONE
    except click.exceptions.Abort:
        code = _say("stopped", INTERRUPTED)
    except click.ClickException as error:
        code = _say(_usage_sentence(error), BAD_INPUT)
    except LabkitError as error:
        code = _say(str(error), BAD_INPUT)
    except _ReaderGoneError:
        _drop(sys.stdout)
        code = DONE
    except OSError as error:
        place = f"{error.filename}: " if error.filename else "the output: "
        code = _say(f"{place}cannot be read or written ({error.strerror or error})", BAD_INPUT)
        _drop(sys.stdout)
    except KeyboardInterrupt:
        code = _say("stopped", INTERRUPTED)
    except Exception as error:
        if os.environ.get("LABKIT_DEBUG"):
            raise
        code = _say(
            f"this should not have happened ({type(error).__name__}: {error}); "
            "run it again with LABKIT_DEBUG=1 and report it",
            BUG,
        )
    if arguments is None:
        sys.exit(code)
    return code


def _say(sentence: str, code: int) -> int:
    try:
        click.echo(f"{coloured('labkit:', 'red', sys.stderr)} {' '.join(sentence.split())}", err=True)
    except OSError:
        _drop(sys.stderr)  # where nobody can be told, the exit code still tells
    return code


def _drop(stream: TextIO) -> None:
    """Let what is still to be written to a stream vanish, so that the end of the process does not fail on it."""
    with contextlib.suppress(OSError, ValueError):
        try:
            stream.flush()
        except OSError:
            os.dup2(os.open(os.devnull, os.O_WRONLY), stream.fileno())


def _use_utf8() -> None:
    for stream in (sys.stdout, sys.stderr):
        if hasattr(stream, "reconfigure") and (stream.encoding or "").lower().replace("-", "") != "utf8":
            stream.reconfigure(encoding="utf-8", errors="replace")
