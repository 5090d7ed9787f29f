"""``labkit completion``: the lines that make a shell complete commands, options and names of the catalogue."""

from __future__ import annotations

import re
from typing import Any

import click
from click.shell_completion import BashComplete, CompletionItem, add_completion_class, get_completion_class

SHELLS = ("bash", "zsh", "fish")


class _QuotingBash(BashComplete):
    """Bash puts a completion into the line as it stands: blanks need a backslash there, which its ``read`` halves."""

    def format_completion(self, item: CompletionItem) -> str:
        if item.type != "plain":
            return super().format_completion(item)
        quoted = re.sub(r"([\s'\"()&;|<>$`\\*?])", r"\\\\\1", item.value)
        return f"{item.type},{quoted}"


add_completion_class(_QuotingBash)


def names_of(kind: str) -> dict[str, Any]:
    """Return what an argument needs to complete names of the catalogue, and paths of files where none begins so."""

    def complete(_context: click.Context, _parameter: click.Parameter, begun: str) -> list[CompletionItem]:
        from labkit.catalogue import catalogue

        found = [name for name in catalogue().names(kind) if name.lower().startswith(begun.lower())]
        return [CompletionItem(name) for name in found] or [CompletionItem(begun, type="file")]

    return {"shell_complete": complete}


@click.command()
@click.argument("shell", type=click.Choice(SHELLS))
def completion(shell: str) -> None:
    """Print what makes a SHELL complete commands, options and names of the catalogue with the tab key.

    For bash, put this line into ~/.bashrc: eval "$(labkit completion bash)". For zsh, the same with zsh into ~/.zshrc.
    For fish, into ~/.config/fish/config.fish: labkit completion fish | source
    """
    from labkit.cli.main import labkit

    made = get_completion_class(shell)
    assert made is not None, shell  # click brings all of SHELLS
    click.echo(_script(made(labkit, {}, "labkit", "_LABKIT_COMPLETE")))


def _script(made: object) -> str:
    """Return the script without asking which shell is installed, which the one who evaluates it knows."""
    return str(made.source_template % made.source_vars())  # type: ignore[attr-defined]
