"""``labkit report``: the printable paper of a sheet, one HTML file that asks for nothing outside itself."""

from __future__ import annotations

from dataclasses import replace

import click

from labkit.catalogue import find_sheet
from labkit.cli.completion_command import names_of
from labkit.cli.options import Output, result_options, set_option
from labkit.cli.with_book import FromBook, with_book_options
from labkit.core.errors import InputError
from labkit.core.sheet import Table
from labkit.core.units import name_and_value, parse_quantity
from labkit.rig.inputs import rig_inputs
from labkit.rig.rig import Rig
from labkit.rig.sheet import is_netlist, load_rig, set_value

KINDS = ("rig", "pickup")


@click.command()
@click.argument("sheet", **names_of("rig"))
@result_options(json=False)
@set_option
@click.option(
    "--against",
    metavar="SHEET",
    help="Another rig, or another pickup: the paper then shows before (SHEET) and after (this).",
)
@click.option(
    "--paper",
    type=click.Choice(("customer", "build", "fit")),
    help="Which paper, where a sheet gives several: a build gives build and customer, values give customer and fit.",
)
@click.option("--temperature", metavar="CELSIUS", default="20", help="Of the room where a pickup will be read.")
@click.option("--number", default="", help="Number of the paper or the order.")
@click.option("--date", default="", help="Printed as it is written; a line to fill in where left out.")
@click.option("--shop", default="", help="Name of the shop; a line to fill in where left out.")
@with_book_options
def report(
    sheet: str,
    out: Output,
    changes: tuple[str, ...],
    against: str | None,
    paper: str | None,
    temperature: str,
    number: str,
    date: str,
    shop: str,
    from_book: FromBook,
) -> None:
    """Printable page (HTML) of a rig or pickup SHEET.

    A rig gives the customer sheet; with --set or --against it shows the curve before and after. A pickup's build gives
    the winder's sheet, a pickup's values the customer sheet or the record of the fit; --against another pickup gives
    what changes between the two, with bounds. With --against, --set changes the other one. With --book, what is built
    is predicted as the workshop's own coils turned out. SHEET is a path or a name in the catalogue.
    """
    from labkit.pickup.predict.built import BuiltPickup, built_pickup
    from labkit.pickup.predict.sheet import is_build_sheet
    from labkit.report.paper_page import PaperHead
    from labkit.report.sheet_paper import pickup_change_html, pickup_paper_html, rig_paper_html

    def predicted(table: Table) -> BuiltPickup:
        built, known = from_book.of_pickup(built_pickup(table))
        if known is None:
            return built
        return replace(built, warnings=(*built.warnings, f"with the workshop book: {known.sentence}"))

    head = PaperHead(number=number, date=date, shop=shop)
    table = None if is_netlist(sheet) else find_sheet(sheet, *KINDS)
    other = None if against is None or is_netlist(against) else find_sheet(against, *KINDS)
    kind, other_kind = ("rig" if each is None else str(each.data.get("sheet")) for each in (table, other))
    if against is not None and other_kind != kind:
        raise InputError(
            f"--against compares two rigs or two pickups; '{sheet}' is a {kind} and '{against}' a {other_kind}"
        )
    if table is None or kind == "rig":
        if paper not in (None, "customer"):
            raise InputError(f"a rig gives the customer paper only; '--paper {paper}' needs a pickup sheet")
        rig = load_rig(sheet)
        changed, label, other_label = _after(rig, changes, against)
        rig, changed = from_book.of_rig(rig)[0], changed and from_book.of_rig(changed)[0]
        html = rig_paper_html(rig, other=changed, label=label, other_label=other_label, head=head)
    elif other is not None:
        if paper not in (None, "customer"):
            raise InputError(f"two pickups give the customer paper only; leave '--paper {paper}' or --against out")
        before, after = predicted(table), predicted(_with_keys(other, changes))
        html = pickup_change_html(before, after, head=head)
    else:
        if not is_build_sheet(table):
            predicted(table)  # a book is refused: it has nothing to say of values
        html = pickup_paper_html(
            _with_keys(table, changes),
            paper,  # type: ignore[arg-type]
            temperature_c=_celsius(temperature),
            head=head,
            predict=predicted,
        )
    out.emit(html)


def _after(before: Rig, changes: tuple[str, ...], against: str | None) -> tuple[Rig | None, str, str]:
    """The rig after the change, and what each curve is called; None where nothing changes."""
    if against is None and not changes:
        return None, "", ""
    after = before if against is None else load_rig(against)
    words = []
    for change in changes:
        name, value = name_and_value(change, _CHANGE)
        after = set_value(after, name, value)
        known = rig_inputs(after).get(name)
        value = value if known is None else known.text(known.value)
        words.append(f"{name.replace('_', ' ').replace('.', ' ')} {value}")
    if against is None:
        return after, "as it is", ", ".join(words)
    return after, "", f"{after.name}: {', '.join(words)}" if words else ""


def _with_keys(table: Table, changes: tuple[str, ...]) -> Table:
    from labkit.pickup.predict.sheet import with_changes

    return with_changes(table, dict(name_and_value(change, _CHANGE) for change in changes)) if changes else table


_CHANGE = "--set takes NAME=VALUE, such as volume=5 or coil.main.turns=7500"


def _celsius(text: str) -> float:
    value = parse_quantity(text if text.rstrip().endswith("C") else f"{text}°C", "°C")
    if not -20 <= value <= 60:
        raise InputError(f"--temperature must lie between -20 and 60 °C, where coils are read; got '{text}'")
    return value
