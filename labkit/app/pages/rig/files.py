"""What the rig page saves and prints: curve, schematic, netlist, rig sheet, formula, customer sheet."""

from __future__ import annotations

from collections.abc import Callable

from labkit.app.kit.curve_files import offer_curves
from labkit.app.kit.page import file_stem
from labkit.app.kit.rig.opened import rig_sheet_text
from labkit.app.kit.text import today
from labkit.app.kit.widgets import FileOffers, MadeFile
from labkit.app.pages.rig.state import EQUAL_EMF, RigPageState
from labkit.app.pages.rig.views import netlist, schematic_svg, short_formula


def offer_rig_files(files: FileOffers, state: RigPageState) -> None:
    """Add a button for every file of a rig."""

    def stem() -> str:
        return file_stem(state.rig.name)

    def offer(
        key: str, label: str, ending: str, kind: str, make: Callable[[], str], *, is_printed: bool = False
    ) -> None:
        def made() -> MadeFile:
            return MadeFile(name=f"{stem()}{ending}", kind=kind, content=make().encode(), is_printed=is_printed)

        files.offer(key, label, made)

    offer("sheet", "Rig sheet", ".toml", "application/toml", lambda: rig_sheet_text(state.rig))
    offer_curves(
        files,
        curves=state.curves,
        stem=lambda: stem() if state.curve == EQUAL_EMF else f"{stem()}-by-the-strings",
        title=lambda: f"{state.rig.name}, {state.curve}" if state.drawn else state.rig.name,
        caption=lambda: state.zero,
    )
    offer("schematic", "Schematic as SVG", "-schematic.svg", "image/svg+xml", lambda: schematic_svg(state.rig))
    offer("netlist", "SPICE netlist", ".cir", "text/plain", lambda: netlist(state.rig))
    offer("formula", "Formula as text", "-formula.txt", "text/plain", lambda: _formula_text(state))
    offer("paper", "Customer sheet", "-customer-sheet.html", "text/html", lambda: _paper(state))
    offer("print", "Print customer sheet", "-customer-sheet.html", "text/html", lambda: _paper(state), is_printed=True)


def _formula_text(state: RigPageState) -> str:
    from labkit.circuit.formula.text import formula_text

    return formula_text(short_formula(state.rig))


def _paper(state: RigPageState) -> str:
    """The rig as it is; where a curve is pinned, the change from that one."""
    from labkit.report.sheet_paper import rig_paper_html  # brings the bench's models along

    date, compared = today(), state.compared
    if compared is None:
        return rig_paper_html(state.rig, date=date)
    before = state.rig_of(compared.pin.setup)
    return rig_paper_html(before, other=state.rig, label=compared.short, other_label="now", date=date)
